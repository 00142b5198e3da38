"""Delays of one machine from its log."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.align import LOSS_PLACES
from chaffinch.pipelines.work.delays.by_loss_and_feed import follow_lag
from chaffinch.pipelines.work.delays.by_neighbours import Pairs, find_pairs, neighbour_lag
from chaffinch.pipelines.work.delays.lag import DEFAULT_DELAYS, GRAIN_SMEAR_S, MOISTURE_SMEAR_S, Delays, Lag
from chaffinch.pipelines.work.passes import number_passes, since_start_and_to_end, working_state
from chaffinch.pipelines.work.series import (
    between_seconds,
    loss_column,
    per_second,
    seconds_of,
    speed_of,
    values_of,
    without_nights,
)
from chaffinch.pipelines.work.track import track, turning

FEWEST_READINGS = 600
# Without a logged work state, work is where grain flows, brought forward by the delay; a delay found to be that
# far from the assumed one is worth a second look.
MOVED_S = 3.0
# Of the delay of moisture, whose smearing differs more between sensors than is known of it.
MOISTURE_SMEAR_ERROR_S = 0.35


@dataclass(frozen=True, slots=True)
class _Log:
    """What delays are read off: ``flow``, losses and moisture at each of ``seconds``; ``steady``: well inside passes;
    ``pairs`` of neighbouring passes; ``logged``: the work state is. late_s : how much later than its middle a record
    stands."""

    seconds: Array
    flow: Array
    losses: tuple[Array, ...]
    moisture: Array
    steady: Flags
    pairs: Pairs | None
    logged: bool
    late_s: float


def machine_delays(readings: pl.DataFrame) -> Delays:
    """Delays of one machine from its readings, sorted by time. Defaults where the data can't tell.

    The flow's and the moisture's are found from neighbouring passes in opposite directions, those of losses from
    their run against the flow; where the flow's is a default, its error is in theirs.
    """
    if readings.height < FEWEST_READINGS:
        return DEFAULT_DELAYS
    log = _log_of(readings, DEFAULT_DELAYS.grain.seconds)
    grain = _grain(log)
    if not log.logged and abs(grain.seconds - DEFAULT_DELAYS.grain.seconds) > MOVED_S:
        log = _log_of(readings, grain.seconds)
        grain = _grain(log)
    separation, cleaning = (
        follow_lag(log.flow, loss, log.steady, grain) or DEFAULT_DELAYS.separation for loss in log.losses
    )
    return Delays(grain, separation, cleaning, _moisture(log))


def _log_of(readings: pl.DataFrame, grain_delay_s: float) -> _Log:
    time_s = without_nights(seconds_of(readings["time"]))
    speed, flow = speed_of(readings), values_of(readings, "grain_flow_kg_s")
    state, way = values_of(readings, "working"), track(readings, time_s)
    working = working_state(state, speed, flow, grain_delay_s, time_s, turning(way), way.reversing)
    width = np.nan_to_num(values_of(readings, "working_width_m"), nan=1.0)
    width = np.where(width > 0, width, 1.0)
    passes = number_passes(time_s, working, way.heading_deg)
    since, until = since_start_and_to_end(time_s, passes)
    rate = np.maximum(np.nan_to_num(speed, nan=1.0) * width, 0.5)
    gaps = np.diff(time_s)
    usual = float(np.median(gaps[gaps > 0])) if (gaps > 0).any() else 1.0
    return _Log(
        np.arange(time_s[0], time_s[-1] + 1.0),
        between_seconds(time_s, flow),
        tuple(between_seconds(time_s, values_of(readings, loss_column(readings, p))) for p in LOSS_PLACES),
        between_seconds(time_s, values_of(readings, "grain_moisture_pct")),
        per_second(time_s, ((since >= 40) & (until >= 5)).astype(float)) == 1,
        find_pairs(way, passes, since, until, float(np.median(width)), rate),
        bool(np.isfinite(state).mean() > 0.5 and np.nanmax(state) > 0),
        # A record's flow is the mean over its interval, its position that of the interval's end.
        max(usual - 1.0, 0.0) / 2,
    )


def _grain(log: _Log) -> Lag:
    return _by_neighbours(log, log.pairs, log.flow, GRAIN_SMEAR_S) or DEFAULT_DELAYS.grain


def _moisture(log: _Log) -> Lag:
    pairs = log.pairs and replace(log.pairs, rate=np.ones(log.pairs.rate.size))
    lag = _by_neighbours(log, pairs, log.moisture, MOISTURE_SMEAR_S)
    if lag is None:
        return DEFAULT_DELAYS.moisture
    return replace(lag, error_s=float(np.hypot(lag.error_s, MOISTURE_SMEAR_ERROR_S)))


def _by_neighbours(log: _Log, pairs: Pairs | None, signal: Array, smear_s: float) -> Lag | None:
    lag = None if pairs is None else neighbour_lag(pairs, log.seconds, signal, smear_s)
    return lag and replace(lag, seconds=lag.seconds - log.late_s)
