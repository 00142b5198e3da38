"""Planned trials and the adjustments of operators who follow them more or less."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

import polars as pl
from chaffinch.pipelines.estimate.data.changes import real_adjustments
from chaffinch.pipelines.trials.written.plan_rows import plan_rows
from chaffinch.pipelines.trials.written.trial_plan import TrialPlan
from chaffinch.schemas.tables import tables

START = datetime(2026, 7, 20, 9, tzinfo=UTC)


def plan_of(
    order: Sequence[str],
    minutes: float = 10.0,
    name: str = "Fan",
    setting: str = "fan_speed",
    machine: str = "A",
) -> TrialPlan:
    """A plan of one setting with a step of ``minutes`` for each value of ``order``."""
    return TrialPlan.model_validate(
        {
            "name": name,
            "machine": machine,
            "setting": setting,
            "values": tuple(dict.fromkeys(order)),
            "steps": [{"value": value, "minutes": minutes} for value in order],
        }
    )


def stored(*plans: TrialPlan) -> pl.DataFrame:
    """The plans as rows of ``trials``, each from a file of its own."""
    frames = [
        plan_rows(plan).with_columns(
            pl.lit(f"{n:016x}").alias("delivery"),
            pl.lit(f"trial_{n}.toml").alias("file"),
            pl.arange(1, len(plan.steps) + 1, eager=True).cast(pl.Int64).alias("row"),
        )
        for n, plan in enumerate(plans)
    ]
    return pl.concat([tables()["trials"].empty(), *frames])


def logged(
    moves: Iterable[tuple[float, str, str]],
    before: dict[str, str] | None = None,
    machine: str = "A",
    start: datetime = START,
) -> pl.DataFrame:
    """Real adjustments of one machine. moves : (minute, setting, value). before : values in force at the start."""
    in_force = dict(before or {})
    rows = []
    for number, (minute, setting, value) in enumerate(moves):
        rows.append(
            {
                "delivery": "0" * 16,
                "file": "settings.csv",
                "row": number + 2,
                "time": start + timedelta(minutes=minute),
                "machine": machine,
                "setting": setting,
                "from_value": in_force.get(setting),
                "to_value": value,
                "kind": "number",
                "origin": "settings log",
            }
        )
        in_force[setting] = value
    table = tables()["adjustments"]
    known = {name: kind for name, kind in table.polars_schema().items() if name not in ("unit", "note")}
    frame = table.conform(pl.DataFrame(rows, schema=known))
    return real_adjustments(frame)
