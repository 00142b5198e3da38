"""The effect of a row for another way along its setting: several steps, or back; that of going to the best value."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from chaffinch.dashboards.words.shown_changes import Outcome, outcome_of
from chaffinch.dashboards.words.shown_units import Ends
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.estimate.responses.best_value import BestValue
from chaffinch.pipelines.estimate.results.calibration import Level, kg_ha
from chaffinch.pipelines.estimate.results.verdicts import answer
from chaffinch.schemas.declarations import settings

Row = dict[str, Any]


def moved_effect(
    row: Row, name: str, before: str | None, after: str | None, loss_error: float | None
) -> Outcome | None:
    """The effect of a field's row for the way from ``before`` to ``after``; None where the row does not say."""
    if row["from_value"] is not None or row["to_value"] is not None:
        ends = (row["from_value"], row["to_value"])
        factor = 1.0 if ends == (before, after) else -1.0 if ends == (after, before) else None
    else:
        try:
            factor = (float(after or "") - float(before or "")) / row["per_step"]
        except (TypeError, ValueError, ZeroDivisionError):
            factor = 1.0 if settings().get(name) and settings()[name].kind == "service" else None
    return None if factor is None else _times(row, factor, loss_error)


def _times(row: Row, factor: float, loss_error: float | None) -> Outcome:
    """An outcome ``factor`` times as far along the setting, on the log scale."""
    if factor == 1.0 or row["log_ratio"] is None:
        return outcome_of(row)
    moved = dict(row)
    for kind in ("", "alone_"):
        ends = [row[f"{kind}log_ratio{end}"] for end in ("", "_low", "_high")]
        if None in ends:
            continue
        scaled = [factor * end for end in ends]
        scaled = [scaled[0], *sorted(scaled[1:])]
        for end, value in zip(("", "_low", "_high"), scaled, strict=True):
            moved[f"{kind}log_ratio{end}"] = value
            moved[f"{kind}percent{end}"] = 100 * float(np.expm1(value))
    refusals = row["reasons"] if row["verdict"] == "cannot tell" else []
    middle, low, high = (moved[f"log_ratio{end}"] for end in ("", "_low", "_high"))
    found = answer(middle, low, high, refusals, row["reasons"])
    moved |= {"verdict": found.verdict, "reasons": list(found.reasons)}
    if row["chance_less"] is not None and factor < 0:
        moved["chance_less"] = 1.0 - row["chance_less"]
    if row["absolute"] is not None and row["absolute_unit"] == "kg/ha":
        level = level_of_row(row)
        weighed = kg_ha([Level(row["machine"], level, loss_error or 0.0)], found) if level else None
        moved |= dict(zip(("absolute", "absolute_low", "absolute_high"), weighed or (None,) * 3, strict=True))
    return outcome_of(moved)


def level_of_row(row: Row) -> float | None:
    """Machine loss before, kg/ha, that a row's effect in kg/ha starts from; None where the effect is nil."""
    if row["absolute"] is None or not row["log_ratio"] or abs(row["log_ratio"]) < 1e-6:
        return None
    return float(row["absolute"] / np.expm1(row["log_ratio"]))


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
