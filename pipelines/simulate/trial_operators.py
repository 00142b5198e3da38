"""Simulated operators with a plan: one follows it, one drifts from it, one abandons it."""

from __future__ import annotations

from itertools import groupby

import numpy as np
from chaffinch.pipelines.simulate.scenario import FieldPlan, Script
from chaffinch.pipelines.simulate.simulated_crops import ADJUSTABLES
from chaffinch.pipelines.trials.written.trial_plan import PlannedStep, TrialPlan

# Nobody switches on the second. An operator who drifts is often much later, forgets switches, and touches something
# else.
LATE_MINUTES = {"follows": 1.0, "drifts": 9.0, "abandons": 1.0}
FORGOTTEN, SOMETHING_ELSE = 0.2, 0.2
# What an operator who drifts touches now and then.
OTHER_SETTING = "rotor_speed"
# Where an operator who abandons a plan stops, as a share of its steps.
ABANDONED_AT = (0.3, 0.6)


def trial_script(rng: np.random.Generator, trial: FieldPlan) -> Script:
    """What the operator of one field does with a plan: what ``Operator.script`` would say of it."""
    moves: list[tuple[float, tuple[tuple[str, int], ...]]] = []
    level, elsewhere, drifts = 0, 0, trial.keeping == "drifts"
    share = rng.uniform(*ABANDONED_AT) if trial.keeping == "abandons" else 1.0
    for k, wanted in enumerate(trial.levels[: max(2, int(np.ceil(share * len(trial.levels))))]):
        late = rng.uniform(0.0, LATE_MINUTES[trial.keeping])
        forgotten = drifts and k > 0 and rng.random() < FORGOTTEN
        if wanted != level and not forgotten:
            at = trial.lead_minutes + k * trial.minutes + late
            moves.append((at, ((trial.setting, wanted - level),)))
            level = wanted
        if drifts and rng.random() < SOMETHING_ELSE:
            change = -1 if elsewhere else 1
            elsewhere += change
            # At the end of the step, after any switch however late.
            at = trial.lead_minutes + (k + 1) * trial.minutes - 0.5
            moves.append((at, ((OTHER_SETTING, change),)))
    return tuple(sorted(moves))


def trial_plan_of(trial: FieldPlan, machine: str, crop: str) -> TrialPlan:
    """The plan that the operator was given."""
    moved = ADJUSTABLES[trial.setting]
    values = tuple(moved.text(level) for level in sorted(set(trial.levels)))
    return TrialPlan(
        name=f"{trial.setting.replace('_', ' ').capitalize()} {' or '.join(values)}, {machine}, {crop}",
        machine=machine,
        crop=crop,
        setting=trial.setting,
        unit=moved.unit or None,
        values=values,
        tell_percent=trial.tell_percent,
        steps=tuple(
            PlannedStep(value=moved.text(level), minutes=trial.minutes * len(list(same)))
            for level, same in groupby(trial.levels)
        ),
    )
