"""How often a method's ranges held the truth, how wide they were, and how often its verdicts misled.

One scorer for answers of all scopes. Answers of one season share its noise and its settings, so the chance range of
a coverage comes from drawing whole seasons (a cluster bootstrap: Field and Welsh 2007, J. R. Statist. Soc. B
69:369-390).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.prove.trial import ADJUSTMENT, ALONE, CHANGE, ORACLE, OURS, STRUCTURAL
from chaffinch.pipelines.prove.window_peers import RANGE_LEVEL

# A verdict against a true effect smaller than this (2 %) has no wrong sign worth the name.
SMALLEST_SIGN = math.log(1.02)
# From so many seasons on, their own differences show how far chance goes; and how often they are drawn.
ENOUGH_SEASONS, RESAMPLES = 5, 1000

Score = dict[str, Any]


def score(judged: pl.DataFrame, by: Sequence[str] = ("scenario", "method")) -> list[Score]:
    """Scores by scenario and method (or other columns), in order of appearance; numbers None where unknown.

    judged : rows of ``trial.JUDGED_SCHEMA``. Coverage, bias, root mean square error and width are over answered
    effects (any verdict but `cannot tell`) and on the natural-log scale; ``coverage_low`` and ``coverage_high`` are
    the coverage's 95 % range by chance: over seasons drawn again, of fewer than five the exact binomial one (Clopper
    and Pearson 1934, Biometrika 26:404-413). Of the called, those with `less` or `more`: ``coverage_called`` and
    ``exaggeration``, mean |estimate| over mean |truth|. ``slope`` is that of the estimates on the truth, through
    zero. ``log_score`` is the mean log density of the truth under a normal with the answer's middle and range. Width
    ratios compare the same effects, those that both methods answered: mean over mean, of ranges that have an end.
    A method that is too sure has narrow ranges: ``width_to_oracle_at_level`` is the ratio after both have been
    stretched or shrunk by the factors that make them hold exactly 95 % of these effects.
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
    called = answered.filter("called")
    held = int(answered["held"].sum())
    low, high = coverage_by_chance(answered)
    return {
        "effects": rows.height,
        "answered": answered.height,
        "share_answered": _ratio(answered.height, rows.height),
        "held": held,
        "coverage": _ratio(held, answered.height),
        "coverage_low": low,
        "coverage_high": high,
        "seasons": answered["seed"].n_unique(),
        "called": called.height,
        "share_called": _ratio(called.height, answered.height),
        "coverage_called": _ratio(int(called["held"].sum()), called.height),
        "exaggeration": _ratio(float(called["estimate"].abs().sum()), float(called["truth"].abs().sum())),
        "called_to_alone": _called_to_alone(rows, judged),
        "log_score": _log_score(answered),
        "slope": _ratio(
            float((answered["estimate"] * answered["truth"]).sum()), float((answered["truth"] ** 2).sum())
        ),
        "bias": _number(answered["miss"].mean()),
        "root_mean_square_error": _number((answered["miss"] ** 2).mean(), math.sqrt),
        "mean_width": _number(answered["width"].mean()),
        "width_to_alone": _width_ratio(answered, judged, ALONE),
        "width_to_oracle": _width_ratio(answered, judged, ORACLE),
        "width_to_oracle_at_level": _width_ratio_at_level(answered, judged),
        "width_to_structural": _width_ratio(answered, judged, STRUCTURAL),
        "without_effect": nothing.height,
        "called_without_effect": int(nothing["called"].sum()),
        "share_called_without_effect": _ratio(int(nothing["called"].sum()), nothing.height),
        "verdicts_on_effects": telling.height,
        "wrong_sign": wrong.height,
        "share_wrong_sign": _ratio(wrong.height, telling.height),
        "joint_changes": int(rows["truly_joint"].sum()),
        "joint_told_as_one": int(rows["told_as_one"].sum()),
    }


