"""A night with one new field job in a season of 200, and that night's answers against answers from scratch.

    python tests/benchmarks/one_new_job.py [--jobs 200] [--hours 5] [--nights 1] [--folder FOLDER] [--stages]

Simulates 16 field jobs and copies them under other names to as many as asked for, each with varied flows and
losses and its own settings log and loss checks. All but the last ``--nights`` are ingested in a first night; then
each night brings one more. The answers of the first night are dated two days back, since the morning page compares
with a day ago, and a season of so many is older.
Asked: at most 15 s for such a night of 200. ``--stages`` prints what each stage of the last night took, in
one process. At the end all is estimated again from scratch; what moved is printed.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import polars as pl
from large_operation import DIFFERENT, PLAIN, SEED, TERMINAL, read_texts, varied

AIM_S = 15.0
DAY_MS = 86_400_000


def make_season(folder: Path, jobs: int, hours: float) -> list[list[Path]]:
    """The files of each field job under ``folder``, job by job; the first of them is the farm.toml of all."""
    from chaffinch.pipelines.simulate import write_season_files

    write_season_files(
        folder / "different", "plain", SEED, fields=DIFFERENT, hours=hours, machines=2, adjustments=4
    )
    source = folder / "different" / "inbox"
    logs = sorted(source.glob("*/harvest_*.csv"))
    copies = -(-jobs // DIFFERENT)
    made: list[list[Path]] = []
    machines = ("Combine A", "Combine B")
    fields = json.loads((source / "fields.geojson").read_text())["features"]
    names = [one["properties"]["field"] for one in fields]
    tables = {
        name: pl.read_csv(source / f"{name}.csv", infer_schema=False)
        for name in ("settings_log", "loss_checks")
    }
    for k in range(copies):
        for number, log in enumerate(logs):
            dialect = next(one for one in (PLAIN, TERMINAL) if one.folder == log.parent.name)
            machine, day = dialect.name, log.stem.removeprefix("harvest_")
            rows = read_texts(log, dialect.separator)
            rows = rows.with_columns(varied(rows, dialect, k * DIFFERENT + number, 0.0))
            text = rows.write_csv(separator=dialect.separator)
            for name in (*machines, *names):
                text = text.replace(name, f"{name} {k:03d}")
            place = folder / "all" / f"{machine} {k:03d}" / day
            place.mkdir(parents=True)
            files = [place / "harvest.csv"]
            files[0].write_text(text)
            for name, table in tables.items():
                mine = table.filter(pl.col("machine") == machine, pl.col("time").str.starts_with(day))
                if mine.height:
                    renamed = [
                        (pl.col(c) + f" {k:03d}").alias(c) for c in ("machine", "field") if c in mine.columns
                    ]
                    files.append(place / f"{name}.csv")
                    mine.with_columns(renamed).write_csv(files[-1])
            made.append(files)
    farm = (source / "farm.toml").read_text()
    head, *parts = farm.split("[machines.")
    stated = "".join(
        "[machines." + part.rstrip().replace('"]', f' {k:03d}"]', 1) + "\n\n"
        for k in range(copies)
        for part in parts
    )
    (folder / "all" / "farm.toml").write_text(f"{head}{stated}")
    made[0].insert(0, folder / "all" / "farm.toml")
    return made[:jobs]


def bring(files: list[Path], source: Path, inbox: Path) -> None:
    for file in files:
        there = inbox / file.relative_to(source)
        there.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(file, there)


def night(inbox: Path, lake: Path, site: Path) -> tuple[float, float, float, dict[str, Any]]:
    """Seconds by the clock and of processors, peak GiB, and the summary of a night as a process of its own."""
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", "nightly", str(inbox), "--json"]
    began = time.monotonic()
    with tempfile.TemporaryFile("w+") as out:
        process = subprocess.Popen([*call, "--lake", str(lake), "--site", str(site)], stdout=out)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        took = time.monotonic() - began
        out.seek(0)
        summary = json.loads(out.read())
    return took, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 2**20, summary


def date_back(lake_at: Path) -> None:
    """The answers as if they were from two days ago."""
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.lake.seal import SEAL_FILE, seal

    for commit in (lake_at / "effects" / "_delta_log").glob("*.json"):
        written = commit.read_text()
        for moment in set(re.findall(r'"timestamp":(\d+)', written)):
            written = written.replace(moment, str(int(moment) - 2 * DAY_MS))
        commit.write_text(written)
    (lake_at / SEAL_FILE).unlink()
    seal(Lake.open(lake_at).delta)


@contextmanager
def timed(what: str) -> Iterator[None]:
    began, spent = time.monotonic(), sum(os.times()[:4])
    yield
    print(
        f"  {what:28}{time.monotonic() - began:7.2f} s {sum(os.times()[:4]) - spent:7.2f} s on processors",
        flush=True,
    )


def stages(inbox: Path, lake_at: Path, site: Path) -> None:
    """The same night in this process, stage by stage."""
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.night.run import ingest_inbox, refresh, write_pages
    from chaffinch.pipelines.parallel.fan_out import side_by_side

    lake = Lake.open(lake_at)
    parts: dict[str, Callable[[], Any]] = {
        "ingest": lambda: ingest_inbox(inbox, lake, each=side_by_side),
        "estimate": lambda: refresh(lake, each=side_by_side),
        "pages": lambda: write_pages(lake, site, each=side_by_side),
    }
    with lake.writing():
        for name, do in parts.items():
            with timed(name):
                do()


def moved(lake_at: Path) -> None:
    """How far answers are from those from scratch, in half widths of their ranges."""
    from chaffinch.pipelines.estimate import refresh_answers
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.parallel.fan_out import side_by_side

    lake = Lake.open(lake_at)
    kept = lake.scan("effects").collect()
    with timed("estimated from scratch"):
        fresh = refresh_answers(lake, lake.farm(), side_by_side).effects
    key = ["scope", "machine", "field", "crop", "time", "setting", "outcome"]
    both = kept.join(fresh, on=key, suffix="_fresh", nulls_equal=True)
    half = (pl.col("log_ratio_high_fresh") - pl.col("log_ratio_low_fresh")) / 2
    apart = both.filter(pl.col("log_ratio").is_not_null() & pl.col("log_ratio_fresh").is_not_null()).select(
        ((pl.col(f"{end}_fresh") - pl.col(end)).abs() / half).alias(end)
        for end in ("log_ratio", "log_ratio_low", "log_ratio_high")
    )
    differ = (both["verdict"] != both["verdict_fresh"]).sum()
    print(f"  {both.height} of {kept.height} rows matched, {differ} verdicts differ")
    for end in apart.columns:
        found = apart[end]
        print(
            f"  {end} moved by {found.median():.4f} half widths (median), {found.quantile(0.99):.4f} (99 of 100), "
            f"{found.max():.4f} at most"
        )


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--jobs", type=int, default=200)
    asked.add_argument("--hours", type=float, default=5.0)
    asked.add_argument("--nights", type=int, default=1, help="nights with one new job each")
    asked.add_argument(
        "--folder", type=Path, help="keep everything there; a season that lies there is used again"
    )
    asked.add_argument("--stages", action="store_true", help="tell what each stage of the last night took")
    asked.add_argument("--no-scratch", action="store_true", help="leave out the estimate from scratch")
    options = asked.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = options.folder or Path(place)
        inbox, lake, site = (folder / name for name in ("inbox", "lake", "site"))
        record = folder / "jobs.json"
        if not record.is_file():
            made = make_season(folder, options.jobs, options.hours)
            record.write_text(json.dumps([[str(file) for file in files] for files in made]))
        jobs = [[Path(file) for file in files] for files in json.loads(record.read_text())]
        for old in (inbox, lake, site):
            shutil.rmtree(old, ignore_errors=True)
        first = len(jobs) - options.nights
        for files in jobs[:first]:
            bring(files, folder / "all", inbox)
        took, spent, peak, _ = night(inbox, lake, site)
        print(
            f"first night, {first} field jobs: {took:.1f} s, {spent:.1f} s on processors, {peak:.2f} GiB",
            flush=True,
        )
        date_back(lake)
        met = True
        for number, files in enumerate(jobs[first:], start=1):
            bring(files, folder / "all", inbox)
            if options.stages and first + number == len(jobs):
                stages(inbox, lake, site)
                break
            took, spent, peak, summary = night(inbox, lake, site)
            met = met and took <= AIM_S
            effects, pages = summary["estimate"], summary["pages"]
            print(
                f"one new job, {first + number} in all: {took:.1f} s (within {AIM_S:g}), {spent:.1f} s on "
                f"processors, {peak:.2f} GiB; {effects['moved']} of {effects['effects']} effects changed, "
                f"{pages['written']} pages written, {pages['unchanged']} unchanged. {effects['refitted']}",
                flush=True,
            )
        if not options.no_scratch:
            moved(lake)
        return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
