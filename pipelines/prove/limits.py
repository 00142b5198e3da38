"""What the estimator is held to: how often ranges hold, and how rarely it calls an effect where there is none."""

from __future__ import annotations

from collections.abc import Iterator

from chaffinch.pipelines.prove.scoring import Score, percent
from chaffinch.pipelines.prove.trial import ADJUSTMENT, OURS
from chaffinch.pipelines.prove.window_peers import RANGE_LEVEL
from chaffinch.pipelines.simulate import SCENARIOS

HELD_COVERAGE = (0.91, 0.98)
HELD_FALSE = 0.05
# Where logs can't show an effect, nine of ten changes are refused.
MOST_ANSWERED = 0.1
# Answers that share evidence call at most one in fifty where there is no effect.
USUAL_FALSE = 0.02
# With fewer effects than this, chance alone passes the limits above: 0.95 - 3.29 sqrt(0.95 x 0.05 / 300) =
# 0.909 is where ranges that hold exactly 95 % end in all but one case in a thousand.
MANY_EFFECTS = 300
CHANCE = 0.001


def coverage_limits(effects: int) -> tuple[float, float]:
    """Between which shares the coverage of ``effects`` effects counts as held.

    0.91 and 0.98; for fewer than 300 effects what chance gives ranges that hold exactly 95 % in all but one
    case in a thousand, where that is wider.
    """
    from scipy.stats import binom

    if effects == 0:
        return 0.0, 1.0
    if effects >= MANY_EFFECTS:
        return HELD_COVERAGE
    low, high = (float(binom.ppf(q, effects, RANGE_LEVEL)) / effects for q in (CHANCE / 2, 1 - CHANCE / 2))
    return min(HELD_COVERAGE[0], low), max(HELD_COVERAGE[1], high)


def false_limit(without_effect: int) -> float:
    """Greatest share of `less` and `more` among effects of nothing that counts as held.

    0.05; for fewer than 300 such effects chance's, where that is more.
    """
    from scipy.stats import binom

    if without_effect == 0:
        return 1.0
    if without_effect >= MANY_EFFECTS:
        return HELD_FALSE
    by_chance = float(binom.ppf(1 - CHANCE / 2, without_effect, USUAL_FALSE)) / without_effect
    return max(HELD_FALSE, by_chance)


def failings(scores: list[Score]) -> Iterator[str]:
    """A sentence for each limit that the estimator failed, whatever the scope; none for the peers."""
    for one in scores:
        if one["method"] != OURS:
            continue
        n, scope = one["answered"], one.get("scope", ADJUSTMENT)
        name = one["scenario"] if scope == ADJUSTMENT else f"{one['scenario']}, {scope}"
        low, high = coverage_limits(n)
        if not SCENARIOS[one["scenario"]].answerable:
            if scope == ADJUSTMENT and one["share_answered"] > MOST_ANSWERED:
                yield f"{name}: {percent(one['share_answered'])} answered of what its logs can't show."
            continue
        if n == 0:
            yield f"{name}: no effect was estimated, so nothing is shown."
        # Where sharing narrows ranges, holding more than 95 % is no fault. Wider rows are never compared.
        narrower = one["width_to_alone"] is None or one["width_to_alone"] < 1
        if n and not low <= one["coverage"] <= (1.0 if narrower else high):
            yield (
                f"{name}: {percent(one['coverage'])} of {n} ranges hold the true effect, "
                f"outside {percent(low)} to {percent(high)}."
            )
        limit = false_limit(one["without_effect"])
        if one["without_effect"] and one["share_called_without_effect"] > limit:
            yield (
                f"{name}: {percent(one['share_called_without_effect'])} false alarms in "
                f"{one['without_effect']} changes without an effect, more than {percent(limit)}."
            )
        if one["joint_told_as_one"]:
            yield f"{name}: {one['joint_told_as_one']} rows attribute a joint change to one setting."
