"""A large operation from an empty lake to pages: up to 50 machines of 40 days each, 18,000 readings a field job.

    python tests/benchmarks/large_operation.py --jobs 200 2000 [--folder FOLDER] [--make-only]

Simulates 16 field jobs and varies them: machines, days, fields and places, and losses and flows reading
by reading. For each number of jobs ``ingest``, ``estimate`` and ``pages`` run one after another, each as a process of
its own, from an empty lake. Printed for each: seconds by the clock and of processors, the latter a job too, and the
peak of memory of the process and its children together; what they share counts once (proportional set size).

Asked of 2,000 jobs on two processors: 25 minutes, 2 GiB, and for a job at most 1.1 times what one of 200 takes.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path
from threading import Thread

import numpy as np
import polars as pl
import psutil

DIFFERENT, HOURS, SEED = 16, 5.0, 17
DAYS_OF_A_MACHINE = 40
FIRST_DAY = date(2026, 6, 25)
MOST_MINUTES, MOST_GIB, MOST_GROWTH = 25.0, 2.0, 1.1
# Disturbance of one job as a whole and of each reading, as standard deviations of the logarithm.
OF_A_JOB, OF_A_READING = 0.2, 0.05
STAGES = ("ingest", "estimate", "pages")


@dataclass(frozen=True)
class Dialect:
    """How the logs of one simulated machine are written."""

    name: str
    folder: str
    separator: str
    time: str
    changed: tuple[str, ...]


PLAIN = Dialect(
    "Combine A", "combine_a", ",", "time",
    ("grain_flow_kg_s", "separation_loss_signal", "cleaning_loss_signal", "latitude"),
)  # fmt: skip
TERMINAL = Dialect(
    "Combine B",
    "combine_b",
    ";",
    "Time",
    ("Grain flow (t/h)", "Separation loss", "Cleaning loss", "Latitude"),
)


@lru_cache(maxsize=DIFFERENT)
def read_texts(file: Path, separator: str = ",") -> pl.DataFrame:
    return pl.read_csv(file, separator=separator, infer_schema=False)


def make_job(source: Path, season: Path, job: int) -> None:
    """The files of field job number ``job``, counted machine by machine, in its own folder below ``season``."""
    number, day = divmod(job, DAYS_OF_A_MACHINE)
    dialect = (PLAIN, TERMINAL)[number % 2]
    logs = sorted((source / dialect.folder).glob("harvest_*.csv"))
    log = logs[(day + 3 * number) % len(logs)]
    before, after = log.stem.removeprefix("harvest_"), str(FIRST_DAY + timedelta(days=day))
    machine, field = f"{dialect.name} {number:02d}", f"Field {number:02d}-{day:02d}"
    place = season / f"machine_{number:02d}" / after
    place.mkdir(parents=True, exist_ok=True)
    names = {"machine": machine, "field": field}

    rows = read_texts(log, dialect.separator)
    changed = [pl.col(dialect.time).str.replace(before, after, literal=True)]
    changed += [
        pl.lit(name).alias(column if column in rows.columns else column.capitalize())
        for column, name in names.items()
    ]
    changed += varied(rows, dialect, job, 0.02 * day)
    rows.with_columns(changed).write_csv(place / "harvest.csv", separator=dialect.separator)

    for table in ("settings_log", "loss_checks"):
        all_rows = read_texts(source / f"{table}.csv")
        own = all_rows.filter(machine=dialect.name).filter(pl.col("time").str.starts_with(before))
        if own.height:
            renamed = [pl.lit(name).alias(column) for column, name in names.items() if column in own.columns]
            own.with_columns(pl.col("time").str.replace(before, after, literal=True), *renamed).write_csv(
                place / f"{table}.csv"
            )


def varied(rows: pl.DataFrame, dialect: Dialect, job: int, north_deg: float) -> Iterator[pl.Series]:
    """Columns of a log with its flows and losses varied at random by job, and moved north by ``north_deg``."""
    chance = np.random.default_rng([SEED, job])
    for column in dialect.changed:
        values = rows[column].str.replace(",", ".", literal=True).cast(pl.Float64).to_numpy()
        if column.lower() == "latitude":
            written = pl.Series((values + north_deg).round(6))
        else:
            spread = OF_A_READING * chance.standard_normal(len(values)) + OF_A_JOB * chance.standard_normal()
            written = pl.Series((values * np.exp(spread)).round(2))
        point = "," if dialect is TERMINAL else "."
        yield written.cast(pl.String).str.replace(".", point, literal=True).alias(column)


def make_season(folder: Path, jobs: int) -> Path:
    """``folder / "season"`` with at least so many field jobs; what lies there stays."""
    from chaffinch.pipelines.simulate import write_season_files

    season, source = folder / "season", folder / "different" / "inbox"
    if not source.is_dir():
        write_season_files(
            folder / "different", "plain", SEED, fields=DIFFERENT, hours=HOURS, machines=2, adjustments=4
        )
    for job in range(len(list(season.glob("*/*/harvest.csv"))), jobs):
        make_job(source, season, job)
    return season


def bring(season: Path, inbox: Path, jobs: int) -> float:
    """The first ``jobs`` field jobs of ``season`` as an inbox; gives its MB of harvest logs."""
    shutil.rmtree(inbox, ignore_errors=True)
    size = 0
    for place in sorted(season.glob("*/*"))[:jobs]:
        there = inbox / place.relative_to(season)
        there.mkdir(parents=True)
        for file in place.iterdir():
            os.link(file, there / file.name)
        size += (place / "harvest.csv").stat().st_size
    width = {PLAIN.name: 10.7, TERMINAL.name: 9.9}
    machines = "".join(
        f'[machines."{dialect.name} {number:02d}"]\nwidth_m = {width[dialect.name]}\n'
        + ('time_zone = "Europe/London"\n' if dialect is TERMINAL else "")
        for number in range(-(-jobs // DAYS_OF_A_MACHINE))
        for dialect in [(PLAIN, TERMINAL)[number % 2]]
    )
    prices = '[prices]\ncurrency = "EUR"\nper_t = { wheat = 210 }\nmachine_per_h = 250\n'
    (inbox / "farm.toml").write_text(f"{prices}{machines}")
    return size / 1e6


@dataclass(frozen=True)
class Ran:
    seconds: float
    processor_s: float
    peak_gib: float


def run(*words: str | Path) -> Ran:
    """A command of the program to its end, with all its children. A code above 1 ends the benchmark."""
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", *map(str, words)]
    began, before = time.monotonic(), os.times()
    process = subprocess.Popen(call, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    peak = [0]
    watch = Thread(target=_watch, args=(process, peak))
    watch.start()
    _, said = process.communicate()
    watch.join()
    if process.returncode not in (0, 1):
        sys.exit(f"chaffinch {words[0]} ended with {process.returncode}: {said[-2000:]}")
    after = os.times()
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    return Ran(time.monotonic() - began, spent, peak[0] / 2**30)


def _watch(process: subprocess.Popen[str], peak: list[int]) -> None:
    """Keep the most memory that ``process`` and its children held together in ``peak``."""
    while process.poll() is None:
        total = 0
        try:
            one = psutil.Process(process.pid)
            for each in (one, *one.children(recursive=True)):
                try:
                    total += each.memory_full_info().pss
                except psutil.Error:
                    continue
        except psutil.Error:
            return
        peak[0] = max(peak[0], total)
        time.sleep(1.0)


def stages(folder: Path, season: Path, jobs: int) -> dict[str, Ran]:
    """Each stage from an empty lake; a line is printed as it ends."""
    inbox, lake, site = (folder / name for name in ("inbox", "lake", "site"))
    size = bring(season, inbox, jobs)
    for old in (lake, site):
        shutil.rmtree(old, ignore_errors=True)
    print(f"{jobs} field jobs, {size:,.0f} MB of harvest logs", flush=True)
    calls = {
        "ingest": ("ingest", inbox, "--lake", lake),
        "estimate": ("estimate", "--lake", lake),
        "pages": ("pages", "--lake", lake, "--site", site),
    }
    ran = {}
    for stage, call in calls.items():
        ran[stage] = one = run(*call)
        print(
            f"  {stage:10}{one.seconds:8.1f} s {one.processor_s:8.1f} s of processors "
            f"{1000 * one.processor_s / jobs:8.0f} ms a job {one.peak_gib:6.2f} GiB",
            flush=True,
        )
    return ran


def grown(sizes: dict[int, dict[str, Ran]]) -> bool:
    """Print how processor time grew from one number of jobs to the next; whether it stayed within the aim."""
    met = True
    numbers = sorted(sizes)
    for few, many in zip(numbers, numbers[1:], strict=False):
        for stage in STAGES:
            ratio = sizes[many][stage].processor_s / sizes[few][stage].processor_s
            by_job = ratio * few / many
            met = met and by_job <= MOST_GROWTH
            print(
                f"{few} to {many} jobs, {stage:10}{by_job:5.2f} times as much a job (within {MOST_GROWTH}), "
                f"exponent {np.log(ratio) / np.log(many / few):.2f}"
            )
    return met


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--jobs", type=int, nargs="+", default=[200, 2000])
    asked.add_argument("--folder", type=Path, help="keep everything there; a season there is used again")
    asked.add_argument("--make-only", action="store_true", help="make the season and stop")
    options = asked.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = options.folder or Path(place)
        season = make_season(folder, max(options.jobs))
        if options.make_only:
            return 0
        sizes = {jobs: stages(folder, season, jobs) for jobs in options.jobs}
        met = grown(sizes)
        most = sizes[max(sizes)].values()
        minutes, peak = sum(one.seconds for one in most) / 60, max(one.peak_gib for one in most)
        print(
            f"{max(sizes)} jobs on {psutil.cpu_count()} processors: {minutes:.1f} minutes (within {MOST_MINUTES:g} "
            f"for 2,000), {peak:.2f} GiB (within {MOST_GIB:g})"
        )
        return 0 if met and minutes <= MOST_MINUTES and peak <= MOST_GIB else 1


if __name__ == "__main__":
    sys.exit(main())
