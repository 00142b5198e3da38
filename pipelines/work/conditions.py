"""Under which conditions a machine worked: side slope, moisture of the grain, time of day."""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.pipelines.work.terrain import COMPENSATED_PCT

SLOPE_EDGES_PCT = (5.0, 10.0, COMPENSATED_PCT)
MOISTURE_BAND_PCT = 2.0
HOURS_A_BAND = 3

_NEEDED = ("time", "usable", "feed_rate_t_h", "moisture_aligned_pct", "side_slope_pct")
KINDS = ("side slope", "grain moisture", "time of day")


def conditions(marked: pl.DataFrame, zone: str | None = None) -> pl.DataFrame:
    """Steady work by bands of side slope, grain moisture and time of day, one row a band.

    marked : readings after ``mark_work``. zone : of the shown hours; UTC where none.

    Columns: ``kind`` (side slope, grain moisture, time of day), ``band``, ``readings``, ``share_pct`` (of the steady
    work in which the condition is known), ``feed_t_h`` (median), ``loss_ratio`` (median of loss per feed rate,
    as logged, over that of the whole; null without loss), ``apart`` (kept apart in estimates). Ground kept apart
    for its slope counts here; readings left out for other reasons do not.
    """
    work = marked.filter(
        pl.col("usable") | pl.col("unused_because").is_in(["steep_slope", "gentle_slope"])
    ).select(*_NEEDED, _loss_ratio(marked))
    banded = [
        work.with_columns(pl.lit(kind).alias("kind"), band.alias("band"), order.alias("order"))
        for kind, band, order in zip(KINDS, *_bands(zone), strict=True)
    ]
    known = pl.concat(banded, how="vertical").filter(pl.col("band").is_not_null())
    grouped = known.group_by("kind", "band", "order").agg(
        pl.len().alias("readings"),
        pl.col("feed_rate_t_h").median().alias("feed_t_h"),
        pl.col("loss_ratio").median(),
        (~pl.col("usable")).mean().gt(0.5).alias("apart"),
    )
    return (
        grouped.with_columns(
            (100 * pl.col("readings") / pl.col("readings").sum().over("kind")).alias("share_pct")
        )
        .with_columns(pl.col("kind").replace_strict(KINDS, [0, 1, 2], return_dtype=pl.Int8).alias("nth"))
        .sort("nth", "order")
        .select("kind", "band", "readings", "share_pct", "feed_t_h", "loss_ratio", "apart")
    )


def beyond_compensation_pct(marked: pl.DataFrame) -> float | None:
    """Share of the steady work beyond some 20 % side slope, %; None where slope is not known."""
    work = marked.filter(pl.col("usable") | pl.col("unused_because").is_in(["steep_slope", "gentle_slope"]))
    known = work["side_slope_pct"].drop_nulls()
    return 100.0 * int((known > COMPENSATED_PCT).sum()) / known.len() if known.len() else None


def _loss_ratio(marked: pl.DataFrame) -> pl.Expr:
    lost = [c for c in ("separation_loss_aligned", "cleaning_loss_aligned") if marked[c].count()]
    if not lost:
        return pl.lit(None, pl.Float64).alias("loss_ratio")
    ratio = pl.when(pl.col("feed_rate_t_h") > 0).then(
        pl.sum_horizontal(*lost, ignore_nulls=False) / pl.col("feed_rate_t_h")
    )
    middle: float | None = marked.filter("usable").select(ratio.median()).item()
    return (ratio / middle if middle else pl.lit(None, pl.Float64)).alias("loss_ratio")


def _bands(zone: str | None) -> tuple[list[pl.Expr], list[pl.Expr]]:
    """Name and order of each reading's band, for slope, moisture and hour."""
    low = (0.0, *SLOPE_EDGES_PCT)
    names = [f"{a:g} to {b:g} %" for a, b in zip(low[:-1], low[1:], strict=True)] + [f"over {low[-1]:g} %"]
    step = pl.col("side_slope_pct").cut(list(SLOPE_EDGES_PCT), labels=names, left_closed=False)
    slope = pl.sum_horizontal(pl.col("side_slope_pct") > edge for edge in SLOPE_EDGES_PCT)
    damp = (pl.col("moisture_aligned_pct") / MOISTURE_BAND_PCT).floor().cast(pl.Int64)
    hour = pl.col("time").dt.convert_time_zone(zone or "UTC").dt.hour() // HOURS_A_BAND
    width, hours = int(MOISTURE_BAND_PCT), HOURS_A_BAND
    return (
        [
            step.cast(pl.String),
            pl.format("{} to {} %", damp * width, (damp + 1) * width),
            pl.format("{} to {} h", hour * hours, (hour + 1) * hours),
        ],
        [slope.cast(pl.Int64), damp, hour.cast(pl.Int64)],
    )


def moisture_drift_pct_h(marked: pl.DataFrame) -> float | None:
    """How fast the grain dried or took up damp over the steady work, % moisture an hour; None where unknown.

    Least squares of the aligned moisture on time; under half an hour of it says nothing.
    """
    known = marked.filter("usable").drop_nulls("moisture_aligned_pct")
    if known.height < 30:
        return None
    hours = known["time"].dt.epoch("us").to_numpy() / 3.6e9
    if np.ptp(hours) < 0.5:
        return None
    return float(np.polyfit(hours - hours.mean(), known["moisture_aligned_pct"].to_numpy(), 1)[0])
