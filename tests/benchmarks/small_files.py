"""Thousands of small logs in one night, all different: time, processor time and memory.

    python tests/benchmarks/small_files.py [FILES]

Logs of half a minute, as terminals write them that begin a file at every stop. Asked of 10,000 on two processors: 120
seconds and 1 GB for ``chaffinch ingest`` with its processes together (what they share counts once).
"""

from __future__ import annotations

import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import psutil
from large_operation import run

FILES, ROWS, A_DAY, DAYS = 10_000, 30, 25, 40
MOST_S, MOST_GB = 120.0, 1.0
HEADER = (
    "time,machine,field,crop,latitude,longitude,speed_m_s,grain_flow_kg_s,grain_moisture_pct,"
    "separation_loss_signal,cleaning_loss_signal\n"
)


def write_log(inbox: Path, number: int) -> None:
    day, at = divmod(number, A_DAY)
    machine, day = divmod(day, DAYS)
    begins = datetime(2026, 6, 25, 8, tzinfo=UTC) + timedelta(days=day, seconds=ROWS * at)
    values = np.random.default_rng(number).normal([1.6, 9, 14, 3, 4], 0.1, (ROWS, 5)).round(3)
    rows = (
        f"{begins + timedelta(seconds=i):%Y-%m-%dT%H:%M:%SZ},Combine {machine},Field {machine}-{day},wheat,"
        f"{52 + machine / 100 + at / 1e4 + i / 1e6:.6f},{1 + day / 100:.6f},{','.join(map(str, values[i]))}\n"
        for i in range(ROWS)
    )
    place = inbox / f"{machine:02d}" / f"{day:02d}"
    place.mkdir(parents=True, exist_ok=True)
    (place / f"{at:02d}.csv").write_text(HEADER + "".join(rows))


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else FILES
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            write_log(Path(folder) / "inbox", number)
        ran = run("ingest", Path(folder) / "inbox", "--lake", Path(folder) / "lake")
    gb = ran.peak_gib * 2**30 / 1e9
    print(
        f"{count} files of {ROWS} rows on {psutil.cpu_count()} processors: {ran.seconds:.1f} s (within "
        f"{MOST_S:g} for 10,000), {ran.processor_s:.1f} s of processors, {gb:.2f} GB (within {MOST_GB:g})"
    )
    return 0 if ran.seconds <= MOST_S and gb <= MOST_GB else 1


if __name__ == "__main__":
    sys.exit(main())
