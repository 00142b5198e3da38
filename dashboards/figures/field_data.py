"""What the figures of a field page are drawn from: marked readings, thinned, binned, put on metres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np
import polars as pl
from chaffinch.dashboards.words.shown_units import METRIC, ShownUnits
from chaffinch.pipelines.array_types import Array

MOST_POINTS = 1400


def with_quantities(marked: pl.DataFrame, units: ShownUnits = METRIC) -> pl.DataFrame:
    """``mark_work``'s table with what the pages show.

    Adds ``loss_share`` (lost / (kept + lost) in % where both losses are calibrated, else the signals per feed
    rate with the field's median as 1), and in the shown units ``feed``, ``speed``, ``cut_width`` (crop before
    the cutter bar) and ``yield`` (as it passes the sensor, wet).
    """
    feed = pl.col("feed_rate_t_h")
    cut_m = pl.coalesce(_column(marked, "effective_width_m"), _column(marked, "working_width_m"))
    area_m2_s = _column(marked, "speed_m_s") * cut_m
    readings = marked.with_columns(
        (feed * units.feed_rate[0]).alias("feed"),
        pl.when(area_m2_s > 0.5).then(feed / 3.6 / area_m2_s * 10 * units.grain_per_area[0]).alias("yield"),
        (_column(marked, "speed_m_s") * units.speed[0]).alias("speed"),
        (_column(marked, "effective_width_m") * units.length[0]).alias("cut_width"),
    )
    losses = [c for c in ("separation_loss_aligned", "cleaning_loss_aligned") if marked[c].count()]
    if not losses:
        return readings.with_columns(pl.lit(None, pl.Float64).alias("loss_share"))
    lost = pl.sum_horizontal(*losses, ignore_nulls=False)
    if losses_are_calibrated(marked):
        return readings.with_columns(
            pl.when(feed > 0).then(100 * lost / (feed / 3.6 + lost)).alias("loss_share")
        )
    relative = readings.with_columns(pl.when(feed > 0).then(lost / feed).alias("loss_share"))
    middle = relative.filter("usable")["loss_share"].median()
    scale = middle if isinstance(middle, float) and middle > 0 else 1.0
    return relative.with_columns(pl.col("loss_share") / scale)


def losses_are_calibrated(readings: pl.DataFrame) -> bool:
    """Whether every loss that is logged is logged in kg/s."""
    places = [
        p for p in ("separation", "cleaning") if _logged(readings, f"{p}_loss_signal", f"{p}_loss_kg_s")
    ]
    return bool(places) and all(_logged(readings, f"{p}_loss_kg_s") for p in places)


def _logged(frame: pl.DataFrame, *columns: str) -> bool:
    return any(c in frame.columns and frame[c].count() > 0 for c in columns)


def _column(frame: pl.DataFrame, name: str) -> pl.Expr:
    return pl.col(name).cast(pl.Float64) if name in frame.columns else pl.lit(None, pl.Float64)


def median_of(frame: pl.DataFrame, column: str) -> float | None:
    """Median of a column; None where it is missing or empty."""
    value = frame[column].median() if column in frame.columns else None
    return float(value) if isinstance(value, (int, float)) and math.isfinite(value) else None


def local_ms(times: pl.Series, zone_name: str | None) -> Array:
    """Moments as milliseconds of the wall clock of a zone, which is how Plotly places dates; shape (n,)."""
    wall = times.dt.convert_time_zone(zone_name or "UTC").dt.replace_time_zone(None)
    return wall.dt.epoch("ms").to_numpy().astype(np.float64)


def extremes(x: Array, y: Array, most: int = MOST_POINTS) -> tuple[Array, Array]:
    """At most ``most`` points that keep the lowest and highest value of every interval, in order of ``x``.

    A NaN marks each gap of over a minute, so that lines do not cross it.
    """
    known = np.isfinite(y)
    x, y = x[known], y[known]
    if x.size < 2:
        return x, y
    usual = float(np.median(np.diff(x)))
    holes_at = x[np.flatnonzero(np.diff(x) > max(60_000.0, 3 * usual))]
    if x.size > most:
        stretch = np.arange(x.size) * (most // 2) // x.size
        frame = pl.DataFrame({"s": stretch, "i": np.arange(x.size), "y": y})
        ends = frame.group_by("s").agg(
            pl.col("i").get(pl.col("y").arg_min()).alias("low"),
            pl.col("i").get(pl.col("y").arg_max()).alias("high"),
        )
        keep = np.unique(np.concatenate([ends["low"].to_numpy(), ends["high"].to_numpy()]))
        x, y = x[keep], y[keep]
    after = np.searchsorted(x, holes_at, side="right")
    return np.insert(x, after, holes_at + 1000), np.insert(y, after, np.nan)


STRETCH_MINUTES = (5, 10, 15, 30, 60, 120, 240, 720, 1440)


def medians_in_time(
    readings: pl.DataFrame, columns: Sequence[str], most: int = 48
) -> tuple[pl.DataFrame, int]:
    """Medians of usable work by stretches of time: at most about ``most`` rows with work in them.

    Returns the table (``time``: start of the stretch, ``readings``: usable ones, ``columns``) and the length
    of a stretch in minutes.
    """
    usable = readings.filter("usable")
    for minutes in STRETCH_MINUTES:
        table = (
            usable.group_by(pl.col("time").dt.truncate(f"{minutes}m"))
            .agg(pl.len().alias("readings"), *(pl.col(c).median() for c in columns))
            .sort("time")
        )
        if table.height <= most:
            break
    return table, minutes


def both_sides(
    readings: pl.DataFrame, moments: Sequence[datetime]
) -> list[tuple[pl.DataFrame, pl.DataFrame]]:
    """Usable readings between the neighbours of each change: before it, and after it.

    readings : by time. moments : of the changes, in order.
    """
    usable = readings.filter("usable")
    inner = usable["time"].search_sorted(pl.Series(moments, dtype=usable.schema["time"])).to_list()
    ends = [0, *inner, usable.height]
    return [
        (usable[begin:here], usable[here:end])
        for begin, here, end in zip(ends, ends[1:], ends[2:], strict=False)
    ]


def loss_by_feed(side: pl.DataFrame, column: str, edges: Array) -> pl.DataFrame:
    """Median and quartiles of a loss in classes of feed rate: feed, loss, low, high, readings.

    Classes with fewer than 20 readings are left out: their median says nothing.
    """
    known = side.select("feed", column).drop_nulls()
    place = np.searchsorted(edges, known["feed"].to_numpy(), side="right")
    return (
        known.with_columns(pl.Series("class", place, dtype=pl.Int64))
        .group_by("class")
        .agg(
            pl.col("feed").median(),
            pl.col(column).median().alias("loss"),
            pl.col(column).quantile(0.25).alias("low"),
            pl.col(column).quantile(0.75).alias("high"),
            pl.len().alias("readings"),
        )
        .filter(pl.col("readings") >= 20)
        .sort("feed")
        .drop("class")
    )


def feed_edges(readings: pl.DataFrame, classes: int = 10) -> Array:
    """Inner edges of the feed rate classes of a field, in the shown unit; the same on all its page."""
    feed = readings.filter("usable")["feed"].drop_nulls().to_numpy()
    if feed.size == 0:
        return np.array([0.0, 1.0])
    low, high = np.quantile(feed, [0.02, 0.98])
    return np.linspace(low, max(high, low + 0.1), classes + 1)[1:-1]
