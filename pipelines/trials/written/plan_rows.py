"""A planned trial as rows of the table ``trials``."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.trials.written.trial_plan import PlannedStep, TrialPlan
from chaffinch.schemas.tables import tables

# What a plan and its steps are until a log shows otherwise.
PLANNED = "planned"


def plan_rows(plan: TrialPlan) -> pl.DataFrame:
    """Rows of ``trials`` of a plan that was not started."""
    about = {
        "trial": plan.name,
        "machine": plan.machine,
        "crop": plan.crop,
        "setting": plan.setting,
        "unit": plan.unit,
        "values": list(plan.values),
        "second_setting": plan.second_setting,
        "second_values": list(plan.second_values) or None,
        "seed": plan.seed,
        "tell_percent": plan.tell_percent,
        "steps": len(plan.steps),
        "status": PLANNED,
    }
    rows = [about | _step(number, step) for number, step in enumerate(plan.steps, 1)]
    table = tables()["trials"]
    known = {name: kind for name, kind in table.polars_schema().items() if name in rows[0]}
    return table.conform(pl.DataFrame(rows, schema=known))


def _step(number: int, step: PlannedStep) -> dict[str, object]:
    return {
        "step": number,
        "value": str(step.value),
        "second_value": None if step.second_value is None else str(step.second_value),
        "minutes": step.minutes,
        "passes": step.passes,
        "step_status": PLANNED,
    }
