"""How many pans before and after a change of a setting show by themselves what it did to the loss, where and when.

With n pans on each side and a standard error s of the log of one, the log of the ratio has the error s sqrt(2 / n)
(two independent means; Snedecor and Cochran 1989, Statistical Methods, 8th ed., ch. 6; from memory).
"""

from __future__ import annotations

import math

from chaffinch.pipelines.agronomy.exact import REACH_95

# What was in the machine has left and an actuator has stopped after so long; crop is alike for about so long. Both:
# common practice, no source.
WAIT_S = 120.0
WITHIN_S = 900.0
# Across the discharge: both edges and the middle (common practice, no source).
ACROSS = 3
MOST_PANS = 60


def effect_within_percent(pans_each_side: int, pan_error_log: float) -> float:
    """Half of the 95 % range of an effect by pans alone, in % of the loss upwards.

    pan_error_log : standard error of the log of one pan's loss.
    """
    return 100 * math.expm1(REACH_95 * pan_error_log * math.sqrt(2 / pans_each_side))


def pans_for(wanted_percent: float, pan_error_log: float) -> int | None:
    """Least number of pans on each side, in whole rows across the discharge, for so precise an effect.

    wanted_percent : half of its 95 % range. None where more than ``MOST_PANS`` a side would be needed.
    """
    least = 2 * (REACH_95 * pan_error_log / math.log1p(wanted_percent / 100)) ** 2
    pans = ACROSS * max(math.ceil(least / ACROSS - 1e-9), 1)
    return pans if pans <= MOST_PANS else None
