"""The settings in use during steady work, and which of them are outside common practice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from chaffinch.pipelines.agronomy.setup_check import SetupFinding, doubtful_jumps, setup_check
from chaffinch.pipelines.farm.entries import Machine
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.schemas.declarations import settings
from chaffinch.schemas.tables import tables
from chaffinch.schemas.views import CATALOGUE, catalogue
from chaffinch.sql import run_query

_ORDER = "first_time, value"
# Field jobs whose work is held at a time.
JOBS_AT_ONCE = 16


@dataclass(frozen=True, slots=True)
class InUse:
    """One setting at one value: its name and label, the value with its unit, minutes of steady work."""

    setting: str
    label: str
    value: str
    minutes: float


def settings_of_jobs(lake: ReadableLake, jobs: Sequence[str]) -> dict[str, pl.DataFrame]:
    """Rows of the view ``settings_in_use`` of each of these field jobs in ``work``."""
    found: dict[str, pl.DataFrame] = {}
    for first in range(0, len(jobs), JOBS_AT_ONCE):
        some = jobs[first : first + JOBS_AT_ONCE]
        work = lake.scan("work").filter(pl.col("job").is_in(some), pl.col("usable") == 1).collect()
        rows = run_query("settings_in_use", {"work": work, CATALOGUE: catalogue()}, _ORDER)
        found |= dict.fromkeys(some, rows.clear()) | {
            str(job): its
            for (job,), its in rows.partition_by("job", as_dict=True, maintain_order=True).items()
        }
    return found


def settings_of(state: pl.DataFrame) -> pl.DataFrame:
    """The same of ``marked_readings`` of one field job."""
    contract = tables()["work"]
    present = [column.name for column in contract.columns if column.name in state.columns]
    work = contract.conform(state.select(present).with_columns(pl.lit("").alias("job")))
    return run_query("settings_in_use", {"work": work, CATALOGUE: catalogue()}, _ORDER)


def settings_in_use(found: pl.DataFrame) -> list[InUse]:
    """Every setting that is known, front of the machine first, with its values in order of first use.

    found : rows of the view ``settings_in_use`` of one field job.
    """
    by_setting = found.partition_by("setting", as_dict=True, maintain_order=True)
    return [
        InUse(name, settings()[name].label, f"{value} {unit or ''}".rstrip(), 60 * hours)
        for name in catalogue()["setting"]
        if (name,) in by_setting
        for value, unit, hours in by_setting[name,].select("value", "unit", "hours").iter_rows()
    ]


def as_noted(in_use: Sequence[Sequence[Any]]) -> list[InUse]:
    """What ``settings_in_use`` found, from the facts that are kept of a field."""
    return [InUse(name, settings()[name].label, value, minutes) for name, value, minutes in in_use]


def against_common_practice(
    state: pl.DataFrame,
    crop: str | None,
    machine: Machine | None,
    adjustments: pl.DataFrame | None = None,
) -> list[SetupFinding]:
    """What the set-up check says of these settings in this crop, and of jumps among ``adjustments``.

    machine : as farm.toml states it.
    """
    jumps = () if adjustments is None or adjustments.is_empty() else doubtful_jumps(adjustments)
    diameter_m, never = (machine.drum_diameter_m, machine.never_together) if machine else (None, ())
    return [*setup_check(state, crop, diameter_m, never), *jumps]
