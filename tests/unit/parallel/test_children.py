"""Programs that are started: what they import, what they know, and that they end."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import pytest
from chaffinch.pipelines.parallel.children import TookTooLong, run_child, start_child


def test_a_child_imports_nothing_from_the_folder_it_starts_in(tmp_path: Path) -> None:
    (tmp_path / "json.py").write_text("raise SystemExit(7)")
    assert run_child([sys.executable, "-c", "import json"], 20, folder=tmp_path) == (0, "")


def test_a_child_is_given_no_secret_and_what_it_should_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PREFECT_API_AUTH_STRING", "night:secret")
    result = "import os, sys; sys.exit(repr((sys.stdin.read(), os.environ.get('PREFECT_API_AUTH_STRING'))))"
    assert run_child([sys.executable, "-c", result], 20, given=b"summary") == (1, "('summary', None)")


def test_a_child_is_no_part_of_our_group() -> None:
    with start_child([sys.executable, "-c", "import sys; sys.stdin.read()"], stdin=-1) as child:
        assert os.getpgid(child.pid) != os.getpgid(0)
        child.communicate()


def test_what_a_child_started_ends_with_it(tmp_path: Path) -> None:
    """A grandchild that holds the pipes open does not hold us."""
    grandchild = tmp_path / "pid"
    began = time.monotonic()
    with pytest.raises(TookTooLong):
        run_child(["sh", "-c", f"sleep 60 & echo $! > {grandchild}; wait"], 0.5)
    assert time.monotonic() - began < 5
    time.sleep(0.2)
    state = Path(f"/proc/{grandchild.read_text().strip()}/stat")
    assert not state.exists() or state.read_text().split()[2] == "Z"
