"""How often a method's ranges held the truth, how wide they were, and how often its verdicts misled."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import polars as pl
from chaffinch.pipelines.prove.trial import CHANGE, ORACLE, OURS, STRUCTURAL
from chaffinch.pipelines.prove.window_peers import RANGE_LEVEL

JUDGED_SCHEMA = {
    "scenario": pl.String(),
    "seed": pl.Int64(),
    "machine": pl.String(),
    "field": pl.String(),
    "change_time": pl.Datetime("us", "UTC"),
    "outcome": pl.String(),
    "method": pl.String(),
    "truth": pl.Float64(),
    "truly_joint": pl.Boolean(),
    "estimate": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
    "verdict": pl.String(),
    "told_as_one": pl.Int64(),
}
"""Columns of what is judged: one row a method, change and outcome, on the natural-log scale."""

# A verdict against a true effect smaller than this (2 %) has no wrong sign worth the name.
SMALLEST_SIGN = math.log(1.02)
HELD_COVERAGE = (0.91, 0.98)
HELD_FALSE = 0.05
# Answers that share evidence call no more than one in fifty where there is no effect.
USUAL_FALSE = 0.02
# With fewer effects than this, chance alone passes the limits above: 0.95 - 3.29 sqrt(0.95 x 0.05 / 300) =
# 0.909 is where ranges that hold exactly 95 % end in all but one case in a thousand.
MANY_EFFECTS = 300
CHANCE = 0.001

Score = dict[str, Any]


def score(judged: pl.DataFrame, by: Sequence[str] = ("scenario", "method")) -> list[Score]:
    """Scores by scenario and method (or other columns), in order of appearance; numbers None where unknown.

    judged : rows of ``JUDGED_SCHEMA``. Coverage, bias, root mean square error and width are over answered
    effects (any verdict but `cannot tell`) and on the natural-log scale; ``coverage_low`` and
    ``coverage_high`` are the exact binomial 95 % range of the coverage (Clopper and Pearson 1934, Biometrika
    26:404-413). Width ratios compare the same effects, those that both methods answered: mean over mean, of ranges
    that have an end. A method that is too sure has narrow ranges: ``width_to_oracle_at_level`` is the ratio after
    both have been stretched or shrunk by the factors that make them hold exactly 95 % of these effects.
    """
    return [
        {**dict(zip(by, names, strict=True)), **_score_of(rows, judged)}
        for names, rows in judged.group_by(*by, maintain_order=True)
    ]


def _score_of(rows: pl.DataFrame, judged: pl.DataFrame) -> Score:
    answered = rows.filter(pl.col("verdict") != "cannot tell").with_columns(
        (pl.col("estimate") - pl.col("truth")).alias("miss"),
        ((pl.col("low") <= pl.col("truth")) & (pl.col("truth") <= pl.col("high"))).alias("held"),
        (pl.col("high") - pl.col("low")).alias("width"),
        pl.col("verdict").is_in(["less", "more"]).alias("called"),
    )
    nothing = answered.filter(pl.col("truth") == 0)
    telling = answered.filter(pl.col("called") & (pl.col("truth").abs() > SMALLEST_SIGN))
    wrong = telling.filter((pl.col("verdict") == "more") != (pl.col("truth") > 0))
    held = int(answered["held"].sum())
    low, high = binomial_range(held, answered.height)
    return {
        "effects": rows.height,
        "answered": answered.height,
        "share_answered": _share(answered.height, rows.height),
        "held": held,
        "coverage": _share(held, answered.height),
        "coverage_low": low,
        "coverage_high": high,
        "bias": _number(answered["miss"].mean()),
        "root_mean_square_error": _number((answered["miss"] ** 2).mean(), math.sqrt),
        "mean_width": _number(answered["width"].mean()),
        "width_to_oracle": _width_ratio(answered, judged, ORACLE),
        "width_to_oracle_at_level": _width_ratio_at_level(answered, judged),
        "width_to_structural": _width_ratio(answered, judged, STRUCTURAL),
        "without_effect": nothing.height,
        "called_without_effect": int(nothing["called"].sum()),
        "share_called_without_effect": _share(int(nothing["called"].sum()), nothing.height),
        "verdicts_on_effects": telling.height,
        "wrong_sign": wrong.height,
        "share_wrong_sign": _share(wrong.height, telling.height),
        "joint_changes": int(rows["truly_joint"].sum()),
        "joint_told_as_one": int(rows["told_as_one"].sum()),
    }


def _beside(answered: pl.DataFrame, judged: pl.DataFrame, reference: str) -> pl.DataFrame:
    """``answered`` with what the reference found, ``other_``..., on the effects that both answered."""
    other = judged.filter((pl.col("method") == reference) & (pl.col("verdict") != "cannot tell"))
    key = ["scenario", "seed", *CHANGE]
    found = (pl.col(name).alias(f"other_{name}") for name in ("low", "high"))
    return answered.join(
        other.select(*key, *found, (pl.col("high") - pl.col("low")).alias("other_width")), on=key, how="inner"
    )


def _width_ratio_at_level(answered: pl.DataFrame, judged: pl.DataFrame) -> float | None:
    both = _beside(answered, judged, ORACLE)
    if both.is_empty():
        return None
    ours = stretch_to_hold(both["low"], both["high"], both["truth"])
    theirs = stretch_to_hold(both["other_low"], both["other_high"], both["truth"])
    width, other_width = float(both["width"].sum()), float(both["other_width"].sum())
    return ours * width / (theirs * other_width) if theirs * other_width > 0 else None


def stretch_to_hold(low: pl.Series, high: pl.Series, truth: pl.Series) -> float:
    """Factor about their middles that makes ranges hold 95 % of the truths, which are as many as the ranges."""
    reached = 2 * (truth - (low + high) / 2).abs() / (high - low)
    return float(reached.quantile(RANGE_LEVEL, "linear") or 0.0)


def _width_ratio(answered: pl.DataFrame, judged: pl.DataFrame, reference: str) -> float | None:
    """Mean width over the mean width of the reference, on the effects that both answered with an end."""
    both = _beside(answered, judged, reference).filter(
        pl.col("width").is_finite(), pl.col("other_width").is_finite()
    )
    width, other_width = _number(both["width"].mean()), _number(both["other_width"].mean())
    return width / other_width if width is not None and other_width else None


def binomial_range(held: int, of: int) -> tuple[float | None, float | None]:
    """Exact 95 % range of a share; None for none."""
    if of == 0:
        return None, None
    from scipy.stats import binomtest

    found = binomtest(held, of).proportion_ci(RANGE_LEVEL, method="exact")
    return float(found.low), float(found.high)


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
    """A sentence for each limit that the estimator failed; none for the peers."""
    for one in scores:
        if one["method"] != OURS:
            continue
        name, n = one["scenario"], one["answered"]
        low, high = coverage_limits(n)
        if n == 0:
            yield f"{name}: no effect was estimated, so nothing is shown."
        elif not low <= one["coverage"] <= high:
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


def percent(share: float | None) -> str:
    """A share as people read it."""
    return "-" if share is None else f"{100 * share:.1f} %"


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _number(value: Any, then: Any = float) -> float | None:
    return None if value is None or not math.isfinite(value) else float(then(value))
