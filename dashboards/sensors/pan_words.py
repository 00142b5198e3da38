"""How to weigh pans on both sides of a change, in sentences."""

from __future__ import annotations

import math

from chaffinch.dashboards.words.terms import NARROW
from chaffinch.pipelines.agronomy.paired_pans import ACROSS, WAIT_S, WITHIN_S, effect_within_percent, pans_for
from chaffinch.pipelines.estimate.results.gain_drift import CHECK_ERROR_LOG

WANTED_PERCENT = (20.0, 30.0)


def pan_sentences(check_error_log: float | None) -> list[str]:
    """How many pans, where and when. check_error_log : of one check, from the machine's own; None where unknown."""
    error = check_error_log or CHECK_ERROR_LOG
    whose = "by this machine's checks" if check_error_log else "usual"
    wanted = [(percent, pans_for(percent, error)) for percent in WANTED_PERCENT]
    sizes = [
        f"{found} tell it within {percent:.0f}{NARROW}%" for percent, found in wanted if found is not None
    ]
    few = f"{ACROSS} on each side tell an effect within {effect_within_percent(ACROSS, error):.0f}{NARROW}%"
    return [
        f"How many: one check is right within about {100 * math.expm1(error):.0f}{NARROW}% ({whose}), so that "
        f"{', '.join([few, *reversed(sizes)])}, by themselves; together with the log, fewer are enough.",
        "Where: in steady work, away from headlands and turns, in crop that looks alike before and after. In rows "
        f"of {ACROSS} across the whole discharge, near both edges and in the middle; each row half a minute or more "
        "after the last.",
        f"When: the last before the change and the first {WAIT_S / 60:.0f} minutes after it at the soonest, so that "
        f"the crop inside has left; all within {WITHIN_S / 60:.0f} minutes of it, at the same speed. Write down the "
        "time of each.",
    ]
