"""How long a site takes: all pages, none, and those of one changed field.

    python tests/benchmarks/site_speed.py [--fields 1000] [--sample LAKE] [--lake FOLDER]

Takes in the sample, copies its lake until it holds so many fields (machines, fields and deliveries renamed, a
day later with each copy), and writes the site three times: whole, unchanged, and after one effect changed.
The stated limit is five minutes for 1,000 fields on two cores.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import polars as pl
from chaffinch.dashboards.pages.site import write_site
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.run import run_nightly
from chaffinch.schemas.tables import tables

INBOX = Path(__file__).parents[2] / "sample_data" / "inbox"
COPIED = ("readings", "adjustments", "loss_checks", "fields", "set_aside", "deliveries", "effects")


def copies(frame: pl.DataFrame, times: int) -> Iterator[pl.DataFrame]:
    """``frame`` so many times over, each under names and days of its own."""
    for k in range(times):
        mark = pl.lit(f" {k:03d}")
        moments = [name for name in ("time", "first_time", "last_time") if name in frame.columns]
        named = [name for name in ("machine", "field") if name in frame.columns]
        listed = [name for name in ("machines", "fields") if name in frame.columns]
        result = [
            *((pl.col(name) + mark).alias(name) for name in named),
            *(pl.col(name).list.eval(pl.element() + mark).alias(name) for name in listed),
            *((pl.col(name) + pl.duration(days=k)).alias(name) for name in moments),
        ]
        if "delivery" in frame.columns:
            result.append((pl.col("delivery").str.head(13) + f"{k:03d}").alias("delivery"))
        if "name" in frame.columns:
            result.append((pl.lit(f"{k:03d}/") + pl.col("name")).alias("name"))
        copied = frame.with_columns(result)
        if "scope" in copied.columns and k:
            # What is pooled over all machines is there once.
            copied = copied.filter((pl.col("scope") != "season") | pl.col("machine").is_not_null())
        yield copied


def grow(sample: Lake, folder: Path, fields: int) -> Lake:
    """A lake of about so many fields, copied from the sample's eight."""
    grown = Lake(folder)
    for name in COPIED:
        frame = sample.scan(name).collect()
        grown.delta.write(name, copies(tables()[name].conform(frame), -(-fields // 8)), mode="append")
    return grown


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fields", type=int, default=1000)
    parser.add_argument("--lake", type=Path, help="where the grown lake is kept; it is used again when there")
    parser.add_argument("--sample", type=Path, help="a lake that holds the sample already")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="chaffinch-site-") as scratch:
        folder = asked.lake or Path(scratch, "grown")
        if not (folder / "effects").is_dir():
            sample = Lake(asked.sample or Path(scratch, "sample"))
            if not asked.sample:
                run_nightly(INBOX, sample, Path(scratch, "sample_site"))
            grow(sample, folder, asked.fields)
        site = Path(scratch, "site")
        lake = Lake.open(folder, must_exist=True)
        print(f"{lake.machine_fields().height} field jobs")
        timed("all pages", lake, site)
        timed("nothing changed", lake, site)
        effects = lake.scan("effects").collect()
        result = effects.with_row_index().filter(
            pl.col("percent").is_not_null(), pl.col("scope") == "adjustment"
        )
        first = pl.arange(pl.len()) == result["index"][0]
        more = pl.when(first).then(pl.col("percent") + 1.0).otherwise(pl.col("percent")).alias("percent")
        lake.replace_effects(effects.with_columns(more))
        timed("one effect changed", lake, site)
        lake.replace_effects(effects)
        size = sum(page.stat().st_size for page in site.rglob("*") if page.is_file())
        print(f"{size / 1e6:.0f} MB; index.html {(site / 'index.html').stat().st_size / 1e6:.1f} MB")


def timed(what: str, lake: Lake, site: Path) -> None:
    """Print how long a run took by the clock, and on processors, those of its processes too."""
    start, spent = time.perf_counter(), on_processors_s()
    done = write_site(lake, site, lake.farm())
    took, cpu = time.perf_counter() - start, on_processors_s() - spent
    print(f"{what}: {took:.1f} s ({cpu:.1f} s on processors), {done['written']} pages written", flush=True)


def on_processors_s() -> float:
    return sum(os.times()[:4])


if __name__ == "__main__":
    main()
