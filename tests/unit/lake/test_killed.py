"""A run that is killed leaves a lake that the next run brings to the same content.

Real processes, really killed (SIGKILL): before each single change of a table in turn, and at moments spread
over the run. The content is compared by reading every table, not by the program's own digest.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.lake import Lake
from chaffinch.schemas.tables import tables

# One night on top of an earlier one: a corrected log, a new one, one that is now read with fewer rows set
# aside, one that can't be read. The first argument is the change before which the process kills itself (0 for
# none, -1 for the earlier night alone), the others are lakes.
NIGHT = r"""
import hashlib, os, signal, sys
from datetime import UTC, datetime, timedelta
import polars as pl
from chaffinch.pipelines.lake import Delivery, Lake
from chaffinch.pipelines.parsed import Parsed

START = datetime(2026, 7, 20, 8, tzinfo=UTC)

def delivery(name, seconds, aside=0, replaces=(), read_with="", content=""):
    time = [START + timedelta(seconds=i) for i in range(seconds)]
    readings = pl.DataFrame({"row": range(2, seconds + 2), "time": time, "speed_m_s": [1.5] * seconds})
    readings = readings.with_columns(machine=pl.lit("Combine A"), field=pl.lit("Mill Field"))
    changes = readings.head(2).select(
        "row", "time", "machine", setting=pl.lit("fan_speed"), kind=pl.lit("number"),
        to_value=pl.lit("900"), origin=pl.lit("settings log"))
    rows = pl.DataFrame({"row": range(900, 900 + aside)}, schema={"row": pl.Int64})
    rejected = rows.with_columns(rule=pl.lit("bad_time"), column=pl.lit("time"), value=pl.lit("?"),
                                 sentence=pl.lit("The time can't be read."), content=pl.lit("{}"),
                                 row_kept=pl.lit(False))
    parsed = Parsed("harvest log", readings=readings, adjustments=changes, set_aside=rejected,
                    rows_read=seconds + aside)
    sha = hashlib.sha256((name + content).encode()).hexdigest()
    return Delivery(name, sha, 10, parsed, replaces=replaces, read_with=read_with)

first = [
    delivery("corrected.csv", 50, aside=1), delivery("reread.csv", 30, aside=2), delivery("same.csv", 10)]
broken = Delivery("broken.bin", hashlib.sha256(b"x").hexdigest(), 1, None, reason="It holds no table.")
second = [[delivery("corrected.csv", 60, content="new", replaces=(first[0].id,)), broken],
          [delivery("reread.csv", 32, read_with="other farm"), delivery("new.csv", 20, aside=1)]]

kill_before, lakes = int(sys.argv[1]), [Lake.open(path) for path in sys.argv[2:]]
if kill_before < 0:
    lakes[0].take_in(first)
    sys.exit()

import deltalake
changes = 0
def counted(change):
    def wrapped(*given, **named):
        global changes
        changes += 1
        if changes == kill_before:
            os.kill(os.getpid(), signal.SIGKILL)
        return change(*given, **named)
    return wrapped
deltalake.write_deltalake = counted(deltalake.write_deltalake)
deltalake.DeltaTable.delete = counted(deltalake.DeltaTable.delete)

print("ready", flush=True)
for lake in lakes:
    with lake.writing():
        for batch in second:
            lake.take_in(batch)
print(changes)
"""


def command(kill_before: int, *lakes: Path) -> list[str]:
    return [sys.executable, "-c", NIGHT, str(kill_before), *map(str, lakes)]


def run(kill_before: int, *lakes: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command(kill_before, *lakes), capture_output=True, text=True, timeout=120)


Content = dict[str, list[tuple[object, ...]]]


def content(folder: Path) -> Content:
    """Every row of every table as Delta readers see it, sorted, without the moment of taking in."""
    found = {}
    for name in tables():
        if (folder / name).exists():
            frame = pl.read_delta(str(folder / name)).drop("taken_in_at", strict=False)
            found[name] = sorted(frame.rows(), key=repr)
    return found


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A lake after the earlier night alone; copy it."""
    lake = tmp_path_factory.mktemp("earlier") / "lake"
    assert run(-1, lake).returncode == 0
    return lake


