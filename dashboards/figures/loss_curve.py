"""Figure: loss against feed rate on both sides of one change, with the curve that the effect belongs to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from chaffinch.dashboards.figures.stacked import Stacked
from chaffinch.dashboards.figures.theme import Figure, light

DRAWN_PLACES = (
    ("separation_loss_aligned", "Separation loss", "separation_loss"),
    ("cleaning_loss_aligned", "Cleaning loss", "cleaning_loss"),
)
SIDES = (("before", "circle-open", "dash"), ("after", "square", "solid"))
LEAST_STRETCHES = 30
ROW_PX, GAP_PX = 150, 44


@dataclass(frozen=True, slots=True)
class Sides:
    """One loss on both sides of a change.

    before, after : tables of ``loss_by_feed`` with ``fitted``, the curve at each class's feed rate, null
    where there is no curve.
    """

    words: str
    before: pl.DataFrame
    after: pl.DataFrame


def with_fit(
    binned: tuple[pl.DataFrame, pl.DataFrame],
    readings: tuple[pl.DataFrame, pl.DataFrame],
    column: str,
    log_ratio: float | None,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Both tables with ``fitted``: one curve for both sides, ``log_ratio`` apart.

    The curve is the estimate's own: log loss on feed rate (log, linear) and moisture, here by least squares of
    ten-second means, at the moisture of the middle reading. How far its two heights lie apart is not fitted
    again: it is the effect, from which drift has been taken out, so that figure and verdict say the same.
    """
    curve = None if log_ratio is None else _curve(readings, column, log_ratio)
    fitted = []
    for table, shift in zip(binned, (0.0, log_ratio or 0.0), strict=True):
        at = table["feed"].to_numpy()
        values = None if curve is None or not at.size else np.exp(curve(at) + shift)
        fitted.append(table.with_columns(pl.Series("fitted", values, dtype=pl.Float64) if values is not None
                                         else pl.lit(None, pl.Float64).alias("fitted")))  # fmt: skip
    return fitted[0], fitted[1]


def _curve(readings: tuple[pl.DataFrame, pl.DataFrame], column: str, log_ratio: float):  # noqa: ANN202
    """Log loss as a function of feed rate before the change; None where there is too little to fit."""
    means = [_ten_seconds(side, column) for side in readings]
    both = pl.concat([m.with_columns(pl.lit(k).alias("after")) for k, m in enumerate(means)])
    if both.height < LEAST_STRETCHES:
        return None
    moisture = both["moisture"].to_numpy()
    middle = float(np.median(moisture))
    feed = both["feed"].to_numpy()
    design = np.column_stack([np.ones(feed.size), np.log(feed), feed, moisture - middle])
    target = np.log(both["loss"].to_numpy()) - log_ratio * both["after"].to_numpy()
    (level, power, rate, _), *_ = np.linalg.lstsq(design, target, rcond=None)
    return lambda at: level + power * np.log(np.maximum(at, 1e-6)) + rate * at


def _ten_seconds(side: pl.DataFrame, column: str) -> pl.DataFrame:
    moisture = pl.col("moisture_aligned_pct").fill_null(strategy="forward").fill_null(0.0)
    return (
        side.select("time", "feed", column, "moisture_aligned_pct")
        .filter(pl.col(column).is_not_null(), pl.col("feed") > 0)
        .group_by(pl.col("time").dt.truncate("10s"), maintain_order=True)
        .agg(pl.col("feed").mean(), pl.col(column).mean().alias("loss"), moisture.mean().alias("moisture"))
        .filter(pl.col("loss") > 0)
    )


def loss_curve(
    drawn: Sequence[Sides], loss_unit: str, feed_unit: str, names: tuple[str, str] = ("before", "after")
) -> Figure | None:
    """Medians with quartiles by class of feed rate, open circles before, full squares after; the curve as lines.

    names : of the two sides in the legend. None where neither side of any loss has a class.
    """
    drawn = [one for one in drawn if one.before.height or one.after.height]
    if not drawn:
        return None
    stack = Stacked([ROW_PX] * len(drawn), GAP_PX)
    keys = set()
    for number, one in enumerate(drawn, 1):
        for (side, symbol, dash), table, name in zip(SIDES, (one.before, one.after), names, strict=True):
            if table.height:
                stack.add(number, _points(table, side, symbol, name) | {"showlegend": side not in keys})
                keys.add(side)
            if table["fitted"].count() > 1:
                stack.add(number, _line(table, side, name, dash))
        stack.entitle(number, f"{one.words}, {loss_unit}")
    return stack.figure(
        {},
        {"rangemode": "tozero", "nticks": 5},
        f"grain feed rate, {feed_unit}",
        height=stack.inner_px + 118,
        showlegend=True,
        margin={"l": 8, "r": 12, "t": 52, "b": 8},
        legend={"y": 1, "yref": "container", "yanchor": "top"},
    )


def _points(table: pl.DataFrame, side: str, symbol: str, name: str) -> dict:
    colour = light(side)
    return {
        "x": table["feed"].round(3).to_list(),
        "y": table["loss"].round(5).to_list(),
        "name": name,
        "meta": "medians",
        "mode": "markers",
        "marker": {"symbol": symbol, "size": 9, "color": colour, "line": {"width": 2, "color": colour}},
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": (table["high"] - table["loss"]).round(5).to_list(),
            "arrayminus": (table["loss"] - table["low"]).round(5).to_list(),
            "color": colour,
            "thickness": 1,
            "width": 0,
        },
        "hovertemplate": "%{x:.3g}: %{y:.3g}<extra>" + name + "</extra>",
    }


def _line(table: pl.DataFrame, side: str, name: str, dash: str) -> dict:
    return {
        "x": table["feed"].round(3).to_list(),
        "y": table["fitted"].round(5).to_list(),
        "name": f"{name}, fitted",
        "meta": "fitted",
        "mode": "lines",
        "line": {"color": light(side), "width": 2.5, "dash": dash, "shape": "spline"},
        "hoverinfo": "skip",
        "showlegend": False,
    }
