"""Align and clean: bring the channels of one machine to one moment and say which readings count.

``mark_work`` keeps every row and adds, for each, the pass, the class of work, whether it is usable, and the
channels brought forward to the moment at which the crop entered the machine.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.pipelines.work.delays import DEFAULT_DELAYS, Delays, estimate_delays
from chaffinch.pipelines.work.passes import number_passes, since_start_and_to_end, working_state
from numpy.typing import NDArray

Array = NDArray[np.float64]

# The first seconds of a pass fill the machine, the last ones empty it: losses and flow are then not those of
# steady work. 10 to 15 s at the start and up to 5 s at the end are common practice, no source.
LEAD_IN_S = 15.0
LEAD_OUT_S = 4.0
THIN_CROP_SHARE = 0.25
LONGEST_HOLD_S = 6.0

LOSSES = ("separation_loss", "cleaning_loss")


def loss_column(readings: pl.DataFrame, place: str) -> str | None:
    """The channel that measures the loss of a place: calibrated kg/s where logged, else the signal."""
    for column in (f"{place}_kg_s", f"{place}_signal"):
        if column in readings.columns and readings[column].count() > 0:
            return column
    return None


def _numbers(readings: pl.DataFrame, column: str | None) -> Array:
    if column is None or column not in readings.columns:
        return np.full(readings.height, np.nan)
    return readings[column].cast(pl.Float64).to_numpy().astype(float, copy=True)


def seconds_of(times: pl.Series) -> Array:
    """UTC times as seconds since 1970, shape (n,)."""
    return times.dt.epoch("us").to_numpy().astype(float) / 1e6


def shifted(time_s: Array, values: Array, delay_s: float) -> Array:
    """``values`` as they will be ``delay_s`` later, NaN where the log has a hole of over 6 s there."""
    known = np.isfinite(values)
    if known.sum() < 2:
        return np.full(values.size, np.nan)
    at, moments = time_s + delay_s, time_s[known]
    moved = np.interp(at, moments, values[known], left=np.nan, right=np.nan)
    nxt = np.clip(np.searchsorted(moments, at), 1, moments.size - 1)
    return np.where(moments[nxt] - moments[nxt - 1] > LONGEST_HOLD_S, np.nan, moved)


def _per_second(time_s: Array, values: Array) -> Array:
    """``values`` on a grid of one second by nearest-earlier value; NaN in holes of over 6 s."""
    grid = np.arange(time_s[0], time_s[-1] + 1.0)
    before = np.searchsorted(time_s, grid, side="right") - 1
    return np.where(grid - time_s[before] <= LONGEST_HOLD_S, values[before], np.nan)


def _without_nights(time_s: Array) -> Array:
    """The same clock with every hole of over two minutes shortened to two minutes."""
    return time_s[0] + np.concatenate([[0.0], np.cumsum(np.minimum(np.diff(time_s), 120.0))])


def machine_delays(readings: pl.DataFrame) -> Delays:
    """Delays of one machine from its readings, sorted by time. Defaults where the data can't tell.

    Without a logged work state, starts and stops would have to be read off the grain flow itself; the delay is
    then the default.
    """
    logged = _numbers(readings, "working")
    if readings.height < 600 or not (np.isfinite(logged).mean() > 0.5 and np.nanmax(logged) > 0):
        return DEFAULT_DELAYS
    time_s = _without_nights(seconds_of(readings["time"]))
    speed, flow = _numbers(readings, "speed_m_s"), _numbers(readings, "grain_flow_kg_s")
    working = working_state(logged, speed, flow, 0.0, time_s)
    width = np.nan_to_num(_numbers(readings, "working_width_m"), nan=1.0)
    intake = np.where(working, np.nan_to_num(speed, nan=1.0) * np.where(width > 0, width, 1.0), 0.0)
    losses = [_numbers(readings, loss_column(readings, place)) for place in LOSSES]
    return estimate_delays(
        np.nan_to_num(_per_second(time_s, intake)),
        _per_second(time_s, flow),
        [_per_second(time_s, x) for x in losses if np.isfinite(x).any()],
    )


def mark_work(readings: pl.DataFrame, delays: Delays | None = None) -> pl.DataFrame:
    """Class every reading of one machine (one field) and align its channels.

    readings : rows of the ``readings`` contract, any order. Every row is kept, sorted by time.
    Adds ``pass_number`` (null outside passes), ``work_class`` (steady, lead_in, lead_out, stop, turn, away,
    thin_crop, no_flow), ``usable``, and, at the moment the crop enters: ``feed_rate_t_h`` (grain feed rate,
    wet), ``separation_loss_aligned``, ``cleaning_loss_aligned`` (unit of the channel), ``moisture_aligned_pct``.
    """
    ordered = readings.sort("time", maintain_order=True)
    if ordered.height == 0:
        none = np.empty(0)
        no_classes = np.empty(0, dtype="<U9")
        return _with_marks(
            ordered, np.empty(0, np.int32), no_classes, np.empty(0, bool), none, none, none, none
        )
    time_s = seconds_of(ordered["time"])
    delays = delays or machine_delays(ordered)
    flow, speed = _numbers(ordered, "grain_flow_kg_s"), _numbers(ordered, "speed_m_s")
    working = working_state(_numbers(ordered, "working"), speed, flow, delays.grain.seconds, time_s)
    passes = number_passes(time_s, working)
    feed = shifted(time_s, flow, delays.grain.seconds) * 3.6
    classes = _classes(time_s, passes, speed, feed)
    losses = [
        shifted(time_s, _numbers(ordered, loss_column(ordered, p)), delays.loss.seconds) for p in LOSSES
    ]
    moisture = shifted(time_s, _numbers(ordered, "grain_moisture_pct"), delays.moisture.seconds)
    return _with_marks(ordered, passes, classes, classes == "steady", feed, losses[0], losses[1], moisture)


def _classes(time_s: Array, passes: NDArray[np.int32], speed: Array, feed: Array) -> NDArray[np.str_]:
    since, until = since_start_and_to_end(time_s, passes)
    classes = np.full(time_s.size, "steady", dtype="<U9")
    inside = passes > 0
    steady = inside & (since >= LEAD_IN_S) & (until >= LEAD_OUT_S)
    known = steady & np.isfinite(feed) & (feed > 0)
    typical = np.median(feed[known]) if known.any() else np.nan
    classes[inside & ~(feed >= THIN_CROP_SHARE * typical)] = "thin_crop"
    classes[inside & ~np.isfinite(feed)] = "no_flow"
    classes[inside & (until < LEAD_OUT_S)] = "lead_out"
    classes[inside & (since < LEAD_IN_S)] = "lead_in"
    classes[~inside] = "turn"
    classes[~inside & (speed < 0.3)] = "stop"
    return classes


def _with_marks(
    ordered: pl.DataFrame,
    passes: NDArray[np.int32],
    classes: NDArray[np.str_],
    usable: NDArray[np.bool_],
    feed: Array,
    separation: Array,
    cleaning: Array,
    moisture: Array,
) -> pl.DataFrame:
    def number(name: str, values: Array) -> pl.Series:
        return pl.Series(name, values.astype(float), dtype=pl.Float64, nan_to_null=True)

    return ordered.with_columns(
        pl.Series("pass_number", passes.astype(np.int32), dtype=pl.Int32).replace(0, None),
        pl.Series("work_class", [str(c) for c in classes.tolist()], dtype=pl.String),
        pl.Series("usable", usable.astype(bool), dtype=pl.Boolean),
        number("feed_rate_t_h", feed),
        number("separation_loss_aligned", separation),
        number("cleaning_loss_aligned", cleaning),
        number("moisture_aligned_pct", moisture),
    )
