"""The harvest log of one field job, as its sensors wrote it."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array, Indexes
from chaffinch.pipelines.simulate.crop_flow import Intake
from chaffinch.pipelines.simulate.history import History, SimulatedMachine, Site
from chaffinch.pipelines.simulate.loss_noise import SENSED_LOSSES, exponential_drift
from chaffinch.pipelines.simulate.scenario import Scenario, Sensors
from chaffinch.pipelines.simulate.sensors import (
    Instruments,
    flow_dependent,
    held,
    loss_signal,
    smeared,
    transported,
)
from chaffinch.pipelines.simulate.simulated_crops import CROPS, SimulatedCrop

AVERAGED = (
    "grain_flow_kg_s",
    "grain_moisture_pct",
    "separation_loss_signal",
    "cleaning_loss_signal",
    "returns_signal",
    "broken_grain_pct",
    "fuel_rate_l_h",
    "engine_load_pct",
)
"""Channels that a log of 2 or 5 s averages over its interval; the others are as at its last second."""


def log_frame(
    rng: np.random.Generator, scenario: Scenario, machine: SimulatedMachine, site: Site, history: History
) -> pl.DataFrame:
    """Readings by the contract's columns, without delivery, file and row; missing values null.

    A row's time is that of the sensors: crop cut at t shows in the loss signals, the grain flow and the
    moisture only after each sensor's delay. Position, speed and work state have no delay.
    """
    intake = history.intake
    way = intake.drive
    sensed = _sensed(rng, scenario.sensors, CROPS[site.crop], machine.instruments, history)
    latitude, longitude = site.place.to_globe(way.x_m, way.y_m)
    columns: dict[str, Array] = {
        "latitude": latitude,
        "longitude": longitude,
        "altitude_m": site.place.altitude_m + intake.altitude_m,
        "speed_m_s": way.speed_m_s,
        "heading_deg": (way.heading_deg + site.place.bearing_deg) % 360.0,
        "working": way.working.astype(np.int8),
        "working_width_m": way.width_m,
        **sensed,
        "pitch_deg": intake.pitch_deg + 0.2 * rng.standard_normal(way.x_m.size),
        "roll_deg": intake.roll_deg + 0.2 * rng.standard_normal(way.x_m.size),
    }
    k = scenario.interval_s
    rows = way.x_m.size // k
    last = np.arange(rows) * k + k - 1
    thinned = {
        name: series[: rows * k].reshape(rows, k).mean(axis=1) if name in AVERAGED and k > 1 else series[last]
        for name, series in columns.items()
    }
    frame = pl.DataFrame(thinned, nan_to_null=True)
    texts = {"machine": machine.name, "field": site.field, "crop": site.crop}
    names = [pl.lit(value, dtype=pl.String).alias(name) for name, value in texts.items()]
    return frame.select(times_from(site.start, last), *names, pl.all())


def times_from(start: datetime, seconds: Indexes) -> pl.Series:
    """``time``: so many whole seconds after ``start``, UTC."""
    first_us = int(start.astimezone(UTC).timestamp()) * 1_000_000
    return pl.Series("time", first_us + 1_000_000 * seconds.astype(np.int64)).cast(pl.Datetime("us", "UTC"))


def _sensed(
    rng: np.random.Generator,
    sensors: Sensors,
    crop: SimulatedCrop,
    instruments: Instruments,
    history: History,
) -> dict[str, Array]:
    intake, effect, n = history.intake, history.effect, history.intake.feed_kg_s.size
    ratio = intake.load_kg_s / history.rated_kg_s
    exponent = sensors.delay_flow_exponent
    grain_delay = flow_dependent(instruments.grain_delay_s, ratio, exponent)
    grain = transported(history.kept_kg_s, grain_delay, instruments.grain_smear_s)
    flowing = grain > 0.05
    flow = grain * instruments.flow_factor * (1.0 + sensors.flow_noise * rng.standard_normal(n))
    signals = {
        f"{loss}_loss_signal": loss_signal(
            rng,
            sensors,
            history.lost_kg_s[loss],
            flow_dependent(instruments.loss_delay_s[loss], ratio, exponent),
            instruments.loss_smear_s,
            instruments.loss_gain[loss],
            _moved_gain(sensors, history, loss),
        )
        for loss in SENSED_LOSSES
    }
    broken = crop.broken_pct * np.exp(effect["broken"] + 0.15 * exponential_drift(rng, n, 200.0))
    broken = np.where(flowing, held(broken, intake.feed_kg_s > 0), np.nan)
    load = smeared(ratio, 5.0)
    engine = (
        32.0 + 46.0 * load + 1.2 * intake.pitch_deg + 6.0 * intake.unloading + 2.0 * rng.standard_normal(n)
    )
    engine = np.clip(engine, 18.0, 100.0)
    return {
        "grain_flow_kg_s": np.where(grain > 1e-3, np.maximum(flow, 0.0), 0.0),
        "grain_moisture_pct": _moisture(rng, instruments, intake),
        **signals,
        "returns_signal": _returns(rng, instruments, ratio, effect["returns"]),
        "broken_grain_pct": broken,
        "fuel_rate_l_h": 0.72 * engine * np.exp(effect["fuel"]),
        "engine_load_pct": engine,
    }


def _moved_gain(sensors: Sensors, history: History, loss: str) -> Array:
    """Factor on the signal of a loss by what its settings were moved, (seconds,)."""
    log_gain = np.zeros(history.intake.feed_kg_s.size)
    for setting, place, by_step in sensors.gain_moves:
        for move in history.moves:
            if (setting, place) == (move.setting, loss):
                log_gain[int(np.ceil(move.time_s)) :] += by_step * move.steps
    return np.exp(log_gain)


def _moisture(rng: np.random.Generator, instruments: Instruments, intake: Intake) -> Array:
    """Moisture at its sensor, steps of 0.1 %; between passes the last grain stays in it."""
    inside = held(intake.moisture_pct, intake.feed_kg_s > 0)
    shift = np.arange(inside.size) - instruments.moisture_delay_s
    late = np.interp(shift, np.arange(inside.size), inside)
    resting = smeared(late - late[0], instruments.moisture_smear_s) + late[0]
    return np.round(resting + 0.08 * rng.standard_normal(inside.size), 1)


def _returns(rng: np.random.Generator, instruments: Instruments, ratio: Array, effect: Array) -> Array:
    volume = 20.0 * ratio**0.8 * np.exp(effect + 0.2 * exponential_drift(rng, ratio.size, 120.0))
    passing = transported(volume, instruments.loss_delay_s["cleaning"], instruments.loss_smear_s)
    return np.maximum(passing * (1.0 + 0.05 * rng.standard_normal(ratio.size)), 0.0)