@pytest.fixture(scope="module")
def undisturbed(earlier: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Content, int]:
    """Content after both nights, and how many changes of tables the second one makes."""
    lake = tmp_path_factory.mktemp("undisturbed") / "lake"
    shutil.copytree(earlier, lake)
    night = run(0, lake)
    assert night.returncode == 0, night.stderr
    found = content(lake)
    # corrected 60, reread 32, same 10, new 20
    assert len(found["readings"]) == 122 and len(found["deliveries"]) == 5 and len(found["set_aside"]) == 1
    return found, int(night.stdout.split()[-1])


@pytest.mark.faults
def test_killed_before_each_change(earlier: Path, undisturbed: tuple[Content, int], tmp_path: Path) -> None:
    expected, changes = undisturbed
    assert changes >= 9
    lakes = {change: tmp_path / f"lake{change}" for change in range(1, changes + 1)}
    for change, lake in lakes.items():
        shutil.copytree(earlier, lake)
        assert run(change, lake).returncode == -signal.SIGKILL
        # What a reader sees in between is the earlier file's rows or the corrected one's, never both.
        seen = Lake.open(lake).readings("Combine A", "Mill Field")
        assert seen.group_by("file").len().filter(pl.col("len") > 60).is_empty()
    assert run(0, *lakes.values()).returncode == 0
    for change, lake in lakes.items():
        assert content(lake) == expected, f"killed before change {change}"


@pytest.mark.faults
def test_killed_at_a_hundred_moments(earlier: Path, undisturbed: tuple[Content, int], tmp_path: Path) -> None:
    expected, _ = undisturbed
    kills, killed, lakes = 100, 0, []
    length_s = 0.0
    for i in range(kills + 1):
        lake = tmp_path / f"lake{i}"
        shutil.copytree(earlier, lake)
        with subprocess.Popen(command(0, lake), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as night:
            assert night.stdout is not None
            night.stdout.readline()
            began = time.perf_counter()
            if i == 0:  # how long a run takes that nobody kills
                night.wait(60)
                length_s = time.perf_counter() - began
                continue
            time.sleep(length_s * (i - 0.5) / kills)
            os.kill(night.pid, signal.SIGKILL)
            killed += night.wait(60) == -signal.SIGKILL
        lakes.append(lake)
    assert killed > kills / 2
    assert run(0, *lakes).returncode == 0
    for i, lake in enumerate(lakes):
        assert content(lake) == expected, f"killed at moment {i} of {kills}"


@pytest.mark.seconds
def test_two_runs_at_once_take_turns(earlier: Path, undisturbed: tuple[Content, int], tmp_path: Path) -> None:
    expected, _ = undisturbed
    lake = tmp_path / "lake"
    shutil.copytree(earlier, lake)
    both = [subprocess.Popen(command(0, lake), stdout=subprocess.DEVNULL) for _ in range(2)]
    assert [night.wait(60) for night in both] == [0, 0]
    assert content(lake) == expected


def test_the_second_says_that_it_waits(tmp_path: Path) -> None:
    import threading

    lake, said, order = Lake.open(tmp_path / "lake"), [], []
    other = Lake.open(tmp_path / "lake")

    def second() -> None:
        with other.writing(said.append):
            order.append("second")

    with lake.writing():
        waiting = threading.Thread(target=second)
        waiting.start()
        for _ in range(100):
            if said:
                break
            time.sleep(0.02)
        order.append("first")
    waiting.join(10)
    assert order == ["first", "second"]
    (sentence,) = said
    assert f"process {os.getpid()}" in sentence and "Waiting" in sentence
