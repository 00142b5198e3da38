"""Results come straight from workers that this machine reaches, and through their scheduler from others."""

from __future__ import annotations

import socket

import pytest
from chaffinch.pipelines.parallel import dask_workers
from chaffinch.pipelines.parallel.dask_workers import _is_reached


def test_a_worker_that_listens_is_reached():
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        assert _is_reached(f"tcp://127.0.0.1:{port}")
    assert not _is_reached(f"tcp://127.0.0.1:{port}")


def test_a_worker_behind_a_silent_network_is_not_waited_for(monkeypatch):
    """192.0.2.0/24 is for documentation (RFC 5737): nobody answers there."""
    monkeypatch.setattr(dask_workers, "LONGEST_REACH_S", 0.2)
    assert not _is_reached("tls://192.0.2.7:40000")


@pytest.mark.parametrize("address", ["inproc://here", "tcp://[::1", "", "tcp://127.0.0.1:none"])
def test_an_address_of_another_kind_is_not_reached(address):
    assert not _is_reached(address)
