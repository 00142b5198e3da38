"""Effects of one field job under the season's noise, the field's own drift averaged over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.model.covariance import Observations
from chaffinch.pipelines.estimate.model.likelihood import solve
from chaffinch.pipelines.estimate.model.noise import SLOW, Noise

# Log factors of the season's drift at which the likelihood of a field is known, and finer ones between them.
DRIFT_LOG_FACTORS = np.linspace(-3.2, 3.2, 7)
FINE = np.linspace(-3.2, 3.2, 129)
# Fields differ in drift by a factor that is more often near one than far from it.
SPREADS = np.array([0.05, 0.15, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3])
USUAL_SPREAD = 0.4


@dataclass(frozen=True, slots=True)
class DriftPrior:
    """Normal prior of a field's log factor of drift against the season's noise."""

    centre: float
    spread: float


@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients (p,), their covariance (p, p) and degrees of freedom (p,) of the t-like reference."""

    coefficients: Array
    covariance: Array
    freedom: Array


def of_field_alone(freedom: float, of_season: float) -> float:
    """Degrees of freedom of a ``Fit`` by the field's own drift, those of the season taken out again."""
    return 1 / max(1 / freedom - 1 / of_season, 1e-4)


def drift_deviances(observed: Observations, noise: Noise) -> Array:
    """-2 restricted log likelihood of one observed at each of ``DRIFT_LOG_FACTORS``, shape (7,)."""
    return np.array([solve(observed, noise.with_drift(np.exp(u))).deviance for u in DRIFT_LOG_FACTORS])


def fit_drift_prior(deviances: Array) -> DriftPrior:
    """How the drift of fields lies about the season's, by marginal likelihood.

    deviances : (fields, 7) of ``drift_deviances``. A field's likelihood falls off slowly towards no drift and
    fast towards much; the centre is therefore fitted along with the spread, else single fields would be drawn
    towards too little drift. To the spread comes how well the season as a whole knows the centre, which
    matters where the season is a field or two.
    """
    from scipy.interpolate import CubicSpline

    fine = CubicSpline(DRIFT_LOG_FACTORS, deviances, axis=1)(FINE)
    likelihood = np.exp(-0.5 * (fine - fine.min(axis=1, keepdims=True)))
    centres = np.linspace(-1.0, 1.0, 41)
    apart = (FINE[None, None, :] - centres[:, None, None]) / SPREADS[None, :, None]
    weight = np.exp(-0.5 * apart**2)
    weight /= weight.sum(axis=2, keepdims=True)
    marginal = np.log(np.einsum("csu,fu->csf", weight, likelihood) + 1e-300).sum(axis=2)
    score = marginal - 0.5 * centres[:, None] ** 2 - SPREADS[None, :] / USUAL_SPREAD
    c, s = np.unravel_index(int(np.argmax(score)), score.shape)
    over_centres = np.exp(score[:, s] - score[c, s])
    over_centres /= over_centres.sum()
    mean = float(over_centres @ centres)
    unknown = float(over_centres @ (centres - mean) ** 2)
    return DriftPrior(mean, float(np.sqrt(SPREADS[s] ** 2 + unknown)))


def season_freedom(all_observed: Sequence[Observations], noise: Noise) -> float:
    """Degrees of freedom with which a season knows the size of its slow noise.

    A series of correlation exp(-lag / s) over a time T tells its variance like T / 2s independent values, so
    many squares (Bartlett 1946, J. R. Statist. Soc. Suppl. 8:27-41, first order); s is the first slow rung's.
    """
    span_s = sum(float(s.time_s[-1] - s.time_s[0]) for s in all_observed)
    return max(span_s / (2 * float(noise.scales_s[SLOW][0])), 3.0)


def fit_effects(
    observed: Observations, noise: Noise, drift: DriftPrior, of_season: float = float("inf")
) -> Fit:
    """Generalised least squares averaged over what the field's own drift may be.

    Five fits at the nodes of a Gauss-Hermite rule for the prior are weighed by the field's own likelihood; the
    mixture's mean and variance are returned, and degrees of freedom from matching the kurtosis of a mixture of
    normals to that of a t distribution. of_season : degrees of freedom of ``season_freedom``, which add their
    own uncertainty.
    """
    nodes, weight = np.polynomial.hermite_e.hermegauss(5)
    fits = [solve(observed, noise.with_drift(np.exp(drift.centre + drift.spread * u))) for u in nodes]
    deviance = np.array([f.deviance for f in fits])
    weight = weight * np.exp(-0.5 * (deviance - deviance.min()))
    weight /= weight.sum()
    means = np.array([f.coefficients for f in fits])
    covariances = np.array([f.covariance for f in fits])
    mean = weight @ means
    apart = means - mean
    covariance = np.einsum("q,qij->ij", weight, covariances) + np.einsum("q,qi,qj->ij", weight, apart, apart)
    variances = np.diagonal(covariances, axis1=1, axis2=2) + apart**2
    excess = 3 * (weight @ variances**2 / np.maximum(np.diag(covariance) ** 2, 1e-300) - 1)
    of_field = 4 + 6 / np.maximum(excess, 1e-3)
    return Fit(mean, covariance, 1 / (1 / of_field + 1 / of_season))
