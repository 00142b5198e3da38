"""What a unit of loss signal weighs at any moment of a season, from loss checks at some moments of it.

Sensors wear, are cleaned, meet another sample of the same crop: the log of their gain drifts. It is modelled as a
local level (a random walk seen through checks with errors of their own; Harvey 1989, Forecasting, Structural Time
Series Models and the Kalman Filter, section 3.2) whose start is unknown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array

DAY_S = 86_400.0
# One pan measures the loss within about a fifth: where it lay across the swath, what was cleaned out, how the
# seconds of the pan match those of the log. Common practice, no source.
CHECK_ERROR_LOG = 0.2
WORST_CHECK_ERROR_LOG = 3.0
# Drift of the log gain per square root of a day; a few percent are usual (common practice, no source): the prior is
# exponential with that mean, and each drift stands for all that lies nearer to it than to others.
DRIFTS = np.array([0.0, 0.01, 0.02, 0.04, 0.08, 0.16])
USUAL_DRIFT = 0.03
_ENDS = np.concatenate([[0.0], (DRIFTS[1:] + DRIFTS[:-1]) / 2, [np.inf]])
DRIFT_PRIOR = np.exp(-_ENDS[:-1] / USUAL_DRIFT) - np.exp(-_ENDS[1:] / USUAL_DRIFT)


@dataclass(frozen=True, slots=True)
class _Level:
    """The level at each of n checks, from it and the earlier ones: mean (n,) and variance (n,). deviance : -2
    restricted log likelihood."""

    means: Array
    variances: Array
    deviance: float


def _filtered(days: Array, logs: Array, error: float, drift: float) -> _Level:
    """Kalman filter of a local level with a diffuse start. days : (n,) in order, or in reverse order."""
    mean, variance, deviance = float(logs[0]), error**2, 0.0
    means, variances = [mean], [variance]
    for gap, log in zip(np.abs(np.diff(days)).tolist(), logs[1:].tolist(), strict=True):
        predicted = variance + drift**2 * gap
        total, surprise = predicted + error**2, log - mean
        deviance += float(np.log(total)) + surprise**2 / total
        mean += predicted / total * surprise
        variance = predicted * error**2 / total
        means.append(mean)
        variances.append(variance)
    return _Level(np.array(means), np.array(variances), deviance)


@dataclass(frozen=True, slots=True)
class _Course:
    """The gain under one drift. since, until : the level from the checks up to each, and from each onwards."""

    days: Array
    drift: float
    since: _Level
    until: _Level

    @classmethod
    def of(cls, days: Array, logs: Array, error: float, drift: float) -> _Course:
        back = _filtered(days[::-1], logs[::-1], error, drift)
        until = _Level(back.means[::-1], back.variances[::-1], back.deviance)
        return cls(days, drift, _filtered(days, logs, error, drift), until)

    def at(self, day: float) -> tuple[float, float]:
        """Log gain at ``day`` and its variance: both sides' predictions, each weighted by its precision."""
        after = int(np.searchsorted(self.days, day, side="right"))
        precision, weighted = 0.0, 0.0
        for level, i in ((self.since, after - 1), (self.until, after)):
            if 0 <= i < self.days.size:
                one = 1 / (level.variances[i] + self.drift**2 * abs(day - self.days[i]))
                precision, weighted = precision + one, weighted + one * level.means[i]
        return float(weighted / precision), float(1 / precision)


@dataclass(frozen=True, slots=True)
class GainCourse:
    """What checks say of a log gain. courses : one for each of ``DRIFTS``. weights : posterior of each, sum one."""

    courses: tuple[_Course, ...]
    weights: Array

    def at(self, time_s: float) -> tuple[float, float]:
        """Log gain at a moment and its standard error, averaged over the drift. Its cost does not grow with n."""
        means, variances = np.array([course.at(time_s / DAY_S) for course in self.courses]).T
        mean = float(self.weights @ means)
        return mean, float(np.sqrt(self.weights @ (variances + (means - mean) ** 2)))


def gain_course(time_s: Array, logs: Array) -> GainCourse:
    """Course of a log gain seen at ``time_s`` (n,) as ``logs`` (n,), n at least one.

    A check is never assumed to be better than ``CHECK_ERROR_LOG``; that several agree may be luck.
    """
    order = np.argsort(time_s, kind="stable")
    days, logs = time_s[order] / DAY_S, logs[order]
    courses = tuple(_Course.of(days, logs, _check_error(days, logs, drift), drift) for drift in DRIFTS)
    scores = np.log(DRIFT_PRIOR) - 0.5 * np.array([course.since.deviance for course in courses])
    weights = np.exp(scores - scores.max())
    return GainCourse(courses, weights / weights.sum())


def _check_error(days: Array, logs: Array, drift: float) -> float:
    """Most likely standard error of a check under a drift; one or two checks cannot show it."""
    from scipy.optimize import minimize_scalar

    if days.size < 3:
        return CHECK_ERROR_LOG

    def deviance(error: float) -> float:
        return _filtered(days, logs, error, drift).deviance

    found = minimize_scalar(
        lambda log_error: deviance(float(np.exp(log_error))),
        bounds=(np.log(CHECK_ERROR_LOG), np.log(WORST_CHECK_ERROR_LOG)),
        method="bounded",
        options={"xatol": 1e-6},
    )
    # The search never quite reaches the ends.
    return min((CHECK_ERROR_LOG, float(np.exp(found.x))), key=deviance)
