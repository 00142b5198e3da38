"""Effects of one machine-field under the season's noise, the noise's own uncertainty carried along."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chaffinch.pipelines.estimate.noise import Noise, NoisePosterior, Solved, Stretch, solve

Array = NDArray[np.float64]

# The drift of a field is the season's drift times a factor of its own; its log is tried at these values.
DRIFT_LOG_FACTORS = np.linspace(-2.4, 2.4, 7)


@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients (p,), their covariance (p, p) and degrees of freedom (p,) of the t-like reference."""

    coefficients: Array
    covariance: Array
    freedom: Array


def drift_deviances(stretch: Stretch, noise: Noise) -> Array:
    """-2 restricted log likelihood of one stretch at each of ``DRIFT_LOG_FACTORS``, shape (7,)."""
    return np.array([solve(stretch, noise.with_drift(np.exp(u))).deviance for u in DRIFT_LOG_FACTORS])


def fit_drift_spread(deviances: Array) -> float:
    """Standard deviation over fields of the log factor of drift, by marginal likelihood.

    deviances : (fields, 7) of ``drift_deviances``.
    """
    likelihood = np.exp(-0.5 * (deviances - deviances.min(axis=1, keepdims=True)))

    def log_marginal(spread: float) -> float:
        weight = np.exp(-0.5 * (DRIFT_LOG_FACTORS / spread) ** 2)
        return float(np.log(likelihood @ (weight / weight.sum())).sum())

    tried = np.array([0.15, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3])
    # Between fields, drift differs by a factor of two more often than not: a weak prior around 0.5.
    scores = [log_marginal(s) - 0.5 * (np.log(s / 0.5) / 0.5) ** 2 for s in tried]
    return float(tried[int(np.argmax(scores))])


def fit_effects(stretch: Stretch, noise: NoisePosterior, drift_spread: float) -> Fit:
    """Generalised least squares averaged over what the noise may be.

    Two things are not known: how much this field drifts against the season (seven factors, weighed by the
    field's own likelihood and a normal prior of ``drift_spread``), and the season's noise itself (draws of its
    posterior). The mixture's mean and variance are returned, and degrees of freedom that match the kurtosis of
    a mixture of normals to that of a t distribution.
    """
    own = [solve(stretch, noise.mode.with_drift(np.exp(u))) for u in DRIFT_LOG_FACTORS]
    deviance = np.array([f.deviance for f in own]) + (DRIFT_LOG_FACTORS / drift_spread) ** 2
    weight = np.exp(-0.5 * (deviance - deviance.min()))
    weight /= weight.sum()
    factor = float(np.exp(weight @ DRIFT_LOG_FACTORS))
    shared = [solve(stretch, draw.with_drift(factor)) for draw in noise.draws]
    mean, within, apart = _mixture(own, weight)
    _, within_shared, apart_shared = _mixture(shared, noise.weights)
    ratio = _diagonal_ratio(within, weight @ within), _diagonal_ratio(within_shared, noise.weights @ within_shared)
    typical = np.einsum("q,qij->ij", weight, np.array([f.covariance for f in own]))
    wider = np.sqrt(np.maximum(noise.weights @ within_shared, 1e-300) / np.maximum(np.diag(typical), 1e-300))
    wider = np.maximum(wider, 1.0)
    covariance = typical * np.outer(wider, wider) + apart + apart_shared
    excess = 3 * (weight @ ratio[0] ** 2 - 1 + noise.weights @ ratio[1] ** 2 - 1)
    return Fit(mean, covariance, 4 + 6 / np.maximum(excess, 1e-3))


def _mixture(fits: list[Solved], weight: Array) -> tuple[Array, Array, Array]:
    """Mean (p,), variances of each fit (q, p), and covariance between the fits' estimates (p, p)."""
    means = np.array([f.coefficients for f in fits])
    mean = weight @ means
    apart = means - mean
    within = np.array([np.diag(f.covariance) for f in fits])
    return mean, within, np.einsum("q,qi,qj->ij", weight, apart, apart)


def _diagonal_ratio(variances: Array, mean: Array) -> Array:
    return variances / np.maximum(mean, 1e-300)
