"""Whether a loss signal is proportional to the loss, by the loss checks of one machine alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.results.calibration import usable_pairs
from chaffinch.pipelines.estimate.results.gain_drift import CHECK_ERROR_LOG
from chaffinch.pipelines.estimate.signals.exponents import LOG_POWERS, log_likelihood

FEWEST_CHECKS = 3
# A power known within so much either way (95 %, log) tells a proportional signal from one that bends.
SETTLED_WITHIN = 0.25
# More checks than this are not worth naming.
MOST_ASKED_FOR = 200


@dataclass(frozen=True, slots=True)
class Linearity:
    """Log of the power of the signal with which loss goes, 0 for a proportional signal, with its standard error.

    check_error : of one check about that, log.
    """

    log_power: float
    error: float
    check_error: float

    @property
    def slope(self) -> float:
        """Of log loss on log signal; 1 is proportional."""
        return float(np.exp(self.log_power))

    @property
    def ends(self) -> tuple[float, float]:
        """The 95 % range of the slope."""
        low, high = (float(np.exp(self.log_power + way * REACH_95 * self.error)) for way in (-1, 1))
        return low, high

    def checks_to_settle(self, signal_low: float, signal_high: float) -> int | None:
        """Further checks after which the power is known within ``SETTLED_WITHIN``, half of them at each signal.

        None where the two signals lie too near to each other for any number worth naming.
        """
        wanted = (REACH_95 / SETTLED_WITHIN) ** 2 - 1 / self.error**2
        if wanted <= 0:
            return 0
        if not 0 < signal_low < signal_high:
            return None
        # Of the slope, whose error is that of its log times itself.
        spread = (np.log(signal_high / signal_low) / 2) ** 2
        count = int(np.ceil(wanted * (self.check_error / self.slope) ** 2 / spread))
        return count if count <= MOST_ASKED_FOR else None


def linearity(pairs: Array) -> Linearity | None:
    """From (n, 3): kg/s by a check, signal at its moment, the moment in s. None below three usable checks.

    The likelihood of ``exponents.log_likelihood``, every power between its ends as likely as another.
    """
    pairs = usable_pairs(pairs)
    if len(pairs) < FEWEST_CHECKS or np.ptp(np.log(pairs[:, 1])) < 1e-6:
        return None
    logs = log_likelihood(pairs)
    chance = np.exp(logs - logs.max())
    chance /= chance.sum()
    log_power = float(chance @ LOG_POWERS)
    error = float(np.sqrt(chance @ (LOG_POWERS - log_power) ** 2))
    rest = np.log(pairs[:, 0]) - np.exp(log_power) * np.log(pairs[:, 1])
    return Linearity(log_power, error, max(CHECK_ERROR_LOG, float(rest.std(ddof=2))))
