"""Effects of one machine-field under the season's noise, the noise's own uncertainty carried along."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chaffinch.pipelines.estimate.noise import Noise, Stretch, solve

Array = NDArray[np.float64]

# The drift of a field is the season's drift times a factor of its own; its log is tried at these values.
DRIFT_LOG_FACTORS = np.linspace(-2.4, 2.4, 7)
MIDDLE, STEP = 3, 0.8


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
    """Standard deviation over fields of the log factor of drift.

    deviances : (fields, 7) of ``drift_deviances``. By marginal likelihood under a weak prior around 0.5 (fields
    differ by a factor of two more often than not); to it comes how well the season as a whole knows its drift,
    which matters where the season is a field or two.
    """
    likelihood = np.exp(-0.5 * (deviances - deviances.min(axis=1, keepdims=True)))

    def log_marginal(spread: float) -> float:
        weight = np.exp(-0.5 * (DRIFT_LOG_FACTORS / spread) ** 2)
        return float(np.log(likelihood @ (weight / weight.sum())).sum())

    tried = np.array([0.15, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3])
    scores = [log_marginal(s) - 0.5 * (np.log(s / 0.5) / 0.5) ** 2 for s in tried]
    between = float(tried[int(np.argmax(scores))])
    below, at, above = deviances.sum(axis=0)[MIDDLE - 1 : MIDDLE + 2]
    bend = max((below + above - 2 * at) / (2 * STEP**2), 0.0) + 1.0
    return float(np.sqrt(between**2 + 1 / bend))
def fit_effects(stretch: Stretch, noise: Noise, drift_spread: float) -> Fit:
    """Generalised least squares averaged over what the field's own drift may be.

    The posterior of the drift factor (prior: normal around the season's with ``drift_spread``) weighs seven
    fits; the mixture's mean and variance are returned, and degrees of freedom from matching the kurtosis of a
    mixture of normals to that of a t distribution.
    """
    fits = [solve(stretch, noise.with_drift(np.exp(u))) for u in DRIFT_LOG_FACTORS]
    deviance = np.array([f.deviance for f in fits]) + (DRIFT_LOG_FACTORS / drift_spread) ** 2
    weight = np.exp(-0.5 * (deviance - deviance.min()))
    weight /= weight.sum()
    means = np.array([f.coefficients for f in fits])
    covariances = np.array([f.covariance for f in fits])
    mean = weight @ means
    apart = means - mean
    covariance = np.einsum("q,qij->ij", weight, covariances) + np.einsum("q,qi,qj->ij", weight, apart, apart)
    variances = np.diagonal(covariances, axis1=1, axis2=2) + apart**2
    excess = 3 * (weight @ variances**2 / np.maximum(np.diag(covariance) ** 2, 1e-300) - 1)
    return Fit(mean, covariance, 4 + 6 / np.maximum(excess, 1e-3))
