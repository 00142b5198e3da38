"""Align and clean: bring the channels of one machine to one moment and say which readings count.

``mark_work`` keeps every row and adds, for each, the pass, the class of work, whether it is usable, and the
channels brought forward to the moment at which the crop entered the machine.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.pipelines.work.align import align
from chaffinch.pipelines.work.delays import Delays
from chaffinch.pipelines.work.delays_of_log import machine_delays
from chaffinch.pipelines.work.passes import number_passes, since_start_and_to_end, working_state
from chaffinch.pipelines.work.series import loss_column, numbers, seconds_of, shifted
from numpy.typing import NDArray

__all__ = ["loss_column", "machine_delays", "mark_work", "seconds_of", "shifted"]

Array = NDArray[np.float64]

# The first seconds of a pass fill the machine, the last ones empty it: losses and flow are then not those of
# steady work. 10 to 15 s at the start and up to 5 s at the end are common practice, no source.
LEAD_IN_S = 15.0
LEAD_OUT_S = 4.0
THIN_CROP_SHARE = 0.25


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
    flow, speed = numbers(ordered, "grain_flow_kg_s"), numbers(ordered, "speed_m_s")
    working = working_state(numbers(ordered, "working"), speed, flow, delays.grain.seconds, time_s)
    passes = number_passes(time_s, working)
    moved = align(ordered, time_s, working, delays)
    classes = _classes(time_s, passes, speed, moved.feed_t_h)
    return _with_marks(
        ordered,
        passes,
        classes,
        classes == "steady",
        moved.feed_t_h,
        moved.separation,
        moved.cleaning,
        moved.moisture_pct,
    )


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
