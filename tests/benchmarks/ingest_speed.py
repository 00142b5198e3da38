"""How long ingesting a season of readings takes, against bare Polars on the same bytes in the same run.

    python tests/benchmarks/ingest_speed.py [ROWS]

Bare is scan_csv of all logs with dates found, streamed to one Parquet file: no units, zones, rules, judgement or
ledger. Ingesting is ``chaffinch ingest`` of the same logs, one for each machine and field, in this process, without
the imports. The aim is within 3 times bare at 3.6 million rows.
Each is run three times, in turn, and the shortest counts: other work disturbs a run and never helps it.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

ROWS = 300_000
RUNS = 3
AIM = 3.0


def season(rows: int) -> pl.DataFrame:
    """A season's readings of three machines, one a second, with the columns that a good log has."""
    rng = np.random.default_rng(5)
    machine = np.arange(rows) * 3 // rows
    second = np.arange(rows) % -(-rows // 3)
    start = pl.Series([datetime(2026, 7, 20, 6, tzinfo=UTC)]).dt.cast_time_unit("us")
    return pl.DataFrame(
        {
            "time": start.new_from_index(0, rows) + pl.Series(second * 1_000_000).cast(pl.Duration("us")),
            "machine": pl.Series(["Combine A", "Combine B", "Combine C"]).gather(machine),
            "field": pl.Series([f"Field {i}" for i in range(1, 17)]).gather(np.arange(rows) * 16 // rows),
            "crop": ["wheat"] * rows,
            "latitude": (52 + rng.normal(0, 1e-3, rows).cumsum() * 1e-4).round(6),
            "longitude": (-1 + rng.normal(0, 1e-3, rows).cumsum() * 1e-4).round(6),
            "altitude_m": rng.normal(90, 5, rows).round(1),
            "speed_m_s": rng.normal(1.6, 0.2, rows).clip(0).round(2),
            "heading_deg": rng.integers(0, 360, rows),
            "working": rng.integers(0, 2, rows),
            "working_width_m": np.full(rows, 9.0),
            "grain_flow_kg_s": rng.normal(9, 1, rows).clip(0).round(2),
            "grain_moisture_pct": rng.normal(14, 0.5, rows).round(1),
            "separation_loss_signal": rng.gamma(4, 10, rows).round(1),
            "cleaning_loss_signal": rng.gamma(4, 10, rows).round(1),
            "returns_signal": rng.gamma(4, 10, rows).round(1),
            "engine_load_pct": rng.integers(30, 100, rows),
            "fuel_rate_l_h": rng.normal(45, 3, rows).round(1),
            "pitch_deg": rng.normal(0, 2, rows).round(1),
            "roll_deg": rng.normal(0, 2, rows).round(1),
        }
    )


def write_logs(rows: int, inbox: Path) -> float:
    """A season in logs of one machine and field each; gives their MB."""
    inbox.mkdir()
    for (machine, field), log in season(rows).group_by("machine", "field", maintain_order=True):
        log.write_csv(inbox / f"{machine}, {field}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")
    return sum(log.stat().st_size for log in inbox.iterdir()) / 1e6


def bare(inbox: Path, folder: Path) -> None:
    pl.scan_csv(sorted(inbox.iterdir()), try_parse_dates=True).sink_parquet(folder / "bare.parquet")


def ingested(inbox: Path, folder: Path) -> None:
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.night.run import ingest_inbox

    shutil.rmtree(folder / "lake", ignore_errors=True)
    summary = ingest_inbox(inbox, Lake.open(folder / "lake"))
    for one in summary.new:
        assert one.rows_kept == one.rows_read > 0, one.sentence


def seconds(work: Callable[[Path, Path], None], inbox: Path, folder: Path) -> float:
    start = time.perf_counter()
    work(inbox, folder)
    return time.perf_counter() - start


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        inbox, small = folder / "inbox", folder / "small"
        size_mb = write_logs(rows, inbox)
        write_logs(3000, small)
        ingested(small, folder)  # the imports
        pairs = [(seconds(bare, inbox, folder), seconds(ingested, inbox, folder)) for _ in range(RUNS)]
        bare_s, ours_s = (min(times) for times in zip(*pairs, strict=True))
    print(f"{rows:,} rows, {size_mb:.0f} MB: bare {bare_s:.2f} s, ingested {ours_s:.2f} s")
    print(f"{ours_s / bare_s:.1f} times bare (aim: within {AIM:g})")


if __name__ == "__main__":
    main()
