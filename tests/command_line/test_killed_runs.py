"""A run that is killed at any moment: the next one brings the lake to the content of an undisturbed one."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from builders import environment
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.simulate import write_season_files

# Each change of a lake is cut off in ``tests/unit/lake/test_killed.py``; these kill whole programs.
pytestmark = pytest.mark.faults


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An inbox whose lake needs several commits."""
    folder = tmp_path_factory.mktemp("season")
    write_season_files(folder, "plain", 3, fields=3, hours=0.5, machines=2, spoil=True)
    return folder / "inbox"


@pytest.fixture(scope="module")
def undisturbed(season: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, float]:
    """Content digest of a lake taken in at one go, and the seconds it took."""
    lake = tmp_path_factory.mktemp("undisturbed") / "lake"
    start = time.monotonic()
    assert finished(season, lake).returncode in (0, 1)
    return Lake.open(lake).digest(), time.monotonic() - start


def begun(inbox: Path, lake: Path) -> subprocess.Popen[str]:
    # A file a commit, so that there are many moments between two commits.
    program = (
        "import chaffinch.pipelines.night.run as n; n.FILES_PER_COMMIT = 1; " if lake.name != "plain" else ""
    )
    program += "from chaffinch.pipelines.command_line import main; main()"
    call = [sys.executable, "-c", program, "ingest", str(inbox), "--lake", str(lake)]
    return subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def finished(inbox: Path, lake: Path) -> subprocess.Popen[str]:
    run = begun(inbox, lake)
    run.communicate(timeout=120)
    return run


def killed_and_resumed(inbox: Path, lake: Path, moments_s: list[float]) -> list[int]:
    """Kill a run after each number of seconds, then let one finish. Returns the exit codes of the killed."""
    codes = []
    for moment_s in moments_s:
        run = begun(inbox, lake)
        time.sleep(moment_s)
        os.kill(run.pid, signal.SIGKILL)
        run.communicate()
        codes.append(run.returncode)
    assert finished(inbox, lake).returncode in (0, 1)
    return codes


def test_killed_once(season: Path, undisturbed: tuple[str, float], tmp_path: Path) -> None:
    """Killed as soon as the ledger holds its first file: by what it has done, not by the clock."""
    digest, _ = undisturbed
    lake = tmp_path / "lake"
    run = begun(season, lake)
    ledger = lake / "deliveries" / "_delta_log" / "00000000000000000000.json"
    while run.poll() is None and not ledger.exists():
        time.sleep(0.005)
    os.kill(run.pid, signal.SIGKILL)
    run.communicate()
    assert run.returncode == -signal.SIGKILL
    assert finished(season, lake).returncode in (0, 1)
    assert Lake.open(lake).check() == []
    assert Lake.open(lake).digest() == digest


@pytest.mark.parametrize(
    "seed",
    [
        environment.number("CHAFFINCH_FIRST_SEED") + k
        for k in range(environment.number("CHAFFINCH_KILL_ROUNDS"))
    ],
)
def test_killed_at_random(season: Path, undisturbed: tuple[str, float], tmp_path: Path, seed: int) -> None:
    digest, seconds = undisturbed
    random_moments = random.Random(seed)
    moments_s = [seconds * random_moments.uniform(0.2, 1.0) for _ in range(4)]
    killed_and_resumed(season, tmp_path / "lake", moments_s)
    assert Lake.open(tmp_path / "lake").check() == []
    assert Lake.open(tmp_path / "lake").digest() == digest
