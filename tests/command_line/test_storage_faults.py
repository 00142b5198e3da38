"""Storage that is full, read-only, or goes away during a run, and clocks that jump: the next run ends the same."""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from builders import environment
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.lake import Lake, store
from chaffinch.pipelines.night import run as nightly

HEADER = "time,machine,field,crop,speed_m_s,grain_moisture_pct,cleaning_loss_signal\n"


def log(machine: str, day: int, rows: int = 300) -> str:
    return HEADER + "".join(
        f"2026-07-{day:02d}T{8 + i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d}Z,{machine},Mill Field,wheat,"
        f"1.{i * 7919 % 997},15.{i * 104729 % 9973},{i * 1299709 % 99991}\n"
        for i in range(rows)
    )


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    for day in (20, 21, 22):
        (folder / f"{day}.csv").write_text(log("Combine A", day))
    return folder


@pytest.fixture
def expected(inbox: Path, tmp_path: Path) -> str:
    """Digest of a lake that nothing disturbed."""
    lake = Lake.open(tmp_path / "undisturbed")
    nightly.run_nightly(inbox, lake, tmp_path / "undisturbed_site")
    return lake.digest()


def night(inbox: Path, lake: Path) -> int:
    return run(["nightly", str(inbox), "--lake", str(lake), "--site", str(inbox.parent / "site")])


def ends_the_same(inbox: Path, lake: Path, expected: str) -> None:
    assert night(inbox, lake) in (0, 1)
    assert Lake.open(lake).check() == []
    assert Lake.open(lake).digest() == expected


SMALL_FILES_ONLY = (
    "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
    "resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), int(sys.argv[1]))); "
    "from chaffinch.pipelines.command_line.program import run; sys.exit(run(sys.argv[2:]))"
)


