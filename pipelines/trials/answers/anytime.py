"""A range that holds at every look, and whether to go on.

A 95 % range that is looked at every night excludes the truth on some night far more often than in one case of twenty.
The normal mixture gives ranges that hold on all nights together (Robbins 1970, Ann. Math. Statist. 41:1397-1409;
Howard et al. 2021, Ann. Statist. 49:1055-1080).

A plan promises its power for one look at its end. So looks before the end spend a small part of the error rate of
5 %, and the look at the end gets the rest (Haybittle 1971, Br. J. Radiol. 44:793-797; Peto et al. 1976, Br. J. Cancer
34:585-612).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

# Effects that trials are about, on the log scale: the mixture is narrowest for these. Common practice, no source.
USUAL_EFFECT = 0.2
LEVEL_MISSED = 0.05
# Share of it for the looks before the end of the plan (common practice, no source). Less at the end, since a look
# during the last step already counts as the end, and there may be another after it.
SPENT_EARLY = 0.3
# A plan that settles the question with a smaller probability than this is not worth going on with.
HOPELESS = 0.05

ENOUGH, GO_ON, WILL_NOT_SETTLE = "enough", "go on", "will not settle"


def anytime_reach(variance: float, missed: float = LEVEL_MISSED) -> float:
    """Half the width of the anytime-valid range of a normal estimate.

    sqrt(v (v + w^2) / w^2 (ln((v + w^2) / v) + 2 ln(1 / a))) with v the ``variance``, w ``USUAL_EFFECT``, a the
    share ``missed`` over all looks.
    """
    v, w2 = variance, USUAL_EFFECT**2
    return float(np.sqrt(v * (v + w2) / w2 * (np.log((v + w2) / v) + 2 * np.log(1 / missed))))


def reach_of_look(variance: float, over: bool, missed: float = LEVEL_MISSED) -> float:
    """Half the width of the range at one look; those of all looks, the one when the plan is ``over`` among them,
    miss with the probability ``missed`` together."""
    if over:
        return float(-ndtri((1 - SPENT_EARLY) * missed / 2) * np.sqrt(variance))
    return anytime_reach(variance, SPENT_EARLY * missed)


@dataclass(frozen=True, slots=True)
class Outlook:
    """state : enough, go on, or will not settle. switches_left : to settle it, as of now. chance : of settling
    it by the end of the plan."""

    state: str
    switches_left: int
    chance: float


def outlook(
    effect: float,
    variance: float,
    switches: int,
    remaining: int,
    tell_log: float,
    missed: float = LEVEL_MISSED,
    over: bool = False,
) -> Outlook:
    """Whether an estimate after this many ``switches`` makes the ``remaining`` ones of the plan worth driving.

    tell_log : smallest effect that matters, log scale, above zero. Settled is what is clear of zero, or clearly
    smaller than that. The variance falls as one over the number of switches. over : whether the whole plan was
    driven.
    """
    if is_settled(effect, variance, tell_log, missed, over):
        return Outlook(ENOUGH, 0, 1.0)
    if remaining <= 0:
        return Outlook(WILL_NOT_SETTLE, 0, 0.0)
    at_end = variance * switches / (switches + remaining)
    chance = _chance(effect, variance - at_end, reach_of_look(at_end, True, missed), tell_log)
    if chance < HOPELESS:
        return Outlook(WILL_NOT_SETTLE, remaining, chance)
    needed = next(
        (
            more
            for more in range(1, remaining + 1)
            if is_settled(
                effect, variance * switches / (switches + more), tell_log, missed, more == remaining
            )
        ),
        remaining,
    )
    return Outlook(GO_ON, needed, chance)


def is_settled(
    effect: float, variance: float, tell_log: float, missed: float = LEVEL_MISSED, over: bool = False
) -> bool:
    """Whether the range of this look is clear of zero, or inside what does not matter."""
    half = reach_of_look(variance, over, missed)
    return abs(effect) > half or abs(effect) + half < tell_log


def _chance(effect: float, variance: float, half: float, tell_log: float) -> float:
    """Probability that the estimate at the end is settled, when it is normal about the one of now."""
    sd = float(np.sqrt(variance))
    clear = ndtr((-half - effect) / sd) + ndtr((effect - half) / sd)
    inner = tell_log - half
    small = ndtr((inner - effect) / sd) - ndtr((-inner - effect) / sd) if inner > 0 else 0.0
    return float(min(1.0, clear + small))
