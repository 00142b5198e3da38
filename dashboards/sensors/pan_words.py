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
    sizes = [f"{found} to within {percent:.0f}{NARROW}%" for percent, found in wanted if found is not None]
    few = (
        f"{ACROSS} on each side show an effect to within {effect_within_percent(ACROSS, error):.0f}{NARROW}%"
    )
    return [
        f"How many: one check is accurate to about {100 * math.expm1(error):.0f}{NARROW}% ({whose}). Without the "
        f"log, {', '.join([few, *reversed(sizes)])}. Together with the log, fewer are enough.",
        "Where: in steady work, away from headlands and turns, in crop that looks alike before and after. In rows "
        f"of {ACROSS} across the whole discharge, near both edges and in the middle; each row half a minute or more "
        "after the last.",
        f"When: the last just before the change, the first at least {WAIT_S / 60:.0f} minutes after it, so that the "
        f"crop inside has left; all within {WITHIN_S / 60:.0f} minutes of it, at the same speed. Write down the "
        "time of each.",
    ]
