"""The settings in use during steady work, and which of them are outside common practice."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from chaffinch.pipelines.agronomy.setup_check import SetupFinding, doubtful_jumps, setup_check
from chaffinch.schemas.declarations import Setting, settings


@dataclass(frozen=True, slots=True)
class InUse:
    """One setting at one value: its name and label, the value with its unit, minutes of steady work."""

    setting: str
    label: str
    value: str
    minutes: float


def settings_in_use(state: pl.DataFrame) -> list[InUse]:
    """Every setting that is known, front of the machine first, with its values in order of first use.

    state : of ``marked_readings``.
    """
    steady = state.filter("usable")
    found: list[InUse] = []
    for setting in settings().values():
        if setting.kind == "service" or setting.column not in steady.columns:
            continue
        values = steady.select(pl.col(setting.column).drop_nulls()).to_series()
        if values.n_unique() > 12:  # a measured speed that wanders, not a set value
            continue
        counted = values.value_counts(sort=False).sort("count", descending=True)
        order = values.unique(maintain_order=True).to_list()
        seconds = dict(zip(counted[setting.column].to_list(), counted["count"].to_list(), strict=True))
        interval = _interval_s(steady)
        found += [
            InUse(setting.name, setting.label, _shown(setting, v), seconds[v] * interval / 60) for v in order
        ]
    return found


def against_common_practice(
    state: pl.DataFrame,
    crop: str | None,
    drum_diameter_m: float | None,
    adjustments: pl.DataFrame | None = None,
) -> list[SetupFinding]:
    """What the set-up check says of these settings in this crop, and of jumps among ``adjustments``."""
    jumps = () if adjustments is None or adjustments.is_empty() else doubtful_jumps(adjustments)
    return [*setup_check(state, crop, drum_diameter_m), *jumps]


def _interval_s(steady: pl.DataFrame) -> float:
    gap = steady["time"].diff().dt.total_milliseconds().median()
    return float(gap) / 1000 if isinstance(gap, (int, float)) and gap > 0 else 1.0


def _shown(setting: Setting, value: object) -> str:
    if isinstance(value, float):
        return f"{value:g} {setting.unit}".strip()
    return str(value)
