"""What the machine's sensors make of the crop: dead time, smearing, noise, faults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.simulate.loss_noise import SENSED_LOSSES
from chaffinch.pipelines.simulate.scenario import Sensors
from chaffinch.pipelines.work.series import smeared

# Where a signal that goes with a power of the loss is what it would be in proportion: the same in all fields.
BENT_ABOUT_KG_S = 0.05


@dataclass(frozen=True, slots=True)
class Instruments:
    """One machine's sensors, as they truly are. Delays are dead times from the cutter bar, s; ``loss_gain``: signal
    of a loss's sensor for 1 kg/s lost."""

    loss_delay_s: Mapping[str, float]
    grain_delay_s: float
    moisture_delay_s: float
    loss_smear_s: float
    grain_smear_s: float
    moisture_smear_s: float
    flow_factor: float
    loss_gain: Mapping[str, float]


def draw_instruments(rng: np.random.Generator, sensors: Sensors) -> Instruments:
    """The sensors of one machine."""
    gains = sensors.gain_per_kg_s * np.exp(sensors.gain_spread * rng.standard_normal(2))
    return Instruments(
        loss_delay_s={loss: rng.uniform(*sensors.loss_delay_s) for loss in SENSED_LOSSES},
        grain_delay_s=rng.uniform(*sensors.grain_delay_s),
        moisture_delay_s=rng.uniform(*sensors.moisture_delay_s),
        loss_smear_s=rng.uniform(*sensors.loss_smear_s),
        grain_smear_s=rng.uniform(*sensors.grain_smear_s),
        moisture_smear_s=rng.uniform(*sensors.moisture_smear_s),
        flow_factor=float(np.exp(sensors.flow_bias_sd * rng.standard_normal())),
        loss_gain=dict(zip(SENSED_LOSSES, gains.tolist(), strict=True)),
    )


def transported(rate_kg_s: Array, delay_s: Array | float, smear_s: float) -> Array:
    """Mass rate at the sensor of what enters at ``rate_kg_s``, 1 Hz: dead time, then a first-order lag.

    The dead time shifts the cumulated mass, so nothing is lost or made when it varies; what is still under
    way at the end never arrives. Mean delay of a pulse: ``delay_s`` + ``smear_s``.
    """
    second = np.arange(1.0, rate_kg_s.size + 1.0)
    arrival = np.maximum.accumulate(second + delay_s)
    arrived = np.interp(second, arrival, np.cumsum(rate_kg_s), left=0.0)
    return smeared(np.diff(arrived, prepend=0.0), smear_s)


def held(series: Array, present: Flags) -> Array:
    """The last value seen while ``present``; before the first, the first such value."""
    index = np.where(present, np.arange(series.size), -1)
    last = np.maximum.accumulate(index)
    return series[np.where(last < 0, np.argmax(present), last)]


def loss_signal(
    rng: np.random.Generator,
    sensors: Sensors,
    lost_kg_s: Array,
    delay_s: Array | float,
    smear_s: float,
    gain: float,
    moved: Array | float = 1.0,
) -> Array:
    """Counted, perhaps faulty signal of one loss sensor; not a number where it drops out as nothing.

    moved : factor on the signal by settings that move the sensor's gain.

    Proportional to the lost mass *rate*: loss share is signal / (gain x entering grain).
    """
    passing = transported(lost_kg_s, delay_s, smear_s)
    signal = moved * gain / sensors.counts_per_kg * rng.poisson(sensors.counts_per_kg * passing)
    if sensors.gain_step_share and rng.random() < sensors.gain_step_share:
        jump = int(rng.uniform(0.15, 0.85) * signal.size)
        signal[jump:] *= np.exp(rng.choice([-1.0, 1.0]) * sensors.gain_step_log)
    if sensors.zero_drift_share and rng.random() < sensors.zero_drift_share:
        reset = int(rng.uniform(0.15, 0.85) * signal.size)
        signal[:reset] += np.linspace(0.0, sensors.zero_drift * np.median(signal[signal > 0]), reset)
    if sensors.ceiling_quantile < 1.0:
        signal = np.minimum(signal, np.quantile(signal[signal > 0], sensors.ceiling_quantile))
    if sensors.dead_band:
        signal = np.maximum(signal - sensors.dead_band * np.median(signal[signal > 0]), 0.0)
    if sensors.exponent != 1.0:
        at = gain * BENT_ABOUT_KG_S
        signal = at * (signal / at) ** sensors.exponent
    if sensors.quantum:
        signal = np.round(signal / sensors.quantum) * sensors.quantum
    if sensors.dropout_share:
        signal[_dropouts(rng, signal.size, sensors.dropout_share)] = rng.choice([0.0, np.nan])
    return np.asarray(signal, dtype=np.float64)


def _dropouts(rng: np.random.Generator, n: int, share: float) -> Flags:
    count = rng.poisson(share * n / 31.5)
    start = rng.integers(0, n, count)
    edges = np.zeros(n + 1)
    np.add.at(edges, start, 1)
    np.add.at(edges, np.minimum(start + rng.integers(3, 61, count), n), -1)
    return np.cumsum(edges)[:n] > 0


def flow_dependent(delay_s: float, feed_ratio: Array, exponent: float) -> Array | float:
    """Dead time that shortens as flow rises: ``delay_s`` x ratio ** -exponent, ratio kept in 0.3 to 2."""
    if not exponent:
        return delay_s
    return delay_s * np.clip(smeared(feed_ratio, 10.0), 0.3, 2.0) ** -exponent
