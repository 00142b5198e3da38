"""Which columns a written log holds: their identifiers, elements and steps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from chaffinch.pipelines.ingest.task_data.files.dictionary import FIRST_PROPRIETARY, identifiers
from chaffinch.schemas.declarations import channels, settings
from chaffinch.schemas.units import device_unit

PLACE = ("latitude", "longitude", "altitude_m")
ELEMENTS = ("combine", "header", "threshing", "separation", "cleaning", "residue", "grain tank", "engine")
STAGE_ELEMENT = {"feeding": "header", "grain_tank": "grain tank"}
CHANNEL_ELEMENT = {
    "working_width_m": "header",
    "grain_flow_kg_s": "grain tank",
    "grain_moisture_pct": "grain tank",
    "separation_loss_signal": "separation",
    "separation_loss_kg_s": "separation",
    "cleaning_loss_signal": "cleaning",
    "cleaning_loss_kg_s": "cleaning",
    "returns_signal": "cleaning",
    "broken_grain_pct": "grain tank",
    "non_grain_pct": "grain tank",
    "engine_load_pct": "engine",
    "fuel_rate_l_h": "engine",
}
BY_CHANGE, BY_TIME = 8, 1


@dataclass(frozen=True, slots=True)
class WrittenColumn:
    """One column of the log: raw = (value - 0) / ``step``."""

    name: str
    number: int
    element: str
    step: float
    unit: str
    triggers: int


def columns_of(frames: Sequence[pl.DataFrame]) -> list[WrittenColumn]:
    """Columns to log for one machine: every channel and setting that one of its tasks holds."""
    present = [
        name
        for name in (*channels(), *(s.column for s in settings().values() if s.kind == "number"))
        if name not in PLACE and any(name in f.columns and f[name].null_count() < len(f) for f in frames)
    ]
    free = iter(range(FIRST_PROPRIETARY + 1, FIRST_PROPRIETARY + 200))
    return [_column(name, free, _largest(frames, name)) for name in present]


def _largest(frames: Sequence[pl.DataFrame], name: str) -> float:
    """Largest magnitude of a column over all tasks of a machine."""
    values = [frame[name].cast(float).to_numpy() for frame in frames if name in frame.columns]
    return max((float(np.abs(part[np.isfinite(part)]).max(initial=0.0)) for part in values), default=0.0)


def _column(name: str, free: Iterator[int], largest: float) -> WrittenColumn:
    """Identifier, element and step of a column whose largest magnitude is ``largest``."""
    by_column = {setting.column: setting for setting in settings().values()}
    setting = by_column.get(name)
    if setting is not None:
        element, triggers = STAGE_ELEMENT.get(setting.stage, setting.stage), BY_CHANGE
    else:
        element = CHANNEL_ELEMENT.get(name, "combine")
        triggers = BY_CHANGE if name in ("working", "working_width_m") else BY_TIME
    if name == "working":
        return WrittenColumn(name, 141, element, 1.0, "", triggers)
    own_unit = setting.unit if setting else channels()[name].unit
    for entry in identifiers().values():
        source, target = device_unit(entry.unit), device_unit(own_unit)
        if entry.targets == (name,) and entry.rank == 1 and source and target:
            return WrittenColumn(
                name,
                entry.number,
                element,
                float(entry.resolution * source.factor / target.factor),
                own_unit,
                triggers,
            )
    step = next(step for step in (0.001, 0.01, 0.1, 1.0, 10.0, 1e3, 1e6) if largest / step < 1e9)
    return WrittenColumn(name, next(free), element, step, own_unit, triggers)


def element_id(device: int, element: str) -> str:
    return f"DET-{100 * device + ELEMENTS.index(element)}"
