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
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SCALES_S = np.array([20.0, 80.0, 320.0, 1280.0, 5120.0])
SLOW = SCALES_S >= 320.0


@dataclass(frozen=True, slots=True)
class Noise:
    """Variances of the log outcome: one per scale of ``SCALES_S`` (shape (5,)), and of one second, white."""

    scale_variances: Array
    second_variance: float

    def with_drift(self, factor: float) -> Noise:
        """The same noise with the variances of the slow scales (320 s and more) times ``factor``."""
        return Noise(
            np.where(SLOW, self.scale_variances * factor, self.scale_variances), self.second_variance
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
        variances, used = np.array([1e-12]), np.arange(SCALES_S.size) == 0
    rates = 1.0 / SCALES_S[used]
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
DRAWS = 16


@dataclass(frozen=True, slots=True)
class NoisePosterior:
    """What the season says of its noise: the mode, and weighted draws that tell how well it is known."""

    mode: Noise
    draws: tuple[Noise, ...]
    weights: Array


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
        bounds=[(-16, 6)] * first.size,
        options={"ftol": 1e-6, "maxiter": 60},
    )
    return _noise(found.x)


def noise_posterior(stretches: Sequence[Stretch], mode: Noise) -> NoisePosterior:
    """Draws from the posterior of the noise around its ``mode``.

    Quasi-random draws from a normal with the curvature at the mode (slightly widened), weighed by the true
    posterior. The season's slow variances rest on few independent half-hours, and ranges that take them for
    known are too narrow.
    """
    from scipy.stats import norm, qmc

    centre, at = _centre(stretches), _logs(mode)
    least = _penalised(at, stretches, centre)
    spread = np.linalg.cholesky(np.linalg.inv(_half_curvature(at, least, stretches, centre)))
    unit = norm.ppf(qmc.Sobol(at.size, seed=20).random(DRAWS)) * 1.1
    draws = np.clip(at + unit @ spread.T, -16, 6)
    deviance = np.array([_penalised(d, stretches, centre) for d in draws])
    log_weight = -0.5 * (deviance - least) + 0.5 * np.sum((unit / 1.1) ** 2, axis=1)
    weight = np.exp(np.clip(log_weight - np.median(log_weight), -3, 3))
    return NoisePosterior(mode, tuple(_noise(d) for d in draws), weight / weight.sum())


def _penalised(log_variances: Array, stretches: Sequence[Stretch], centre: Array) -> float:
    noise = _noise(log_variances)
    prior = np.sum(((log_variances - centre) / PRIOR_SPREAD) ** 2)
    return float(sum(solve(s, noise).deviance for s in stretches) + prior)


def _half_curvature(at: Array, least: float, stretches: Sequence[Stretch], centre: Array) -> Array:
    """Half the second differences of the penalised deviance: the inverse covariance, made positive definite."""
    size, h = at.size, 0.5
    step = np.eye(size) * h
    one = np.array([[_penalised(at + s * step[i], stretches, centre) for s in (1, -1)] for i in range(size)])
    curvature = np.diag((one.sum(axis=1) - 2 * least) / h**2)
    for i in range(size):
        for j in range(i):
            both = _penalised(at + step[i] + step[j], stretches, centre)
            curvature[i, j] = curvature[j, i] = (both - one[i, 0] - one[j, 0] + least) / h**2
    values, vectors = np.linalg.eigh(curvature / 2)
    # The prior alone bends the deviance by this much; less can only be a step across a bound.
    return (vectors * np.maximum(values, 1 / PRIOR_SPREAD**2)) @ vectors.T


def _noise(log_variances: Array) -> Noise:
    return Noise(np.exp(log_variances[:-1]), float(np.exp(log_variances[-1])))


def _logs(noise: Noise) -> Array:
    return np.log(np.r_[noise.scale_variances, noise.second_variance] + 1e-7)


def _centre(stretches: Sequence[Stretch]) -> Array:
    """Where the prior lies: a tenth of the variance left by ordinary least squares at each scale."""
    spread = float(np.median([_fast_variance(s) for s in stretches]))
    return np.log(np.r_[np.full(SCALES_S.size, spread), 10 * spread])


def _fast_variance(stretch: Stretch) -> float:
    fitted, *_ = np.linalg.lstsq(stretch.design, stretch.log_outcome, rcond=None)
    return float(np.var(stretch.log_outcome - stretch.design @ fitted)) / 10 + 1e-8
