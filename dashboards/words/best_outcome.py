"""The loss at the best value tried as an outcome, like those of changes."""

from __future__ import annotations

import math

from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.dashboards.words.shown_units import Ends
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.estimate.responses.best_value import BestValue


def outcome_of_best(best: BestValue) -> Outcome:
    """The loss at the best value over that at the value in use, as an outcome."""
    from scipy.special import ndtr

    ends = best.log_ratio, best.log_ratio_low, best.log_ratio_high
    half = (best.log_ratio_high - best.log_ratio_low) / 2
    chance = float(ndtr(-REACH_95 * best.log_ratio / half)) if half > 0 else 0.5
    verdict = "less" if best.log_ratio_high < 0 else "more" if best.log_ratio_low > 0 else "no clear change"
    log_ratio, log_low, log_high = ends
    percent, low, high = (100 * math.expm1(end) for end in ends)
    return Outcome(
        best.outcome,
        verdict,
        percent,
        low,
        high,
        log_ratio,
        log_low,
        log_high,
        None,
        (),
        _whole(best.absolute, best.absolute_low, best.absolute_high),
        chance_less=chance,
    )


def _whole(*ends: float | None) -> Ends | None:
    middle, low, high = ends
    return None if middle is None or low is None or high is None else (middle, low, high)
