"""A fleet's night on this machine: 200 machine-days at one reading a second, 7.2 million readings.

    python tests/benchmarks/fleet_speed.py [--machine-days 200] [--hours 10] [--folder FOLDER] [--no-estimate]

Makes the logs first, unless FOLDER holds them from an earlier run. They come in three dialects: plain;
semicolons, decimal commas and local time; tabs and imperial units. Then, one after another, each as a process
of its own: bare Polars copies every log from CSV to Parquet, with separator and decimal mark given;
``chaffinch ingest``; bare again; ``chaffinch estimate``; a night with pages; a night with nothing new; ingesting
and estimating once more after one log lost its last minute.

Bare is timed without its start, the commands with theirs. Prints seconds, processor seconds (which other work
on the machine does not swell), the peak of resident memory and the ratio to the mean of the bare copies before
and after, and the limits; ends with 1 if one is missed.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

RATIO_AIM, MEMORY_AIM_GIB, ESTIMATE_AIM_S, NOTHING_NEW_AIM_S = 5.0, 2.0, 180.0, 3.0
SEED = 11
MACHINES_EACH_DAYS = 10
ADJUSTMENTS = 6


@dataclass(frozen=True)
class Ran:
    seconds: float
    processor_s: float
    peak_gib: float
    result: str
    code: int


def run(*command: str) -> Ran:
    """Run ``command`` to its end; peak of resident memory as the operating system counted it."""
    start = time.perf_counter()
    with tempfile.TemporaryFile("w+") as out:
        process = subprocess.Popen(command, stdout=out, stdin=subprocess.DEVNULL)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        seconds = time.perf_counter() - start
        out.seek(0)
        unit = 2**30 if sys.platform == "darwin" else 2**20
        return Ran(
            seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / unit, out.read(), process.returncode
        )


def chaffinch(*words: str | Path) -> Ran:
    """A command of the program; rows set aside do not count as a failure."""
    from_here = "from chaffinch.pipelines.command_line import main; main()"
    ran = run(sys.executable, "-c", from_here, *map(str, words))
    if ran.code not in (0, 1):
        sys.exit(f"chaffinch {words[0]} ended with {ran.code}")
    return ran


def bare() -> float:
    """Copy the logs under the first argument to Parquet in the second; prints the seconds without imports."""
    import polars as pl

    inbox, out = map(Path, sys.argv[2:4])
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir()
    start = time.perf_counter()
    for number, log in enumerate(sorted(inbox.rglob("harvest*.csv"))):
        with log.open() as stream:
            separator = max(",;\t", key=stream.readline().count)
        frame = pl.read_csv(log, separator=separator, decimal_comma=separator == ";", try_parse_dates=True)
        frame.write_parquet(out / f"{number}.parquet")
    return time.perf_counter() - start


def bare_seconds(inbox: Path, folder: Path) -> float:
    ran = run(sys.executable, __file__, "--bare", str(inbox), str(folder / "bare"))
    if ran.code:
        sys.exit("The bare copy failed.")
    return float(ran.result)


def make_logs(folder: Path, machine_days: int, hours: float) -> Path:
    """The fleet's inbox in ``folder``, made where it is not there yet."""
    from chaffinch.pipelines.simulate import write_season_files

    if not (folder / "inbox").is_dir():
        start = time.perf_counter()
        machines = -(-machine_days // MACHINES_EACH_DAYS)
        write_season_files(
            folder, "plain", SEED,
            fields=machine_days, hours=hours, machines=machines, adjustments=ADJUSTMENTS,
        )  # fmt: skip
        print(f"made in {time.perf_counter() - start:.0f} s", flush=True)
    return folder / "inbox"


def tell(what: str, ran: Ran, met: bool, nearby: str) -> bool:
    used = f"{ran.seconds:8.1f} s {ran.processor_s:8.1f} s {ran.peak_gib:6.2f} GiB"
    print(f"{what:34}{used}  {nearby}{'' if met else '  MISSED'}", flush=True)
    return met


def measure(folder: Path, inbox: Path, estimate: bool) -> bool:
    """Run the parts in turn, tell each as it ends, and give whether every aim was met."""
    lake, site = folder / "lake", folder / "site"
    for old in (lake, site):
        shutil.rmtree(old, ignore_errors=True)
    logs = list(inbox.rglob("harvest*.csv"))
    print(
        f"{len(logs)} machine-days, {sum(log.stat().st_size for log in logs) / 1e6:,.0f} MB of CSV",
        flush=True,
    )
    before = bare_seconds(inbox, folder)
    print(f"{'bare Polars, CSV to Parquet':34}{before:8.1f} s", flush=True)
    ran = chaffinch("ingest", inbox, "--lake", lake, "--json")
    after = bare_seconds(inbox, folder)
    print(f"{'bare Polars, again':34}{after:8.1f} s", flush=True)
    ratio = 2 * ran.seconds / (before + after)
    rows = sum(one["rows_kept"] for one in json.loads(ran.result)["new"])
    fits = ran.peak_gib <= MEMORY_AIM_GIB
    result = f"{ratio:.1f} times bare (within {RATIO_AIM:g}; {MEMORY_AIM_GIB:g} GiB); {rows:,} rows"
    met = [tell("chaffinch ingest", ran, ratio <= RATIO_AIM and fits, result)]
    if estimate:
        ran = chaffinch("estimate", "--lake", lake)
        met.append(
            tell("chaffinch estimate", ran, ran.seconds <= ESTIMATE_AIM_S, f"(within {ESTIMATE_AIM_S:g} s)")
        )
        ran = chaffinch("nightly", inbox, "--lake", lake, "--site", site, "--plain")
        tell("chaffinch nightly, pages only", ran, True, "")
        ran = chaffinch("nightly", inbox, "--lake", lake, "--site", site)
        aim = f"(within {NOTHING_NEW_AIM_S:g} s)"
        met.append(tell("chaffinch nightly, nothing new", ran, ran.seconds <= NOTHING_NEW_AIM_S, aim))
        corrected = min(logs)
        whole = corrected.read_bytes()
        try:
            corrected.write_bytes(b"".join(whole.splitlines(keepends=True)[:-60]))
            tell("chaffinch ingest, one log changed", chaffinch("ingest", inbox, "--lake", lake), True, "")
            tell("chaffinch estimate after that", chaffinch("estimate", "--lake", lake), True, "")
        finally:
            corrected.write_bytes(whole)
        chaffinch("ingest", inbox, "--lake", lake)
    ran = chaffinch("ingest", inbox, "--lake", lake)
    aim = f"(within {NOTHING_NEW_AIM_S:g} s)"
    met.append(tell("chaffinch ingest, nothing new", ran, ran.seconds <= NOTHING_NEW_AIM_S, aim))
    return all(met)


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--machine-days", type=int, default=200)
    asked.add_argument("--hours", type=float, default=10.0, help="of each")
    asked.add_argument(
        "--folder", type=Path, help="keep everything there; logs that lie there are used again"
    )
    asked.add_argument("--no-estimate", action="store_true", help="taking in only")
    options = asked.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = options.folder or Path(place)
        inbox = make_logs(folder, options.machine_days, options.hours)
        return 0 if measure(folder, inbox, not options.no_estimate) else 1


if __name__ == "__main__":
    if sys.argv[1:2] == ["--bare"]:
        print(bare())
    else:
        sys.exit(main())