@pytest.mark.faults
@pytest.mark.parametrize("most_bytes", [2_000, 6_000, 9_000])
def test_a_write_that_stops_halfway(inbox: Path, tmp_path: Path, expected: str, most_bytes: int) -> None:
    """The system refuses to write beyond a size, as a full disk does, at different moments of the run."""
    lake = tmp_path / "lake"
    call = ["nightly", str(inbox), "--lake", str(lake), "--site", str(tmp_path / "site"), "--plain"]
    done = subprocess.run(
        [sys.executable, "-c", SMALL_FILES_ONLY, str(most_bytes), *call],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr + done.stdout
    assert "can't be written" in done.stdout + done.stderr
    ends_the_same(inbox, lake, expected)


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """A disk of its own; skipped where this user may not mount one."""
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip("a small disk can't be mounted by this user")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.skipif(shutil.which("mount") is None or os.name != "posix", reason="no mounting here")
def test_a_full_disk(inbox: Path, tmp_path: Path, expected: str, capsys: pytest.CaptureFixture[str]) -> None:
    with small_disk(tmp_path / "disk", 2) as disk:
        filler = disk / "filler"
        filler.write_bytes(bytes(2 * 1024 * 1024 - 60_000))
        assert night(inbox, disk / "lake") == 1
        result = capsys.readouterr()
        assert "Traceback" not in result.out + result.err
        assert "No space left on device" in result.out
        filler.unlink()
        ends_the_same(inbox, disk / "lake", expected)


@pytest.mark.skipif(shutil.which("mount") is None or os.name != "posix", reason="no mounting here")
def test_a_share_that_goes_away_during_a_run(
    inbox: Path,
    tmp_path: Path,
    expected: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The empty folder that a lost share leaves behind gets no second lake."""
    monkeypatch.setattr(nightly, "FILES_PER_COMMIT", 1)
    take_in = Lake.take_in
    taken: list[str] = []
    with small_disk(tmp_path / "share", 20) as share:
        lake = share / "lake"

        def losing(self: Lake, batch: Any) -> None:
            take_in(self, batch)
            taken.append(batch[0].name)
            if len(taken) == 2:
                subprocess.run(["umount", "-l", str(share)], check=True)

        monkeypatch.setattr(Lake, "take_in", losing)
        assert night(inbox, lake) == 1
        result = capsys.readouterr()
        assert len(taken) == 2 and "Traceback" not in result.out + result.err
        assert "went away while it was written to" in result.out
        assert "Pages were not written: there is no lake" in result.out
        assert list(share.rglob("*.parquet")) == []
        # A second disk stands in for the share that came back: it is empty, and the next run fills it.
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=20m", "tmpfs", str(share)], check=True)
        monkeypatch.undo()
        ends_the_same(inbox, lake, expected)


@pytest.mark.faults
def test_a_lake_that_is_deleted_during_a_run(
    inbox: Path,
    tmp_path: Path,
    expected: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    lake = tmp_path / "lake"
    monkeypatch.setattr(nightly, "FILES_PER_COMMIT", 1)
    take_in = Lake.take_in

    def deleting(self: Lake, batch: Any) -> None:
        take_in(self, batch)
        shutil.rmtree(lake, ignore_errors=True)

    monkeypatch.setattr(Lake, "take_in", deleting)
    assert night(inbox, lake) == 1
    assert "went away while it was written to" in capsys.readouterr().out
    monkeypatch.undo()
    ends_the_same(inbox, lake, expected)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="no such permissions here")
def test_a_lake_that_may_not_be_written(
    inbox: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Read-only storage is said at once, and the pages are written from what the lake holds."""
    lake = tmp_path / "lake"
    night(inbox, lake)
    (inbox / "23.csv").write_text(log("Combine A", 23))
    if os.geteuid() == 0:
        # The superuser is refused nothing but by the storage itself.
        bound = subprocess.run(
            ["mount", "--bind", "-o", "ro", str(lake), str(lake)], capture_output=True, check=False
        )
        if bound.returncode:
            pytest.skip("a read-only folder can't be made by this user")
    else:
        for folder in (lake, *lake.rglob("*")):
            folder.chmod(folder.stat().st_mode & ~0o222)
    capsys.readouterr()
    try:
        shutil.rmtree(tmp_path / "site")
        assert night(inbox, lake) == 1
    finally:
        if os.geteuid() == 0:
            subprocess.run(["umount", str(lake)], check=True)
        else:
            for folder in (lake, *lake.rglob("*")):
                folder.chmod(folder.stat().st_mode | 0o200)
    result = capsys.readouterr()
    assert "Traceback" not in result.out + result.err
    assert "can't be written to: Read-only file system." in result.out or "Permission denied" in result.out
    assert (tmp_path / "site" / "index.html").is_file()
    assert night(inbox, lake) == 0
    assert Lake.open(lake).scan("readings").collect().height == 1200


@pytest.mark.faults
def test_readers_during_a_write(inbox: Path, tmp_path: Path) -> None:
    """Whatever moment a reader catches, it sees whole deliveries, each of them once, and never an error."""
    lake, done = Lake.open(tmp_path / "lake"), threading.Event()
    nightly.ingest_inbox(inbox, lake)
    seen: set[int] = set()
    failures: list[BaseException] = []

    def read() -> None:
        reader = Lake.open(tmp_path / "lake")
        while not done.is_set():
            try:
                by_file = reader.scan("readings").group_by("file").len().collect()
                assert set(by_file["len"].to_list()) <= {300, 600}, by_file
                seen.add(by_file.height)
                reader.readings("Combine A", "Mill Field")
            except BaseException as error:  # noqa: BLE001  handed to the test
                failures.append(error)
                return

    reading = threading.Thread(target=read)
    reading.start()
    try:
        for turn in range(6):
            # A correction of one, and a new one.
            (inbox / "20.csv").write_text(log("Combine A", 20, 600 if turn % 2 == 0 else 300))
            (inbox / f"more_{turn}.csv").write_text(log(f"Combine {turn}", 20))
            nightly.ingest_inbox(inbox, lake)
    finally:
        done.set()
        reading.join()
    assert not failures, failures[0]
    assert seen


@pytest.mark.faults
def test_a_clock_that_jumps(
    inbox: Path, tmp_path: Path, expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Files and runs dated years ahead and back: content depends on neither."""
    lake = tmp_path / "lake"
    for path, years in zip(sorted(inbox.iterdir()), (-30, 0, 20), strict=True):
        moment = datetime.now(UTC).timestamp() + years * 365 * 86_400
        os.utime(path, (moment, moment))

    class Jumping(datetime):
        jumps = iter([timedelta(days=400), timedelta(days=-900), timedelta(), timedelta(days=3)] * 50)

        @classmethod
        def now(cls, tz: Any = None) -> datetime:  # type: ignore[override]
            return datetime.now(tz) + next(cls.jumps)

    monkeypatch.setattr(store, "datetime", Jumping)
    monkeypatch.setattr(nightly, "FILES_PER_COMMIT", 1)
    ends_the_same(inbox, lake, expected)
    assert night(inbox, lake) == 0


@pytest.mark.faults
def test_many_small_files(tmp_path: Path) -> None:
    """All are counted, none is read again, the lake is whole, few handles are open."""
    count = environment.number("CHAFFINCH_SMALL_FILES")
    inbox, lake = tmp_path / "inbox", Lake.open(tmp_path / "lake")
    for i in range(count):
        (inbox / f"{i // 500}").mkdir(parents=True, exist_ok=True)
        (inbox / f"{i // 500}" / f"{i}.csv").write_text(
            log(f"Combine {i % 7}", 1 + i % 28, 3 + i % 2).replace("Mill Field", f"Field {i}")
        )
    resource.setrlimit(resource.RLIMIT_NOFILE, (256, resource.getrlimit(resource.RLIMIT_NOFILE)[1]))
    first = nightly.ingest_inbox(inbox, lake)
    assert len(first.new) == count
    rows = lake.scan("readings").select(pl.len()).collect().item()
    assert rows == sum(one.rows_kept for one in first.new)
    again = nightly.ingest_inbox(inbox, lake)
    assert again.new == () and again.unchanged == count
    assert lake.check() == []
