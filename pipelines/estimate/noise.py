"""The noise of a season: slow drift, minutes and seconds, by restricted maximum likelihood.

The log of a loss share wanders on every time scale. Its covariance is taken as a sum of exponential
correlations on a fixed ladder of scales, each a factor four slower than the one before, plus white noise.
A mixture of exponentials on such a ladder comes close to any covariance that only falls with time (a completely
monotone one), noise without a scale included, so no scale has to be guessed; the data choose the weights.
Exponential correlations are semiseparable: ``celerite2`` factors n readings in O(n) (Foreman-Mackey et al. 2017,
Astron. J. 154:220).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LADDER_S = np.array([20.0, 80.0, 320.0, 1280.0, 5120.0])
SLOW = LADDER_S >= 320.0


@dataclass(frozen=True, slots=True)
class Noise:
    """Variances of the log outcome: one per scale (shape (5,)), and of one second, white.

    shift : log factor by which the whole ladder of scales is moved, so that a scale that rules lies on a rung.
    """

    scale_variances: Array
    second_variance: float
    shift: float = 0.0

    @property
    def scales_s(self) -> Array:
        return LADDER_S * np.exp(self.shift)

    def with_drift(self, factor: float) -> Noise:
        """The same noise with the variances of the slow scales (320 s and more) times ``factor``."""
        return replace(
            self, scale_variances=np.where(SLOW, self.scale_variances * factor, self.scale_variances)
        )


@dataclass(frozen=True, slots=True)
class Stretch:
    """What one machine-field gives the likelihood.

    time_s : (n,) increasing. design : (n, p), full column rank. log_outcome : (n,). white : (n,) factors of
    ``second_variance`` (one over the seconds in a bin, times any robust inflation).
    """

    time_s: Array
    design: Array
    log_outcome: Array
    white: Array


@dataclass(frozen=True, slots=True)
class Whitened:
    """A factored covariance: ``whiten`` turns rows into independent ones of unit variance."""

    time_s: Array
    rates: Array
    left: Array
    right: Array
    diagonal: Array

    @property
    def log_determinant(self) -> float:
        return float(np.log(self.diagonal).sum())

    def whiten(self, columns: Array) -> Array:
        """L^-1 times ``columns`` (n, k), scaled to unit variance."""
        from celerite2 import driver

        out = np.array(columns, dtype=float, order="C", copy=True)
        driver.solve_lower(self.time_s, self.rates, self.left, self.right, out.copy(), out)
        out /= np.sqrt(self.diagonal)[:, None]
        return out


def factor(time_s: Array, noise: Noise, white: Array) -> Whitened:
    """Cholesky factor of the covariance at ``time_s`` in O(n)."""
    from celerite2 import driver

    used = noise.scale_variances > 1e-12
    variances = noise.scale_variances[used]
    if variances.size == 0:
        variances, used = np.array([1e-12]), np.arange(LADDER_S.size) == 0
    rates = 1.0 / noise.scales_s[used]
    n, j = time_s.size, variances.size
    left = np.tile(variances, (n, 1))
    right = np.ones((n, j))
    diagonal = variances.sum() + noise.second_variance * white
    diagonal, right = driver.factor(time_s, rates, diagonal, left, right.copy(), diagonal.copy(), right)
    return Whitened(time_s, rates, left, right, diagonal)


@dataclass(frozen=True, slots=True)
class Solved:
    """Generalised least squares: coefficients (p,), their covariance (p, p), -2 restricted log likelihood."""

    coefficients: Array
    covariance: Array
    deviance: float
    residuals: Array


def solve(stretch: Stretch, noise: Noise) -> Solved:
    """Generalised least squares of one stretch under ``noise``."""
    factored = factor(stretch.time_s, noise, stretch.white)
    both = factored.whiten(np.column_stack([stretch.design, stretch.log_outcome]))
    x, y = both[:, :-1], both[:, -1]
    gram = x.T @ x
    chol = np.linalg.cholesky(gram + np.eye(gram.shape[0]) * 1e-10 * np.trace(gram) / gram.shape[0])
    half = np.linalg.solve(chol, x.T @ y)
    inverse = np.linalg.inv(chol)
    coefficients = inverse.T @ half
    residuals = y - x @ coefficients
    deviance = factored.log_determinant + 2 * np.log(np.diag(chol)).sum() + residuals @ residuals
    return Solved(coefficients, inverse.T @ inverse, float(deviance), residuals)


# Where the data hardly speak (one short field), the variances lean towards these: a tenth of the log outcome's
# variance at every scale, a factor of e^2 either way being no surprise.
PRIOR_SPREAD = 2.0
SHIFT_SPREAD = 0.6


def fit_noise(stretches: Sequence[Stretch], start: Noise | None = None) -> Noise:
    """Noise shared by ``stretches``: the mode of the restricted likelihood under a weak prior.

    Raises ``ValueError`` for no stretches.
    """
    from scipy.optimize import minimize

    if not stretches:
        raise ValueError("no stretch of work to fit the noise to")
    centre = _centre(stretches)
    first = centre if start is None else _logs(start)
    found = minimize(
        _penalised,
        first,
        (stretches, centre),
        method="L-BFGS-B",
        bounds=[(-16, 6)] * (first.size - 1) + [(-1.0, 1.0)],
        options={"ftol": 1e-6, "maxiter": 60},
    )
    return _noise(found.x)


def _penalised(log_variances: Array, stretches: Sequence[Stretch], centre: Array) -> float:
    noise = _noise(log_variances)
    prior = (
        np.sum(((log_variances - centre)[:-1] / PRIOR_SPREAD) ** 2) + (log_variances[-1] / SHIFT_SPREAD) ** 2
    )
    return float(sum(solve(s, noise).deviance for s in stretches) + prior)


def _noise(log_variances: Array) -> Noise:
    return Noise(np.exp(log_variances[:-2]), float(np.exp(log_variances[-2])), float(log_variances[-1]))


def _logs(noise: Noise) -> Array:
    return np.r_[np.log(np.r_[noise.scale_variances, noise.second_variance] + 1e-7), noise.shift]


def _centre(stretches: Sequence[Stretch]) -> Array:
    """Where the prior lies: a tenth of the variance left by ordinary least squares at each scale."""
    spread = float(np.median([_fast_variance(s) for s in stretches]))
    return np.r_[np.log(np.r_[np.full(LADDER_S.size, spread), 10 * spread]), 0.0]


def _fast_variance(stretch: Stretch) -> float:
    fitted, *_ = np.linalg.lstsq(stretch.design, stretch.log_outcome, rcond=None)
    return float(np.var(stretch.log_outcome - stretch.design @ fitted)) / 10 + 1e-8
