"""From rows of ``responses`` to the best value of each setting: never beyond the values tried."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

# Losses by which a value is judged, the first that is known.
JUDGED_BY = ("machine_loss", "separation_loss", "cleaning_loss")
_CURVE = ("machine", "crop", "setting")
# Where the end of the range is its best with at least this probability, better may lie beyond.
LIKELY_BEYOND = 0.5
# The shares of the probability that a range of 95 % leaves out on either side.
LEFT_OUT = 0.025


@dataclass(frozen=True, slots=True)
class BestValue:
    """The best of the values tried of one setting, by the least expected loss.

    value_low, value_high : range that holds the best of the tried range with 95 % probability. log_ratio : of the
    loss there over that at the value in use. regret : by how much, as a natural log, the value in use is expected to
    fall short of the best of the range. beyond : "higher" or "lower" where the best lies at that end of the range,
    so that values beyond may be better still; else None.
    """

    machine: str | None
    crop: str | None
    setting: str
    unit: str | None
    outcome: str
    value: float
    value_low: float
    value_high: float
    value_in_use: float
    tried_low: float
    tried_high: float
    log_ratio: float
    log_ratio_low: float
    log_ratio_high: float
    absolute: float | None
    absolute_low: float | None
    absolute_high: float | None
    chance_best: float
    regret: float
    beyond: str | None
    adjustments: int


def best_values(responses: pl.DataFrame) -> list[BestValue]:
    """The best value of each machine, crop and setting of ``responses``, by the first loss of ``JUDGED_BY`` known.

    In the order of the rows. The least expected loss ratio decides; where another value is as good as the one in use,
    that one stays.
    """
    return [
        _best_of(curve.sort("value"))
        for curve in judging_curves(responses).partition_by(_CURVE, maintain_order=True)
    ]


def judging_curves(responses: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``responses`` that values are judged by."""
    return curves_of_first_known(responses, JUDGED_BY)


def curves_of_first_known(responses: pl.DataFrame, outcomes: Sequence[str]) -> pl.DataFrame:
    """Of each machine, crop and setting the rows about the first of ``outcomes`` that is known."""
    place = pl.col("outcome").replace_strict(outcomes, range(len(outcomes)), default=None)
    return responses.filter(place == place.min().over(_CURVE))


def _best_of(curve: pl.DataFrame) -> BestValue:
    """curve : rows of one outcome, by value."""
    at = int(curve["expected_regret"].arg_min() or 0)
    in_use = int((curve["value"] - curve["value_in_use"]).abs().arg_min() or 0)
    if curve["expected_regret"][in_use] <= curve["expected_regret"][at]:
        at = in_use
    best, last = curve.row(at, named=True), curve.height - 1
    up_to = curve["chance_best"].cum_sum()
    low = int((up_to < LEFT_OUT).sum())
    high = min(int((up_to < 1 - LEFT_OUT).sum()), last)
    ends = {0: "lower", last: "higher"}
    beyond = ends.get(at) if last > 0 and best["chance_best"] >= LIKELY_BEYOND else None
    return BestValue(
        **{name: best[name] for name in ("machine", "crop", "setting", "unit", "outcome", "value")},
        **{name: best[name] for name in ("value_in_use", "chance_best", "log_ratio")},
        **{
            f"{name}_{end}": best[f"{name}_{end}"]
            for name in ("log_ratio", "absolute")
            for end in ("low", "high")
        },
        absolute=best["absolute"],
        value_low=curve["value"][low],
        value_high=curve["value"][high],
        tried_low=curve["value"][0],
        tried_high=curve["value"][last],
        regret=curve["expected_regret"][in_use],
        beyond=beyond,
        adjustments=best["adjustments_pooled"],
    )
