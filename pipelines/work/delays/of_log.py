"""Delays of one machine from its log: every way that can tell, weighed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.align import LOSS_PLACES, USUAL_SMEAR_S
from chaffinch.pipelines.work.delays.by_loss_and_feed import follow_lag
from chaffinch.pipelines.work.delays.by_neighbours import Pairs, find_pairs, neighbour_lag
from chaffinch.pipelines.work.delays.by_starts import response_lag
from chaffinch.pipelines.work.delays.lag import DEFAULT_DELAYS, Delays, Lag, combine
from chaffinch.pipelines.work.delays.travel import relative_load
from chaffinch.pipelines.work.passes import number_passes, since_start_and_to_end, working_state
from chaffinch.pipelines.work.series import (
    between_seconds,
    loss_column,
    per_second,
    seconds_of,
    shifted,
    speed_of,
    values_of,
    without_nights,
)
from chaffinch.pipelines.work.track import track, turning

FEWEST_READINGS = 600
# Without a logged work state, work is where grain flows, brought forward by the delay; a delay found to be that
# far from the assumed one is worth a second look.
MOVED_S = 3.0
# Loss rises about with the square of feed rate as a share, so with its cube as a mass.
LOSS_POWER = 3.0
# Smearing of a moisture sensor's chamber, where the data show only its sum with the dead time. From memory.
MOISTURE_SMEAR_S = 7.0
MOISTURE_SMEAR_ERROR_S = 0.35
LOSS_SMEAR_S = 2.0
# A lag less sure than this may have taken dead time for smearing; its smearing is then not lent to other ways.
SURE_S = 1.0


@dataclass(frozen=True, slots=True)
class _Log:
    """What delays are read off: ``intake`` (0 outside work), ``flow``, losses and moisture per second;
    ``load`` relative to the usual; ``pairs`` of neighbouring passes; ``logged``: the work state is."""

    seconds: Array
    time_s: Array
    intake: Array
    flow: Array
    losses: tuple[Array, Array]
    moisture: Array
    load: Array
    steady: Flags
    pairs: Pairs | None
    logged: bool
    late_s: float


def machine_delays(readings: pl.DataFrame) -> Delays:
    """Delays of one machine from its readings, sorted by time. Defaults where the data can't tell.

    Without a logged work state, starts and stops would have to be read off the grain flow itself; then only
    neighbouring passes tell, and loss against feed.
    """
    if readings.height < FEWEST_READINGS:
        return DEFAULT_DELAYS
    log = _log_of(readings, DEFAULT_DELAYS.grain.seconds)
    grain, log = _grain(log)
    if not log.logged and abs(grain.seconds - DEFAULT_DELAYS.grain.seconds) > MOVED_S:
        grain, log = _grain(_log_of(readings, grain.seconds))
    separation, cleaning = (_loss(log, x, grain) for x in log.losses)
    return Delays(grain, separation, cleaning, _moisture(log))


def _log_of(readings: pl.DataFrame, grain_delay_s: float) -> _Log:
    time_s = without_nights(seconds_of(readings["time"]))
    speed, flow = speed_of(readings), values_of(readings, "grain_flow_kg_s")
    state, way = values_of(readings, "working"), track(readings, time_s)
    logged = bool(np.isfinite(state).mean() > 0.5 and np.nanmax(state) > 0)
    working = working_state(state, speed, flow, grain_delay_s, time_s, turning(way), way.reversing)
    width = np.nan_to_num(values_of(readings, "working_width_m"), nan=1.0)
    width = np.where(width > 0, width, 1.0)
    intake = np.nan_to_num(per_second(time_s, np.where(working, np.nan_to_num(speed, nan=1.0) * width, 0.0)))
    passes = number_passes(time_s, working, way.heading_deg)
    since, until = since_start_and_to_end(time_s, passes)
    load = relative_load(intake)
    seconds = np.arange(time_s[0], time_s[-1] + 1.0)
    pairs = find_pairs(
        way,
        passes,
        since,
        until,
        float(np.median(width)),
        np.interp(time_s, seconds, load),
        np.maximum(np.nan_to_num(speed, nan=1.0) * width, 0.5),
    )
    steady = per_second(time_s, ((since >= 40) & (until >= 5)).astype(float)) == 1
    gaps = np.diff(time_s)
    usual = float(np.median(gaps[gaps > 0])) if (gaps > 0).any() else 1.0
    return _Log(
        seconds,
        time_s,
        intake,
        between_seconds(time_s, flow),
        tuple(between_seconds(time_s, values_of(readings, loss_column(readings, p))) for p in LOSS_PLACES),  # type: ignore[arg-type]
        between_seconds(time_s, values_of(readings, "grain_moisture_pct")),
        load,
        steady,
        pairs,
        logged,
        # A record's flow is the mean over its interval, its position that of the interval's end.
        max(usual - 1.0, 0.0) / 2,
    )


def _grain(log: _Log) -> tuple[Lag, _Log]:
    """Lag of the grain flow, and the log with the load that the flow itself shows where dead times shorten."""
    starts = response_lag(log.intake, log.flow) if log.logged else None
    if starts is not None and starts.shortening:
        log = replace(log, load=_load_by_flow(log, starts.seconds))
        again = response_lag(log.intake, log.flow, load=log.load, shortens=True)
        starts = again or starts
        if log.pairs is not None:
            rows_load = np.interp(log.pairs.time_s, log.seconds, log.load)
            log = replace(log, pairs=replace(log.pairs, load=rows_load))
    passes = _by_neighbours(
        log, log.flow, _smear_s(starts, USUAL_SMEAR_S), starts.shortening if starts else 0.0
    )
    return combine([starts, passes], DEFAULT_DELAYS.grain), log


def _load_by_flow(log: _Log, delay_s: float) -> Array:
    """Load relative to the usual: well inside passes by the grain flow, which knows the yield; at their ends,
    where flow comes late and smeared, by the intake."""
    ahead = shifted(log.seconds, log.flow, delay_s)
    by_flow = log.steady & np.isfinite(ahead)
    if not by_flow.any():
        return log.load
    usual_flow = float(np.median(ahead[by_flow]))
    usual_intake = float(np.median(log.intake[by_flow]))
    return relative_load(np.where(by_flow, ahead / usual_flow, log.intake / max(usual_intake, 1e-9)))


def _by_neighbours(log: _Log, signal: Array, smear_s: float, shortening: float) -> Lag | None:
    if log.pairs is None:
        return None
    lag = neighbour_lag(log.pairs, log.seconds, signal, smear_s, shortening)
    return lag and replace(lag, seconds=lag.seconds - log.late_s)


def _loss(log: _Log, signal: Array, grain: Lag) -> Lag:
    """Lag of one loss sensor: starts and stops, and its run against the grain flow."""
    if not np.isfinite(signal).any():
        return DEFAULT_DELAYS.separation
    starts = None
    if log.logged:
        shortens = grain.shortening > 0 if "starts" in grain.ways else None
        starts = response_lag(log.intake, signal, LOSS_POWER, log.load, shortens)
    smear_s = _smear_s(starts, LOSS_SMEAR_S)
    feed = follow_lag(log.flow, signal, log.steady, grain, smear_s) if grain.estimated else None
    return combine([starts, feed], DEFAULT_DELAYS.separation)


def _smear_s(starts: Lag | None, usual: float) -> float:
    """Smearing as starts and stops show it, where they are sure of it."""
    return starts.smear_s if starts and starts.error_s < SURE_S and starts.smear_s else usual


def _moisture(log: _Log) -> Lag:
    """Lag of the moisture sensor: only neighbouring passes tell, as grain rests in it between passes."""
    pairs = log.pairs
    if pairs is None:
        return DEFAULT_DELAYS.moisture
    plain = replace(log, pairs=replace(pairs, rate=np.ones(pairs.rate.size)))
    lag = _by_neighbours(plain, log.moisture, MOISTURE_SMEAR_S, 0.0)
    if lag is None:
        return DEFAULT_DELAYS.moisture
    return replace(lag, error_s=float(np.hypot(lag.error_s, MOISTURE_SMEAR_ERROR_S)))
