"""A night on other machines' workers: a real Dask scheduler and two worker processes, spoken to over TCP."""

from __future__ import annotations

import importlib.util
import json
import math
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from chaffinch.pipelines.errors import CallError, LakeError, NotYet, UnreadableFile
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.parallel.fan_out import FROM_STORAGE
from chaffinch.pipelines.simulate import write_season_files

pytestmark = pytest.mark.skipif(not importlib.util.find_spec("distributed"), reason="no workers without it")
COMMAND = [sys.executable, "-c", "from chaffinch.pipelines.command_line import main; main()"]


@contextmanager
def process(folder: Path, *words: str, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    with (folder / "dask.log").open("ab") as log:
        started = subprocess.Popen(
            [sys.executable, "-m", "dask", *words],
            cwd=folder,
            env=os.environ | environment,
            stdout=log,
            stderr=log,
        )
    try:
        yield started
    finally:
        if started.poll() is None:
            started.terminate()
            try:
                started.wait(10)
            except subprocess.TimeoutExpired:
                started.kill()


@contextmanager
def scheduler(folder: Path) -> Iterator[str]:
    """The address of a Dask scheduler of its own process."""
    output = folder / "scheduler.json"
    words = (
        "scheduler",
        "--host",
        "127.0.0.1",
        "--port",
        "0",
        "--no-dashboard",
        "--scheduler-file",
        str(output),
    )
    with process(folder, *words):
        for _ in range(600):
            if output.is_file() and output.read_text().rstrip().endswith("}"):
                break
            time.sleep(0.1)
        yield json.loads(output.read_text())["address"]


@contextmanager
def worker(folder: Path, address: str, name: str, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    words = ("worker", address, "--name", name, "--nthreads", "1", "--no-nanny", "--no-dashboard")
    with process(folder, *words, **environment) as started:
        yield started


def joined(address: str, count: int) -> Any:
    from distributed import Client

    client = Client(address, timeout=60, set_as_default=False)
    client.wait_for_workers(count, timeout=120)
    return client


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("season")
    write_season_files(folder, "plain", 3, fields=10, hours=0.5, machines=2, adjustments=2)
    return folder / "inbox"


@pytest.mark.faults
def test_a_night_on_two_workers_one_of_them_killed_midway(season: Path, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("PREFECT_HOME", str(tmp_path / "prefect"))
    monkeypatch.delenv("CHAFFINCH_PLAIN", raising=False)
    with (
        scheduler(tmp_path) as address,
        worker(tmp_path, address, "one"),
        worker(tmp_path, address, "two") as killed,
        joined(address, 2) as client,
    ):
        assert address.startswith("tcp://")
        where = {info["name"]: at for at, info in client.scheduler_info()["workers"].items()}
        night = subprocess.Popen(
            [
                *COMMAND,
                "nightly",
                str(season),
                "--lake",
                "lake",
                "--site",
                "site",
                "--workers",
                address,
                "--json",
            ],
            cwd=tmp_path,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        under_way: tuple[str, ...] = ()
        while not under_way and night.poll() is None:
            time.sleep(0.02)
            under_way = client.processing().get(where["two"], ())
        killed.send_signal(signal.SIGKILL)
        out, output = night.communicate(timeout=400)
        assert under_way, f"the second worker never got work: {output}"
        assert list(client.scheduler_info()["workers"]) == [where["one"]]
    assert night.returncode == 0, output
    summary = json.loads(out)
    assert len(summary["ingest"]["new"]) == 14
    assert "2 at a time" in output
    # In a process of its own, as the night on workers: tests in this one make fewer draws.
    plainly = [*COMMAND, "nightly", str(season), "--lake", "plain", "--site", "plain site", "--plain"]
    subprocess.run(plainly, cwd=tmp_path, check=True, capture_output=True)
    lake = Lake.open(tmp_path / "lake")
    assert lake.check() == []
    assert lake.digest() == Lake.open(tmp_path / "plain").digest()


@pytest.mark.faults
def test_what_workers_lack_is_reported_before_any_work(season: Path, tmp_path: Path) -> None:
    from chaffinch.pipelines.parallel.dask_workers import join

    with pytest.raises(CallError, match="No Dask scheduler answers at tcp://127.0.0.1:9"):
        join("tcp://127.0.0.1:9", season, str(tmp_path / "lake"))
    with pytest.raises(CallError, match="No Dask scheduler answers at nonsense"):
        join("nonsense", season, str(tmp_path / "lake"))
    with scheduler(tmp_path) as address:
        with pytest.raises(CallError, match="has no workers"):
            join(address, season, str(tmp_path / "lake"))
        with worker(tmp_path, address, "one"), joined(address, 1):
            assert join(address, season, str(tmp_path / "lake")).threads == 1
            with pytest.raises(CallError, match="finds no folder"):
                join(address, tmp_path / "not there", str(tmp_path / "lake"))
            with pytest.raises(CallError, match="finds no lake"):
                join(address, season, "/nowhere/at/all/lake")


def test_the_work_goes_to_workers_through_prefect_or_not_at_all(season: Path, tmp_path: Path, capsys) -> None:
    from chaffinch.pipelines.command_line.program import run

    call = ["nightly", str(season), "--lake", str(tmp_path / "lake"), "--site", str(tmp_path / "site")]
    assert run([*call, "--plain", "--workers", "tcp://127.0.0.1:9"]) == 2
    assert "leave --plain out" in capsys.readouterr().err


@pytest.mark.parametrize(
    "error", [UnreadableFile("a.csv", "It is empty."), NotYet("not yet"), LakeError("the lake is away", True)]
)
def test_failures_come_back_from_another_process_as_they_were(error: Exception) -> None:
    import pickle

    back = pickle.loads(pickle.dumps(error))
    assert (type(back), str(back), vars(back)) == (type(error), str(error), vars(error))


def test_a_lake_in_another_process_has_no_right_to_write(tmp_path: Path) -> None:
    import pickle

    lake = Lake.open(tmp_path / "lake")
    with lake.writing():
        other = pickle.loads(pickle.dumps(lake))
        assert (other.uri, other._writing) == (lake.uri, False)


class Handed:
    """A runner whose workers go away after ``lasts`` tasks; ``broken``: the work on this item fails."""

    a_few = 1

    def __init__(self, lasts: int, broken: int | None = None) -> None:
        self.lasts, self.broken, self.done = lasts, broken, 0

    def submit(self, what: str, do: Any, items: Any, name: Any) -> Any:
        if self.done >= self.lasts + 3:
            raise OSError("Timed out trying to connect")
        return type("Future", (), {"result": lambda _: self.result(do, items)})()

    def result(self, do: Any, items: Any) -> list[int]:
        self.done += 1
        if self.done > self.lasts:
            raise TimeoutError("no answer")
        if self.broken in items:
            raise ValueError("the work itself is wrong")
        return [do(item) for item in items]


@pytest.mark.parametrize("lasts", [0, 1, 5, 100])
def test_what_lost_workers_left_is_done_here(lasts: int, monkeypatch: pytest.MonkeyPatch) -> None:
    from chaffinch.pipelines.night import prefect_tasks as tasks
    from chaffinch.pipelines.parallel.dask_workers import lost
    from chaffinch.pipelines.parallel.fan_out import one_by_one

    monkeypatch.setattr(tasks, "as_tasks", one_by_one)
    output: list[str] = []
    each = tasks.SideBySide(Handed(lasts), FROM_STORAGE, 4, math.inf, lost, output.append)
    assert list(each("read", lambda item: item * 2, list(range(20)), str)) == [2 * item for item in range(20)]
    assert len(output) == (1 if lasts < 20 else 0)
    assert list(each("read", lambda item: -item, [1, 2, 3], str)) == [-1, -2, -3]


def test_a_failure_of_the_work_itself_is_raised(monkeypatch: pytest.MonkeyPatch) -> None:
    from chaffinch.pipelines.night import prefect_tasks as tasks
    from chaffinch.pipelines.parallel.dask_workers import lost

    each = tasks.SideBySide(Handed(100, broken=7), FROM_STORAGE, 4, math.inf, lost, print)
    with pytest.raises(ValueError, match="the work itself is wrong"):
        list(each("read", lambda item: item, list(range(20)), str))
