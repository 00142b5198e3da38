"""Nights that are killed, doubled, and that meet late, corrected and repeated files: the content is the same.

Real processes of the real command over the sample. The environment sets how many, because a full round takes
hours: CHAFFINCH_KILLS=200, CHAFFINCH_DOUBLE_RUNS=20 and CHAFFINCH_NIGHTS=30.
"""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest
from builders import environment
from builders.places import SAMPLE_INBOX
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import run_nightly
from chaffinch.pipelines.simulate import write_season_files

SAMPLE = SAMPLE_INBOX
FIRST = environment.number("CHAFFINCH_FIRST_SEED")
KILLS = environment.number("CHAFFINCH_KILLS")
# A night that goes on is nearer to its end, and costs less than one from nothing.
KILLS_OF_A_LAKE = 5
DOUBLE_RUNS = environment.number("CHAFFINCH_DOUBLE_RUNS")
NIGHTS = environment.number("CHAFFINCH_NIGHTS")
# Machine-days of the simulated month: as many as nights would be, but the estimates take the time.
MONTH_FIELDS = 8
pytestmark = pytest.mark.faults


@dataclass(frozen=True)
class Undisturbed:
    digest: str
    pages: dict[str, bytes]
    day: date
    seconds: float


def start(folder: Path) -> subprocess.Popen[str]:
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", "nightly", str(SAMPLE), "--plain"]
    call += ["--lake", str(folder / "lake"), "--site", str(folder / "site")]
    return subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def finish(run: subprocess.Popen[str]) -> int:
    _, err = run.communicate(timeout=600)
    assert "Traceback" not in err
    return run.returncode


def pages(folder: Path) -> dict[str, bytes]:
    site = folder / "site"
    return {str(p.relative_to(site)): p.read_bytes() for p in site.rglob("*") if p.is_file()}


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Undisturbed:
    folder = tmp_path_factory.mktemp("undisturbed")
    began = time.monotonic()
    assert finish(start(folder)) == 0
    seconds = time.monotonic() - began
    return Undisturbed(Lake.open(folder / "lake").digest(), pages(folder), date.today(), seconds)


def hold(folder: Path, undisturbed: Undisturbed, about: str) -> None:
    lake = Lake.open(folder / "lake")
    assert lake.check() == [], about
    assert lake.digest() == undisturbed.digest, about
    # The morning page tells which morning it is, and a round of kills may go on past midnight.
    dated = {"nightly.html", "made_from.txt"} if date.today() != undisturbed.day else set()
    found = {name: page for name, page in pages(folder).items() if name not in dated}
    assert found == {name: page for name, page in undisturbed.pages.items() if name not in dated}, about


@pytest.mark.parametrize("seed", range(FIRST, FIRST + KILLS))
def test_killed_at_random_moments(undisturbed: Undisturbed, tmp_path: Path, seed: int) -> None:
    """The night of one lake is killed again and again, goes on each time, and comes to its end."""
    chance = random.Random(seed)
    moments: list[float] = []
    for _ in range(20 * KILLS_OF_A_LAKE):
        if len(moments) == KILLS_OF_A_LAKE:
            break
        moment_s = chance.uniform(0.3, undisturbed.seconds)
        run = start(tmp_path)
        try:
            run.communicate(timeout=moment_s)
        except subprocess.TimeoutExpired:
            run.send_signal(signal.SIGKILL)
            run.communicate()
            moments.append(round(moment_s, 2))
            continue
        # It was done before it could be killed: begin again from nothing.
        hold(tmp_path, undisturbed, f"killed after {moments} s, then let run")
        shutil.rmtree(tmp_path)
        tmp_path.mkdir()
    else:
        pytest.fail("runs could not be killed")
    assert finish(start(tmp_path)) in (0, 1)
    hold(tmp_path, undisturbed, f"killed after {moments} s of {undisturbed.seconds:.2f} s")


