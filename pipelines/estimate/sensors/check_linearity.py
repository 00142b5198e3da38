"""Whether a loss signal goes in proportion to the loss: the slope of weighed loss on signal over loss checks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.results.gain_drift import (
    CHECK_ERROR_LOG,
    DAY_S,
    DRIFT_PRIOR,
    DRIFTS,
)

# Standard errors of one check that are weighed against each other, as factors of the least.
CHECK_ERRORS = CHECK_ERROR_LOG * np.array([1.0, 1.4, 2.0, 2.8, 4.0])
FEWEST_CHECKS = 3
# A slope known within so much either way (95 %) tells a proportional signal from one that bends.
SETTLED_WITHIN = 0.25
MOST_CHECKS = 200


@dataclass(frozen=True, slots=True)
class Linearity:
    """Slope of log loss on log signal with its standard error; 1 is proportional. check_error : of one check, log."""

    slope: float
    error: float
    check_error: float

    @property
    def ends(self) -> tuple[float, float]:
        """The 95 % range."""
        return self.slope - REACH_95 * self.error, self.slope + REACH_95 * self.error

    def checks_to_settle(self, signal_low: float, signal_high: float) -> int | None:
        """Further checks after which the slope is known within ``SETTLED_WITHIN``, half of them at each signal.

        None where the two signals lie too near to each other for any number worth naming.
        """
        wanted = (REACH_95 / SETTLED_WITHIN) ** 2 - 1 / self.error**2
        if wanted <= 0:
            return 0
        if not 0 < signal_low < signal_high:
            return None
        spread = (np.log(signal_high / signal_low) / 2) ** 2
        count = int(np.ceil(wanted * self.check_error**2 / spread))
        return count if count <= MOST_CHECKS else None


def linearity(pairs: Array) -> Linearity | None:
    """From (n, 3): kg/s by a check, signal at its moment, the moment in s. None below three usable checks.

    Generalised least squares of log loss on log signal, where the log gain drifts as a random walk and each check has
    an error of its own; both are averaged over by their restricted likelihood (Patterson and Thompson 1971,
    Biometrika 58:545-554), drifts with the prior of ``gain_drift``, errors all alike.
    """
    pairs = pairs[np.isfinite(pairs).all(axis=1) & (pairs[:, :2] > 0).all(axis=1)]
    if len(pairs) < FEWEST_CHECKS or np.ptp(np.log(pairs[:, 1])) < 1e-6:
        return None
    days = (pairs[:, 2] - pairs[:, 2].min()) / DAY_S
    x = np.column_stack([np.ones(len(pairs)), np.log(pairs[:, 1])])
    y = np.log(pairs[:, 0])
    walked = np.minimum(days[:, None], days[None, :])
    means, variances, scores, errors = [], [], [], []
    for drift, prior in zip(DRIFTS, DRIFT_PRIOR, strict=True):
        for error in CHECK_ERRORS:
            root = np.linalg.cholesky(error**2 * np.eye(len(pairs)) + drift**2 * walked)
            white_x, white_y = np.linalg.solve(root, x), np.linalg.solve(root, y)
            information = white_x.T @ white_x
            fitted = np.linalg.solve(information, white_x.T @ white_y)
            rest = white_y - white_x @ fitted
            deviance = 2 * np.log(np.diag(root)).sum() + np.linalg.slogdet(information)[1] + rest @ rest
            means.append(fitted[1])
            variances.append(np.linalg.inv(information)[1, 1])
            scores.append(np.log(prior) - 0.5 * deviance)
            errors.append(error)
    weights = np.exp(np.array(scores) - max(scores))
    weights /= weights.sum()
    middle = float(weights @ np.array(means))
    variance = float(weights @ (np.array(variances) + (np.array(means) - middle) ** 2))
    return Linearity(middle, variance**0.5, float(weights @ np.array(errors)))
