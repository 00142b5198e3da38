"""Simulated operators with a plan: one follows it, one drifts from it, one abandons it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from chaffinch.pipelines.simulate.scenario import Script

Discipline = Literal["follows", "drifts", "abandons"]

# Nobody switches on the second. An operator who drifts is often much later, forgets switches, and touches something
# else.
LATE_MINUTES = {"follows": 1.0, "drifts": 9.0, "abandons": 1.0}
FORGOTTEN, SOMETHING_ELSE = 0.2, 0.2
# What an operator who drifts touches now and then.
OTHER_SETTING = "rotor_speed"
# Where an operator who abandons a plan stops, as a share of its steps.
ABANDONED_AT = (0.3, 0.6)


def trial_script(
    rng: np.random.Generator,
    discipline: Discipline,
    setting: str,
    levels: Sequence[int],
    minutes: float,
    lead_minutes: float = 6.0,
) -> Script:
    """What the operator of one field does with a plan: ``Operator.script`` of the field.

    levels : of each planned step, in steps of the setting from its start. minutes : length of a step.
    """
    moves: list[tuple[float, tuple[tuple[str, int], ...]]] = []
    level, elsewhere = 0, 0
    share = rng.uniform(*ABANDONED_AT) if discipline == "abandons" else 1.0
    for k, wanted in enumerate(levels[: max(2, int(np.ceil(share * len(levels))))]):
        late = rng.uniform(0.0, LATE_MINUTES[discipline])
        forgotten = discipline == "drifts" and k > 0 and rng.random() < FORGOTTEN
        if wanted != level and not forgotten:
            moves.append((lead_minutes + k * minutes + late, ((setting, wanted - level),)))
            level = wanted
        if discipline == "drifts" and rng.random() < SOMETHING_ELSE:
            change = -1 if elsewhere else 1
            elsewhere += change
            # In the middle of the step, after any switch however late.
            moves.append((lead_minutes + (k + 1) * minutes - 0.5, ((OTHER_SETTING, change),)))
    return tuple(sorted(moves))
