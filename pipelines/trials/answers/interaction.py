"""How much what one setting of a trial does depends on the other, over the fields of the trial."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.estimate.results.value_comparisons import lowest_first
from chaffinch.pipelines.trials.answers.anytime import reach_of_look
from chaffinch.schemas.declarations import settings


@dataclass(frozen=True, slots=True)
class Interaction:
    """How much what a trial's first setting does depends on the second: log ratio by which its effect, from its lower
    value to its higher, is larger at the ``high`` value of the ``other`` setting than at the ``low`` one.

    anytime : half width of the range that holds at every look.
    """

    setting: str
    other: str
    low: str
    high: str
    unit: str | None
    outcome: str
    log_ratio: float
    variance: float
    anytime: float

    @property
    def percent(self) -> float:
        return _percent(self.log_ratio)

    @property
    def anytime_range(self) -> tuple[float, float]:
        """The range that holds at every look, %."""
        return _percent(self.log_ratio - self.anytime), _percent(self.log_ratio + self.anytime)

    @property
    def is_clear(self) -> bool:
        return abs(self.log_ratio) > self.anytime


def interaction_in(first: dict[str, Any], effects: pl.DataFrame, outcome: str | None) -> Interaction | None:
    """The interaction of a trial of two settings, over its fields; None where nothing tells it.

    first : a row of ``trials``. effects : the trial's. outcome : the loss by which it is judged.
    """
    if outcome is None or not first["second_setting"]:
        return None
    rows = effects.filter(
        pl.col("scope") == "field",
        pl.col("setting") == first["setting"],
        pl.col("outcome") == outcome,
        pl.col("interaction_log_ratio").is_not_null(),
    ).unique("field", maintain_order=True)
    if rows.is_empty():
        return None
    low, high = (rows[f"interaction_log_ratio_{end}"].to_numpy() for end in ("low", "high"))
    information = (2 * REACH_95 / (high - low)) ** 2
    effect = float(information @ rows["interaction_log_ratio"].to_numpy() / information.sum())
    variance = float(1 / information.sum())
    at_low, at_high = lowest_first(first["second_values"])
    unit = settings()[first["second_setting"]].unit or None
    return Interaction(
        first["setting"],
        first["second_setting"],
        at_low,
        at_high,
        unit,
        outcome,
        effect,
        variance,
        reach_of_look(variance, first["status"] == "finished"),
    )


def _percent(log_ratio: float) -> float:
    return float(100 * np.expm1(log_ratio))
