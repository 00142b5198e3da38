"""The settings in use during steady work, and which of them are outside common practice."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from chaffinch.pipelines.agronomy.setup_check import SetupFinding, doubtful_jumps, setup_check
from chaffinch.schemas.declarations import settings
from chaffinch.schemas.tables import tables
from chaffinch.schemas.views import CATALOGUE, catalogue
from chaffinch.sql import answer


@dataclass(frozen=True, slots=True)
class InUse:
    """One setting at one value: its name and label, the value with its unit, minutes of steady work."""

    setting: str
    label: str
    value: str
    minutes: float


def settings_in_use(state: pl.DataFrame) -> list[InUse]:
    """Every setting that is known, front of the machine first, with its values in order of first use.

    state : of ``marked_readings``, of one field job.
    """
    contract = tables()["work"]
    present = [column.name for column in contract.columns if column.name in state.columns]
    work = contract.conform(state.select(present).with_columns(pl.lit("").alias("job")))
    found = answer("settings_in_use", {"work": work, CATALOGUE: catalogue()}, order="first_time, value")
    by_setting = found.partition_by("setting", as_dict=True, maintain_order=True)
    return [
        InUse(name, settings()[name].label, f"{value} {unit or ''}".rstrip(), 60 * hours)
        for name in catalogue()["setting"]
        if (name,) in by_setting
        for value, unit, hours in by_setting[name,].select("value", "unit", "hours").iter_rows()
    ]


def against_common_practice(
    state: pl.DataFrame,
    crop: str | None,
    drum_diameter_m: float | None,
    adjustments: pl.DataFrame | None = None,
) -> list[SetupFinding]:
    """What the set-up check says of these settings in this crop, and of jumps among ``adjustments``."""
    jumps = () if adjustments is None or adjustments.is_empty() else doubtful_jumps(adjustments)
    return [*setup_check(state, crop, drum_diameter_m), *jumps]
