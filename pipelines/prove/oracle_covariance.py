"""Covariance of bin means as a scenario states it, factored: in O(n) over time, in O(n^3) where ground joins in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.model.bin_means import bin_means
from chaffinch.pipelines.estimate.model.covariance import Whitened
from chaffinch.pipelines.simulate import LossNoise
from chaffinch.pipelines.simulate.loss_noise import BURST_SPAN_S, MANY_SCALES_S

VarianceOverScale = tuple[float, float]
"""A variance and the scale, s or m, over which its correlation falls to 1/e."""


class Factored(Protocol):
    """A covariance that can whiten columns."""

    @property
    def log_determinant(self) -> float: ...

    def whiten(self, columns: Array) -> Array:
        """``columns`` (n, k) made independent, each of variance one."""
        ...


@dataclass(frozen=True, slots=True)
class Dense:
    """A covariance matrix by its lower Cholesky factor, (n, n)."""

    root: Array

    @property
    def log_determinant(self) -> float:
        return 2 * float(np.log(np.diag(self.root)).sum())

    def whiten(self, columns: Array) -> Array:
        from scipy.linalg import solve_triangular

        solved: Array = solve_triangular(self.root, columns, lower=True, check_finite=False)
        return solved


def time_scales(noise: LossNoise) -> list[VarianceOverScale]:
    """Exponential correlations over time of the log loss, but for what is white."""
    many = [(noise.many_scales_sd**2 / MANY_SCALES_S.size, float(s)) for s in MANY_SCALES_S]
    stated = [(noise.fast_sd**2, noise.fast_scale_s), (noise.slow_sd**2, noise.slow_scale_s), *many]
    return [(variance, scale) for variance, scale in stated if variance > 0]


def binned_covariance(
    time_s: Array, seconds: Array, scales: Sequence[VarianceOverScale], second_variance: float
) -> Whitened:
    """Factored covariance of bin means of exponential correlations over time plus white noise, in O(n).

    time_s : (n,) middles of bins. seconds : (n,) their lengths. second_variance : of one second, white.
    """
    from celerite2 import driver

    variances, scales_s = np.array(scales).T
    means, rate = bin_means(seconds, scales_s), 1 / scales_s
    diagonal = means.own @ variances + second_variance / seconds
    left, right = variances * means.between, means.between.copy()
    diagonal, right = driver.factor(time_s, rate, diagonal, left, right, diagonal.copy(), right.copy())
    return Whitened(time_s, rate, left, right, diagonal)


def dense_covariance(
    time_s: Array,
    places_m: Array,
    seconds: Array,
    noise: LossNoise,
    bound_to_ground: Sequence[VarianceOverScale],
    more_over_time: Sequence[VarianceOverScale] = (),
) -> Array:
    """Covariance of bin means of all that a scenario states but what is white, (n, n).

    places_m : (n, 2). bound_to_ground : correlations exp(-distance / scale), the bins taken as points, as they are
    for bursts. more_over_time : correlations over time added to those of ``noise``. Bursts last from a to b seconds,
    evenly spread, and rise at once: shot noise, whose covariance is rate x E(height^2) x E(what a burst's length
    exceeds the lag by) (Campbell's theorem, from memory), with E(height^2) twice the squared mean of an exponential
    height.
    """
    lag = np.abs(time_s[:, None] - time_s[None, :])
    whole = np.zeros_like(lag)
    scales = [*time_scales(noise), *more_over_time]
    if scales:
        variances, scales_s = np.array(scales).T
        means = bin_means(seconds, scales_s)
        for variance, scale, between in zip(variances, scales_s, means.between.T, strict=True):
            whole += variance * np.outer(between, between) * np.exp(-lag / scale)
        np.fill_diagonal(whole, means.own @ variances)
    if bound_to_ground:
        apart = np.hypot(*(x[:, None] - x[None, :] for x in places_m.T))
        for variance, length in bound_to_ground:
            whole += variance * np.exp(-apart / length)
    if noise.bursts_per_hour:
        shortest, longest = BURST_SPAN_S
        beyond = np.clip(longest - np.maximum(lag, shortest), 0, None)
        exceeds = beyond**2 / (2 * (longest - shortest)) + np.clip(shortest - lag, 0, None)
        whole += noise.bursts_per_hour / 3600 * 2 * noise.burst_log**2 * exceeds
    return whole
