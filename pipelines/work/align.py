"""Channels brought to the moment at which the crop entered the machine."""

from __future__ import annotations

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.delays.lag import Delays, Lag
from chaffinch.pipelines.work.delays.travel import relative_load
from chaffinch.pipelines.work.series import loss_column, per_second, shifted, values_of, without_nights

LOSS_PLACES = ("separation_loss", "cleaning_loss")
USUAL_SMEAR_S = 3.0
ALIGNED = {
    "grain": "feed_rate_t_h",
    "separation": "separation_loss_aligned",
    "cleaning": "cleaning_loss_aligned",
    "moisture": "moisture_aligned_pct",
}
"""Sensor to the column that holds its channel at the moment of intake."""


def align(ordered: pl.DataFrame, time_s: Array, working: Flags, delays: Delays) -> dict[str, Array]:
    """The columns ``ALIGNED`` of ``ordered`` (sorted by time): each channel moved by its own delay, (n,); NaN where
    the log has a hole. Feed rate is wet, t/h, the others are in their channel's unit.

    Where dead times shorten with flow, each reading has its own delay, by the load at that moment.
    """
    channels = ("grain_flow_kg_s", *(loss_column(ordered, p) for p in LOSS_PLACES), "grain_moisture_pct")
    shortens = any(delays.of(sensor).shortening for sensor in ALIGNED)
    load = _load(ordered, time_s, working, delays.grain) if shortens else None
    moved = {
        column: shifted(time_s, values_of(ordered, channel), travel_s(delays.of(sensor), load))
        for (sensor, column), channel in zip(ALIGNED.items(), channels, strict=True)
    }
    return moved | {"feed_rate_t_h": moved["feed_rate_t_h"] * 3.6}


def travel_s(lag: Lag, load: Array | None) -> float | Array:
    """Seconds from header to sensor: one number, or one for each reading where the dead time shortens."""
    if not lag.shortening or load is None:
        return lag.seconds
    smear = lag.smear_s if lag.smear_s is not None else USUAL_SMEAR_S
    return smear + max(lag.seconds - smear, 0.0) * load**-lag.shortening


def _load(ordered: pl.DataFrame, time_s: Array, working: Flags, grain: Lag) -> Array:
    """Load relative to the usual at each reading, by the grain flow that its crop will be; shape (n,)."""
    ahead = np.nan_to_num(shifted(time_s, values_of(ordered, "grain_flow_kg_s"), grain.seconds))
    clock = without_nights(time_s)
    load = relative_load(np.nan_to_num(per_second(clock, np.where(working, ahead, 0.0))))
    return np.interp(clock, np.arange(clock[0], clock[-1] + 1.0), load)