def coverage_by_chance(answered: pl.DataFrame) -> tuple[float | None, float | None]:
    """Where 95 % of coverages lie. answered : rows with ``seed`` and ``held``."""
    by_season = answered.group_by("seed", maintain_order=True).agg(pl.col("held").sum(), pl.len().alias("of"))
    if by_season.height < ENOUGH_SEASONS:
        return binomial_range(int(by_season["held"].sum()), answered.height)
    drawn = np.random.default_rng(0).integers(by_season.height, size=(RESAMPLES, by_season.height))
    held, of = (by_season[name].to_numpy()[drawn].sum(axis=1) for name in ("held", "of"))
    low, high = np.quantile(held / of, [0.5 - RANGE_LEVEL / 2, 0.5 + RANGE_LEVEL / 2])
    return float(low), float(high)


def _called_to_alone(rows: pl.DataFrame, judged: pl.DataFrame) -> float | None:
    """Share called over what each log alone would call, where ``rows`` are our answers to single changes."""
    if rows["method"][0] != OURS or rows["scope"][0] not in (None, ADJUSTMENT):
        return None
    key = ["scenario", "seed", *CHANGE]
    alone = judged.filter(pl.col("method") == ALONE).join(rows.select(key), on=key, how="semi")
    called, of_alone = (int(f["verdict"].is_in(["less", "more"]).sum()) for f in (rows, alone))
    return _ratio(called, of_alone)


def _log_score(answered: pl.DataFrame) -> float | None:
    from scipy.stats import norm

    ends = answered.filter(pl.col("width") > 0, pl.col("width").is_finite())
    if ends.is_empty():
        return None
    sd = (ends["width"] / (2 * norm.ppf(0.5 + RANGE_LEVEL / 2))).to_numpy()
    return float(norm.logpdf(ends["miss"].to_numpy(), scale=sd).mean())


def reliability(judged: pl.DataFrame) -> list[Score]:
    """By scope and tenth of ``chance_less``: how often the outcome did fall; no effect at all counts half."""
    known = judged.filter((pl.col("method") == OURS) & pl.col("chance_less").is_not_null())
    fell = pl.when(pl.col("truth") == 0).then(0.5).otherwise((pl.col("truth") < 0).cast(pl.Float64))
    tenth = (pl.col("chance_less") * 10).floor().clip(0, 9).cast(pl.Int64).alias("tenth")
    return (
        known.filter(pl.col("verdict") != "cannot tell")
        .group_by("scope", tenth)
        .agg(pl.len().alias("cases"), pl.col("chance_less").mean().alias("stated"), fell.mean().alias("fell"))
        .sort("scope", "tenth")
        .to_dicts()
    )


def _with_reference(answered: pl.DataFrame, judged: pl.DataFrame, reference: str) -> pl.DataFrame:
    """``answered`` with what the reference found, ``other_``..., on the effects that both answered."""
    other = judged.filter((pl.col("method") == reference) & (pl.col("verdict") != "cannot tell"))
    answered = answered.filter(pl.col("scope").fill_null(ADJUSTMENT) == ADJUSTMENT)
    key = ["scenario", "seed", *CHANGE]
    found = (pl.col(name).alias(f"other_{name}") for name in ("low", "high"))
    return answered.join(
        other.select(*key, *found, (pl.col("high") - pl.col("low")).alias("other_width")), on=key, how="inner"
    )


def _width_ratio_at_level(answered: pl.DataFrame, judged: pl.DataFrame) -> float | None:
    both = _with_reference(answered, judged, ORACLE)
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
    both = _with_reference(answered, judged, reference).filter(
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


def percent(share: float | None) -> str:
    """A share as people read it."""
    return "-" if share is None else f"{100 * share:.1f} %"


def _ratio(part: float, whole: float) -> float | None:
    return float(part / whole) if whole else None


def _number(value: Any, then: Any = float) -> float | None:
    return None if value is None or not math.isfinite(value) else float(then(value))
