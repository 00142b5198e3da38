"""Columns of a log as arrays, on their own clock or per second, and how they are moved in time."""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array

LONGEST_HOLD_S = 6.0
LONGEST_REST_S = 120.0


def loss_column(readings: pl.DataFrame, place: str) -> str | None:
    """The channel that measures the loss of a place: calibrated kg/s where logged, else the signal."""
    for column in (f"{place}_kg_s", f"{place}_signal"):
        if column in readings.columns and readings[column].count() > 0:
            return column
    return None


def values_of(readings: pl.DataFrame, column: str | None) -> Array:
    """A column as floats, shape (n,); NaN where it is empty or not there at all."""
    if column is None or column not in readings.columns:
        return np.full(readings.height, np.nan)
    return readings[column].cast(pl.Float64).to_numpy().astype(float, copy=True)


def speed_of(readings: pl.DataFrame) -> Array:
    """Speed, m/s, shape (n,): as logged, else distance of each record over its duration; NaN where neither is."""
    logged = values_of(readings, "speed_m_s")
    with np.errstate(invalid="ignore", divide="ignore"):
        gone = values_of(readings, "distance_m") / values_of(readings, "record_duration_s")
    return np.where(np.isfinite(logged), logged, np.where(np.isfinite(gone), gone, np.nan))


def seconds_of(times: pl.Series) -> Array:
    """UTC times as seconds since 1970, shape (n,)."""
    return times.dt.epoch("us").to_numpy().astype(float) / 1e6


def shifted(time_s: Array, values: Array, delay_s: float | Array) -> Array:
    """``values`` as they will be ``delay_s`` later, NaN where the log has a hole of over 6 s there.

    delay_s : one number, or one for each reading, shape (n,).
    """
    return shifted_to(time_s + delay_s, time_s, values)


def per_second(time_s: Array, values: Array) -> Array:
    """``values`` on a grid of one second by nearest-earlier value; NaN in holes of over 6 s."""
    grid = np.arange(time_s[0], time_s[-1] + 1.0)
    before = np.searchsorted(time_s, grid, side="right") - 1
    return np.where(grid - time_s[before] <= LONGEST_HOLD_S, values[before], np.nan)


def between_seconds(time_s: Array, values: Array) -> Array:
    """``values`` on a grid of one second, between the neighbouring readings; NaN in holes of over 6 s."""
    grid = np.arange(time_s[0], time_s[-1] + 1.0)
    return shifted_to(grid, time_s, values)


def shifted_to(at: Array, time_s: Array, values: Array) -> Array:
    """``values`` of the moments ``time_s`` at other moments; NaN outside, and in holes of over 6 s."""
    known = np.isfinite(values)
    if known.sum() < 2:
        return np.full(at.size, np.nan)
    moments = time_s[known]
    moved = np.interp(at, moments, values[known], left=np.nan, right=np.nan)
    nxt = np.clip(np.searchsorted(moments, at), 1, moments.size - 1)
    return np.where(moments[nxt] - moments[nxt - 1] > LONGEST_HOLD_S, np.nan, moved)


def without_nights(time_s: Array) -> Array:
    """The same clock with every hole of over two minutes shortened to two minutes."""
    return time_s[0] + np.concatenate([[0.0], np.cumsum(np.minimum(np.diff(time_s), LONGEST_REST_S))])


def smeared(series: Array, smear_s: float) -> Array:
    """First-order lag with time constant ``smear_s``, per second, at rest before the start."""
    # Importing the filters of SciPy takes longer than a night's delays.
    at_rest = pl.Series(np.concatenate([[0.0], series]))
    return at_rest.ewm_mean(alpha=1.0 - float(np.exp(-1.0 / smear_s)), adjust=False).to_numpy()[1:]
