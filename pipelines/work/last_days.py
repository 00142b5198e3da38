"""What each watched sensor showed on the last days that each machine worked."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from io import StringIO
from typing import Any

import polars as pl
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.lake.freshness import digest_of_text
from chaffinch.pipelines.program_digest import program_digest

# Worked days of each machine that are looked at: the last, and those before to hold it against.
DAYS = 4
# A machine that has not worked for longer is not a neighbour and is not reported.
LONGEST_AGO_DAYS = 21
LOSS_SIGNALS = ("separation_loss_signal", "cleaning_loss_signal")
WATCHED = ("grain_flow_kg_s", "grain_moisture_pct", *LOSS_SIGNALS, "returns_signal", "speed_m_s")

KeptDays = dict[str, tuple[str, str]]
"""By machine: what its rows of ``worked_days`` were made from, and the rows as lines of JSON."""


def worked_days(lake: ReadableLake, kept: KeptDays | None = None) -> pl.DataFrame:
    """One row per machine, day (UTC) and field of its last ``DAYS`` worked days: crop, seconds of work, first and
    last moment, and for each watched channel its number of values, distinct values, highest value's share and
    median in work.

    kept : of an earlier run of this program, from which machines without new readings are taken; brought up to date.
    """
    ledger = (
        lake.scan("deliveries")
        .filter(pl.col("rows_stored").str.contains('"readings"', literal=True))
        .collect()
    )
    if ledger.is_empty():
        return pl.DataFrame()
    # A log whose clock runs ahead must not make all others old.
    newest = ledger.filter(pl.col("last_time") <= datetime.now(UTC) + timedelta(days=1))["last_time"].max()
    if newest is None:
        return pl.DataFrame()
    recent = ledger.filter(pl.col("last_time") >= pl.lit(newest) - timedelta(days=LONGEST_AGO_DAYS))
    since = pl.lit(newest) - timedelta(days=LONGEST_AGO_DAYS)
    # One machine after the other: what is held at a time does not grow with the fleet.
    by_machine = (
        recent.explode("machines")
        .drop_nulls("machines")
        .sort("machines")
        .group_by("machines", maintain_order=True)
    )
    kept = {} if kept is None else kept
    parts: dict[str, pl.DataFrame] = {}
    for (machine,), logs in by_machine:
        name = str(machine)
        # The span cuts only logs that began before it.
        cut = newest if logs.filter(pl.col("first_time") < since).height else None
        read = logs.select("delivery", "name", "rows_stored", "read_with").sort("delivery").rows()
        made_from = digest_of_text(repr([program_digest(), read, cut]))
        if name not in kept or kept[name][0] != made_from:
            kept[name] = made_from, _days_of(lake, name, logs["delivery"].to_list(), since).write_ndjson()
        # By way of the text, so that a first run and a later one have the same numbers.
        parts[name] = _from_text(kept[name][1])
    for gone in kept.keys() - parts.keys():
        del kept[gone]
    if not parts:
        return pl.DataFrame()
    grouped = pl.concat(parts.values())
    order = grouped.select("machine", "day").unique().sort("day", descending=True)
    latest = order.group_by("machine", maintain_order=True).head(DAYS)
    return grouped.join(latest, on=["machine", "day"], how="semi").sort(
        "machine", "day", "first_time", "field"
    )


def _days_of(lake: ReadableLake, machine: str, deliveries: list[str], since: pl.Expr) -> pl.DataFrame:
    """Rows of ``worked_days`` of one machine from its ``deliveries``."""
    work = (
        lake.scan("readings")
        .filter(pl.col("delivery").is_in(deliveries), pl.col("machine") == machine, pl.col("time") >= since)
        .select("machine", "field", "crop", "time", "working", *WATCHED)
        .filter(
            (pl.col("working") == 1)
            | (
                pl.col("working").is_null()
                & (pl.col("speed_m_s") > 0.2)
                & (pl.col("grain_flow_kg_s").fill_null(1) > 0)
            )
        )
    )
    return (
        work.group_by("machine", pl.col("time").dt.date().alias("day"), "field")
        .agg(
            pl.col("crop").drop_nulls().first(),
            pl.len().alias("readings"),
            pl.col("time").min().alias("first_time"),
            pl.col("time").max().alias("last_time"),
            pl.col("time").sort().diff().dt.total_microseconds().median().alias("step_us"),
            *(
                made.alias(f"{what} {channel}")
                for channel in WATCHED
                for what, made in _statistics(channel).items()
            ),
        )
        .with_columns((pl.col("readings") * pl.col("step_us").fill_null(1e6) / 1e6).alias("seconds"))
        .sort("day", "first_time", "field")
        .collect(engine="streaming")
    )


def _statistics(channel: str) -> dict[str, pl.Expr]:
    values = pl.col(channel)
    return {
        "count": values.count(),
        "lowest": values.min(),
        "highest": values.max(),
        "at top": (values == values.max()).sum() / values.count(),
        "median": values.median(),
        "mean": values.mean(),
    }


def _from_text(text: str) -> pl.DataFrame:
    return pl.read_ndjson(StringIO(text), schema=_schema()) if text else pl.DataFrame(schema=_schema())


def _schema() -> dict[str, Any]:
    moment = pl.Datetime("us", "UTC")
    about = {"machine": pl.String, "day": pl.Date, "field": pl.String, "crop": pl.String, "readings": pl.UInt32,
             "first_time": moment, "last_time": moment, "step_us": pl.Float64}  # fmt: skip
    channels = {
        f"{what} {channel}": pl.UInt32 if what == "count" else pl.Float64
        for channel in WATCHED
        for what in _statistics(channel)
    }
    return {**about, **channels, "seconds": pl.Float64}
