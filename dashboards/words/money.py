"""What a change of machine loss saves at the prices of farm.toml, per hectare, with its range and the chance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from chaffinch.dashboards.words.confidence import chance_in_words
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.dashboards.words.shown_units import units_of
from chaffinch.dashboards.words.terms import NARROW, signed, significant
from chaffinch.pipelines.agronomy.economics import LossAtWork, Saving, saving
from chaffinch.pipelines.farm import Farm

MEANING = {
    "both": "less grain lost and less machine time, each at the feed rate that costs least",
    "grain": "less grain lost at the same feed rate",
    "time": "less machine time, driven faster until the loss is what it was",
}


def loss_at_work(curve: Mapping[str, Any] | None, outcome: Outcome | None) -> LossAtWork | None:
    """Where the machine worked before a change. curve : its row of ``loss_curves``. outcome : of machine loss, whose
    kg/ha give the loss before; else it is that of the curve."""
    if curve is None:
        return None
    loss = curve["loss_kg_ha"]
    if outcome is not None and outcome.absolute_kg_ha and outcome.log_ratio and abs(outcome.log_ratio) > 1e-6:
        loss = outcome.absolute_kg_ha[0] / float(np.expm1(outcome.log_ratio))
    return LossAtWork(
        curve["feed_t_h"],
        curve["yield_t_ha"],
        loss,
        curve["loss_log_error"] or 0.0,
        curve["slope"],
        curve["slope_error"] or 0.0,
    )


def saving_of(
    outcome: Outcome | None, curve: Mapping[str, Any] | None, crop: str | None, farm: Farm
) -> Saving | None:
    """What a change saves by its effect on machine loss; None without price, loss check or effect."""
    at = loss_at_work(curve, outcome)
    if outcome is None or not outcome.known or at is None:
        return None
    assert outcome.log_ratio is not None and outcome.log_low is not None and outcome.log_high is not None
    effect = outcome.log_ratio, outcome.log_low, outcome.log_high
    return saving(effect, at, farm.prices.per_t.get(crop or ""), farm.prices.machine_per_h)


def saved_in_words(found: Saving, crop: str | None, farm: Farm) -> str:
    """``saves 6.5 EUR/ha (+4.1 to +8.9), 99 % sure``; of machine time where only that is known."""
    factor, unit = units_of(farm, crop).money_per_area(farm.prices.currency)
    middle, low, high = (value * factor for value in (found.per_ha, found.low, found.high))
    chance = found.chance if middle > 0 else 1 - found.chance
    ends = (low, high) if middle > 0 else (-high, -low)
    size = f"{significant(abs(middle))}{NARROW}{unit}"
    span = f"({signed(ends[0])} to {signed(ends[1])})"
    what = "saves" if middle > 0 else "costs"
    of_time = " of machine time" if found.by == "time" else ""
    return f"{what} {size}{of_time} {span}, {chance_in_words(chance)}"
