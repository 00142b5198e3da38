"""Channels brought to the moment at which the crop entered the machine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from chaffinch.pipelines.work.delays.lag import Delays, Lag
from chaffinch.pipelines.work.delays.travel import relative_load
from chaffinch.pipelines.work.series import Array, loss_column, numbers, per_second, shifted, without_nights
from numpy.typing import NDArray

LOSS_PLACES = ("separation_loss", "cleaning_loss")
USUAL_SMEAR_S = 3.0


@dataclass(frozen=True, slots=True)
class Aligned:
    """At the moment of intake, shape (n,): grain feed rate (wet, t/h), losses in their channel's unit, moisture."""

    feed_t_h: Array
    separation: Array
    cleaning: Array
    moisture_pct: Array


def align(ordered: pl.DataFrame, time_s: Array, working: NDArray[np.bool_], delays: Delays) -> Aligned:
    """The channels of ``ordered`` (sorted by time), each moved by its own delay, NaN where the log has a hole.

    Where dead times shorten with flow, each reading has its own delay, by the load at that moment.
    """
    lags = [delays.of(sensor) for sensor in ("grain", "separation", "cleaning", "moisture")]
    load = None
    if any(lag.shortening for lag in lags):
        load = _load(ordered, time_s, working, delays.grain)
    flow = shifted(time_s, numbers(ordered, "grain_flow_kg_s"), travel_s(lags[0], load))
    losses = [
        shifted(time_s, numbers(ordered, loss_column(ordered, place)), travel_s(lag, load))
        for place, lag in zip(LOSS_PLACES, lags[1:3], strict=True)
    ]
    moisture = shifted(time_s, numbers(ordered, "grain_moisture_pct"), travel_s(lags[3], load))
    return Aligned(flow * 3.6, losses[0], losses[1], moisture)


def travel_s(lag: Lag, load: Array | None) -> float | Array:
    """Seconds from header to sensor: one number, or one for each reading where the dead time shortens."""
    if not lag.shortening or load is None:
        return lag.seconds
    smear = lag.smear_s if lag.smear_s is not None else USUAL_SMEAR_S
    return smear + max(lag.seconds - smear, 0.0) * load**-lag.shortening


def _load(ordered: pl.DataFrame, time_s: Array, working: NDArray[np.bool_], grain: Lag) -> Array:
    """Load relative to the usual at each reading, by the grain flow that its crop will be; shape (n,)."""
    ahead = np.nan_to_num(shifted(time_s, numbers(ordered, "grain_flow_kg_s"), grain.seconds))
    clock = without_nights(time_s)
    load = relative_load(np.nan_to_num(per_second(clock, np.where(working, ahead, 0.0))))
    return np.interp(clock, np.arange(clock[0], clock[-1] + 1.0), load)
