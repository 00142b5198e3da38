"""Unexplained variation of loss, on the log scale, over time or over the ground."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.simulate.scenario import LossNoise

SENSED_LOSSES = ("separation", "cleaning")
MANY_SCALES_S = 5.0 * 2.0 ** np.arange(13)
BURST_SPAN_S = (60, 300)


def first_order(inflow: Array, keep: float, start: float = 0.0) -> Array:
    """y[i] = keep * y[i - 1] + inflow[i], with ``start`` for the value before the first."""
    from scipy.signal import lfilter

    return np.asarray(lfilter([1.0], [1.0, -keep], inflow, zi=np.array([keep * start]))[0])


def exponential_drift(rng: np.random.Generator, n: int, scale_s: float) -> Array:
    """Stationary Gaussian series at 1 Hz: mean 0, variance 1, correlation exp(-lag / ``scale_s``)."""
    keep = float(np.exp(-1.0 / scale_s))
    shocks = np.sqrt(1 - keep**2) * rng.standard_normal(n)
    return first_order(shocks, keep, rng.standard_normal())


def _shared_pair(
    rng: np.random.Generator, n: int, scale_s: float | None, shared: float
) -> tuple[Array, Array]:
    draw = (
        (lambda: rng.standard_normal(n)) if scale_s is None else (lambda: exponential_drift(rng, n, scale_s))
    )
    common = np.sqrt(shared) * draw()
    own = np.sqrt(1.0 - shared)
    return common + own * draw(), common + own * draw()


def many_scales(rng: np.random.Generator, n: int) -> Array:
    """Close to 1/f from 5 s to 6 h: equal parts of 13 exponential correlations an octave apart."""
    drifts = sum(exponential_drift(rng, n, float(scale)) for scale in MANY_SCALES_S)
    return drifts / np.sqrt(MANY_SCALES_S.size)


def bursts(rng: np.random.Generator, n: int, per_hour: float, mean_log: float) -> Array:
    """Rises that begin at once and last 1 to 5 min: a wet patch, a clogged sieve that clears itself."""
    count = rng.poisson(per_hour * n / 3600.0)
    start = rng.integers(0, n, count)
    stop = np.minimum(start + rng.integers(BURST_SPAN_S[0], BURST_SPAN_S[1] + 1, count), n)
    height = rng.exponential(mean_log, count)
    steps = np.zeros(n + 1)
    np.add.at(steps, start, height)
    np.add.at(steps, stop, -height)
    return np.cumsum(steps)[:n]


def log_noise(
    rng: np.random.Generator, noise: LossNoise, n: int, ground: tuple[Array, Array]
) -> Mapping[str, Array]:
    """Noise of the log loss share by loss, each (n,) at 1 Hz. ``ground``: drift of variance 1."""
    pairs: list[tuple[float, tuple[Array, Array]]] = [
        (noise.fast_sd, _shared_pair(rng, n, noise.fast_scale_s, noise.shared)),
        (noise.slow_sd, _shared_pair(rng, n, noise.slow_scale_s, noise.shared)),
        (noise.white_sd, _shared_pair(rng, n, None, noise.shared)),
        (noise.ground_sd, ground),
    ]
    if noise.tail_sd:
        pairs.append((noise.tail_sd / np.sqrt(3.0), (rng.standard_t(3, n), rng.standard_t(3, n))))
    if noise.many_scales_sd:
        pairs.append((noise.many_scales_sd, (many_scales(rng, n), many_scales(rng, n))))
    if noise.bursts_per_hour:
        both = bursts(rng, n, noise.bursts_per_hour, noise.burst_log)
        pairs.append((1.0, (both, both)))
    total = {loss: np.zeros(n) for loss in SENSED_LOSSES}
    for sd, pair in pairs:
        for loss, series in zip(SENSED_LOSSES, pair, strict=True):
            total[loss] += sd * series
    return total
