"""Files that are still being written are left for the next run, and said so."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from chaffinch.pipelines.ingest.inbox.settled import ask_leases
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night import plan
from chaffinch.pipelines.night import run as nightly

HEADER = "time,machine,field,crop,speed_m_s\n"


def rows(start: int, stop: int) -> str:
    return "".join(
        f"2026-07-20T{8 + i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d}Z,Combine A,Mill Field,wheat,1.5\n"
        for i in range(start, stop)
    )


@pytest.fixture(autouse=True)
def leases() -> Iterator[None]:
    before = signal.getsignal(signal.SIGIO)
    ask_leases()
    yield
    signal.signal(signal.SIGIO, before)


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    (folder / "whole.csv").write_text(HEADER + rows(0, 60))
    return folder


def test_a_file_that_grows_is_left_and_then_ingested_whole(inbox: Path) -> None:
    """A copy over the network writes a little at a time."""
    lake, stop = Lake.open(inbox.parent / "lake"), threading.Event()
    (inbox / "growing.csv").write_text(HEADER)

    def copy() -> None:
        for i in range(4000):
            if stop.is_set():
                return
            with (inbox / "growing.csv").open("a") as file:
                file.write(rows(3600 + i, 3601 + i))
            time.sleep(0.01)

    copying = threading.Thread(target=copy)
    copying.start()
    try:
        summary = nightly.ingest_inbox(inbox, lake)
    finally:
        stop.set()
        copying.join()
    assert summary.growing == ("growing.csv",)
    assert not summary.trouble
    assert "growing.csv is still being written; the next run ingests it." in summary.sentences()
    assert lake.ledger()["name"].to_list() == ["whole.csv"]

    again = nightly.ingest_inbox(inbox, lake)
    assert again.growing == () and [one.name for one in again.new] == ["growing.csv"]
    lines = (inbox / "growing.csv").read_text().count("\n") - 1
    assert lake.scan("readings").collect().height == 60 + lines


@pytest.mark.faults
@pytest.mark.skipif(os.uname().sysname != "Linux", reason="only Linux tells who writes to a file")
def test_a_file_held_open_is_left_though_it_rests(inbox: Path) -> None:
    lake = Lake.open(inbox.parent / "lake")
    with (inbox / "held.csv").open("w") as held:
        held.write(HEADER + rows(0, 10))
        held.flush()
        assert nightly.ingest_inbox(inbox, lake).growing == ("held.csv",)
    assert nightly.ingest_inbox(inbox, lake).growing == ()


def test_a_file_that_changes_while_it_is_read_is_left(inbox: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lake, read_one = Lake.open(inbox.parent / "lake"), plan.read_one

    def slow(file, *rest):  # type: ignore[no-untyped-def]
        result = read_one(file, *rest)
        if file.name == "whole.csv":
            with (inbox / "whole.csv").open("a") as late:
                late.write(rows(60, 61))
        return result

    (inbox / "other.csv").write_text(HEADER + rows(0, 5).replace("Combine A", "Combine B"))
    monkeypatch.setattr(plan, "read_one", slow)
    summary = nightly.ingest_inbox(inbox, lake)
    assert summary.growing == ("whole.csv",)
    assert lake.ledger()["name"].to_list() == ["other.csv"]
    monkeypatch.undo()
    assert nightly.ingest_inbox(inbox, lake).growing == ()
    assert lake.scan("readings").collect().height == 61 + 5


@pytest.mark.faults
def test_the_earlier_content_stays_while_its_correction_is_written(inbox: Path) -> None:
    lake = Lake.open(inbox.parent / "lake")
    nightly.ingest_inbox(inbox, lake)
    with (inbox / "whole.csv").open("w") as correction:
        correction.write(HEADER + rows(0, 10))
        correction.flush()
        assert nightly.ingest_inbox(inbox, lake).growing == ("whole.csv",)
        assert lake.scan("readings").collect().height == 60
    nightly.ingest_inbox(inbox, lake)
    assert lake.scan("readings").collect().height == 10