@pytest.mark.parametrize("seed", range(FIRST, FIRST + DOUBLE_RUNS))
def test_two_nights_at_once(undisturbed: Undisturbed, tmp_path: Path, seed: int) -> None:
    first = start(tmp_path)
    time.sleep(random.Random(seed).uniform(0, 0.5 * undisturbed.seconds) if seed % 2 else 0)
    second = start(tmp_path)
    # One of them ingests everything, the other finds nothing new.
    assert [finish(first), finish(second)] == [0, 0]
    hold(tmp_path, undisturbed, f"two at once, seed {seed}")


def test_a_month_of_nights(tmp_path: Path) -> None:
    """Logs come days late, first cut short and then whole, twice under two names; settings and checks grow."""
    nights = run_month(tmp_path, NIGHTS)
    at_once = Lake.open(tmp_path / "at_once")
    run_nightly(tmp_path / "inbox", at_once, tmp_path / "site_at_once")
    lake = Lake.open(tmp_path / "lake")
    assert nights >= NIGHTS
    assert lake.check() == [] and at_once.check() == []
    assert lake.digest() == at_once.digest()
    assert content(lake) == content(at_once)


def content(lake: Lake) -> dict[str, list[str]]:
    """Rows of all tables but for when, and which of two names a content was met under first; with the
    program's own digest.
    """
    ignored = {"taken_in_at", "computed_at", "read_with", "other_names", "name", "file"}
    found = {}
    for name in ("deliveries", "readings", "adjustments", "loss_checks", "fields", "set_aside", "effects"):
        frame = lake.scan(name).collect()
        frame = frame.select(column for column in frame.columns if column not in ignored)
        found[name] = sorted(frame.write_ndjson().splitlines())
    return found


def run_month(folder: Path, nights: int) -> int:
    """Deliver a made-up season over ``nights`` nights, each followed by a night; the inbox ends whole."""
    write_season_files(
        folder / "season", "plain", 11, fields=MONTH_FIELDS, hours=0.5, machines=3, adjustments=2, spoil=True
    )
    source, inbox = folder / "season" / "inbox", folder / "inbox"
    inbox.mkdir()
    chance = random.Random(11)
    due: list[tuple[int, Callable[[], None]]] = []
    for path in sorted(path for path in source.rglob("*") if path.is_file()):
        due.extend(deliver(path, inbox / path.relative_to(source), nights, chance))
    lake = Lake.open(folder / "lake")
    for night in range(1, nights + 1):
        for when, act in due:
            if when == night:
                act()
        run_nightly(inbox, lake, folder / "site")
        assert lake.check() == [], f"night {night}"
    return nights


def deliver(path: Path, to: Path, nights: int, chance: random.Random) -> list[tuple[int, Callable[[], None]]]:
    """When a file comes, and in which states: late, cut short at first, or twice."""
    whole = path.read_bytes()

    def put(content: bytes, at: Path = to) -> Callable[[], None]:
        def act() -> None:
            at.parent.mkdir(parents=True, exist_ok=True)
            at.write_bytes(content)

        return act

    first = chance.randint(1, nights)
    later = chance.randint(first, nights)
    if path.suffix == ".toml":
        return [(min(3, nights), put(whole))]
    if path.name in ("settings_log.csv", "loss_checks.csv"):
        # A log that is exported again every few nights, each time with more rows.
        lines = whole.splitlines(keepends=True)
        steps = sorted({max(1, nights // 3), max(1, 2 * nights // 3), nights})
        return [(night, put(b"".join(lines[: 1 + len(lines) * night // nights]))) for night in steps]
    way = chance.choice(["late", "cut", "wrong", "twice", "moved"])
    if way == "cut":
        return [(first, put(whole[: len(whole) // 2])), (later, put(whole))]
    if way == "wrong":
        return [(first, put(b"no log at all\n")), (later, put(whole))]
    if way == "twice":
        return [(first, put(whole)), (later, put(whole, to.with_name(f"again_{to.name}")))]
    if way == "moved":
        return [(first, put(whole)), (later, put(whole))]
    return [(later, put(whole))]
