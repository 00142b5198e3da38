"""What a loss signal weighs at any moment of a season, from loss checks at some moments of it.

Sensors wear, are cleaned, meet another sample of the same crop: the log of their gain wanders. It is taken as a
random walk seen through checks with errors of their own, and foretold between and beyond them by its best
linear unbiased prediction (Robinson 1991, Statistical Science 6:15-32).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DAY_S = 86_400.0
# One pan tells the loss within about a fifth: where it lay across the swath, what was cleaned out, how the
# seconds of the pan match those of the log. Common practice, no source.
CHECK_ERROR_LOG = 0.2
WORST_CHECK_ERROR_LOG = 3.0
# Drift of the log gain per square root of a day; a few percent are usual (common practice, no source): beforehand an
# exponential distribution of that mean, of which each drift stands for as much as lies nearer to it than to others.
DRIFTS = np.array([0.0, 0.01, 0.02, 0.04, 0.08, 0.16])
USUAL_DRIFT = 0.03
_ENDS = np.concatenate([[0.0], (DRIFTS[1:] + DRIFTS[:-1]) / 2, [np.inf]])
BEFOREHAND = np.exp(-_ENDS[:-1] / USUAL_DRIFT) - np.exp(-_ENDS[1:] / USUAL_DRIFT)


@dataclass(frozen=True, slots=True)
class GainCourse:
    """Log gains seen by n checks, and what they say of their own errors and of the drift.

    days : (n,) moments. logs : (n,). check_errors : (6,) standard error of a check under each of ``DRIFTS``.
    weights : (6,) how much the checks and what is usual speak for each of them, summing to one.
    """

    days: Array
    logs: Array
    check_errors: Array
    weights: Array

    def at(self, time_s: float) -> tuple[float, float]:
        """Log gain at a moment and its standard error, averaged over what the drift may be."""
        told = [
            _foretold(self.days, self.logs, time_s / DAY_S, error, drift)
            for error, drift in zip(self.check_errors, DRIFTS, strict=True)
        ]
        means, variances = np.array(told).T
        mean = float(self.weights @ means)
        return mean, float(np.sqrt(self.weights @ (variances + (means - mean) ** 2)))


def gain_course(time_s: Array, logs: Array) -> GainCourse:
    """Course of a log gain seen at ``time_s`` (n,) as ``logs`` (n,), n at least one.

    A check is never taken to be better than ``CHECK_ERROR_LOG``; that several agree may be luck.
    """
    days = time_s / DAY_S
    errors = [_check_error(days, logs, drift) for drift in DRIFTS]
    scores = [
        -0.5 * _deviance(days, logs, error, drift) + np.log(believed)
        for error, drift, believed in zip(errors, DRIFTS, BEFOREHAND, strict=True)
    ]
    weights = np.exp(np.array(scores) - max(scores))
    return GainCourse(days, logs, np.array(errors), weights / weights.sum())


def _check_error(days: Array, logs: Array, drift: float) -> float:
    """Likeliest standard error of a check under a drift; one or two checks tell nothing of it."""
    from scipy.optimize import minimize_scalar

    if days.size < 3:
        return CHECK_ERROR_LOG
    found = minimize_scalar(
        lambda log_error: _deviance(days, logs, float(np.exp(log_error)), drift),
        bounds=(np.log(CHECK_ERROR_LOG), np.log(WORST_CHECK_ERROR_LOG)),
        method="bounded",
        options={"xatol": 1e-6},
    )
    # The search never quite reaches the ends.
    ends = (CHECK_ERROR_LOG, float(np.exp(found.x)))
    return min(ends, key=lambda error: _deviance(days, logs, error, drift))


def _walk(days: Array, drift: float) -> Array:
    """Covariance of a random walk at ``days``, from the first of them on."""
    since = days - days.min()
    return drift**2 * np.minimum(since[:, None], since[None, :])


def _deviance(days: Array, logs: Array, error: float, drift: float) -> float:
    """-2 restricted log likelihood, the gain's level unknown."""
    covariance = _walk(days, drift) + error**2 * np.eye(days.size)
    inverse = np.linalg.inv(covariance)
    level = float(inverse.sum(axis=0) @ logs / inverse.sum())
    rest = logs - level
    return float(np.linalg.slogdet(covariance)[1] + np.log(inverse.sum()) + rest @ inverse @ rest)


def _foretold(days: Array, logs: Array, day: float, error: float, drift: float) -> tuple[float, float]:
    """Prediction of the log gain at ``day`` and its variance."""
    walk = _walk(np.append(days, day), drift)
    inverse = np.linalg.inv(walk[:-1, :-1] + error**2 * np.eye(days.size))
    shared = walk[:-1, -1]
    level = float(inverse.sum(axis=0) @ logs / inverse.sum())
    mean = level + float(shared @ inverse @ (logs - level))
    missing = 1.0 - float(shared @ inverse.sum(axis=1))
    variance = float(walk[-1, -1] - shared @ inverse @ shared) + missing**2 / float(inverse.sum())
    return mean, variance
