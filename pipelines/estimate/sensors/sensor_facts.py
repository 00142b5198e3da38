"""What the readings of one harvest show of each loss sensor: its level, zeros, ceiling, steps, slope on feed rate."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.design import PLACES
from chaffinch.pipelines.work.series import loss_column
from numpy.typing import NDArray

SensorFacts = dict[str, float | None]

# Within so long, at unchanged settings, loss moves with the feed rate more than with anything that drifts.
BLOCK_S = 600.0
FEWEST_BLOCKS = 6
# Feed rates that vary by less than this (log) within a block show no slope.
LEAST_FEED_SD = 0.01


def sensor_facts(marked: pl.DataFrame, binned: Binned) -> dict[str, SensorFacts]:
    """By loss with a sensor: ``seconds`` of steady work with a value, ``zero_share``, ``zero_by_counting`` (the share
    that a count of that mean would show), ``top_share`` (at the single highest value), ``step`` (smallest, in units
    of the signal), ``low``, ``median``, ``high`` (5, 50, 95 % of the seconds), ``level`` (mean log of signal per
    grain), ``slope`` and ``slope_error`` of the log signal on the log feed rate. None where unknown.

    marked : readings of one harvest after ``mark_work``. binned : the same in bins. A signal that is missing gives no
    entry. ``step`` is meaningful for signals that are logged as counts.
    """
    usable = marked["usable"].to_numpy()
    seconds_each = float(binned.seconds.sum() / max(1, usable.sum()))
    found = {}
    for place in PLACES:
        name = loss_column(marked, place)
        if name is None or place not in binned.outcomes:
            continue
        values = marked[name].cast(pl.Float64).to_numpy().astype(float)[usable]
        values = values[np.isfinite(values)]
        if values.size == 0:
            continue
        slope, error = slope_on_feed(binned, binned.outcomes[place])
        logs = binned.outcomes[place]
        known = np.isfinite(logs)
        found[place] = {
            "seconds": values.size * seconds_each,
            **_distribution(values),
            "level": float(np.average(logs[known], weights=binned.seconds[known])) if known.any() else None,
            "slope": slope,
            "slope_error": error,
        }
    return found


def _distribution(values: Array) -> dict[str, Any]:
    """values : (n,) finite, n at least one."""
    positive = values[values > 0]
    step = float(np.min(np.diff(np.unique(np.round(positive, 6))), initial=np.inf))
    low, median, high = np.quantile(values, [0.05, 0.5, 0.95]).tolist()
    counted = float(np.exp(-np.median(positive) / step)) if positive.size and np.isfinite(step) else None
    return {
        "zero_share": float(np.mean(values == 0)),
        "zero_by_counting": counted,
        "top_share": float(np.mean(values >= values.max() - 1e-9 * abs(values.max()))),
        "step": step if np.isfinite(step) else None,
        "low": low,
        "median": median,
        "high": high,
    }


def slope_on_feed(binned: Binned, log_share: Array) -> tuple[float | None, float | None]:
    """Slope of a log signal on the log feed rate with its standard error; None where the feed rate hardly varies.

    log_share : (n,) log of the signal per grain. Within ten minutes at unchanged settings, by least squares; the
    error is robust to what the bins of one such block share (Liang and Zeger 1986, Biometrika 73:13-22).
    """
    known = np.isfinite(log_share) & (binned.feed_t_h > 0)
    if not known.any():
        return None, None
    x = np.log(binned.feed_t_h[known])
    y = log_share[known] + x
    block = np.floor(binned.time_s[known] / BLOCK_S).astype(np.int64)
    groups = np.unique(np.column_stack([block, binned.step[known]]), axis=0, return_inverse=True)[1].ravel()
    count = np.bincount(groups)
    used = count[groups] > 2
    x, y, groups = x[used], y[used], groups[used]
    if np.unique(groups).size < FEWEST_BLOCKS:
        return None, None
    x, y = _within(x, groups), _within(y, groups)
    if np.sqrt(np.mean(x**2)) < LEAST_FEED_SD:
        return None, None
    weight = float(x @ x)
    slope = float(x @ y) / weight
    scores = np.bincount(groups, x * (y - slope * x))
    blocks = np.unique(groups).size
    error = float(np.sqrt(blocks / (blocks - 1) * (scores @ scores))) / weight
    return slope, error


def _within(values: Array, groups: NDArray[np.int_]) -> Array:
    """``values`` less the mean of their group."""
    count = np.bincount(groups)
    return np.asarray(values - (np.bincount(groups, values) / np.maximum(count, 1))[groups])
