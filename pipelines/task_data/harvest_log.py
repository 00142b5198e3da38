"""A time log as a harvest log: its columns scaled, kept until they change, and given their channels.

What no channel takes is kept in ``other`` under number, element and designator. Nothing is filled in before a
value's first occurrence. Sources of the conventions: ISO 11783-11 (identifiers, units, two-bit states).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from chaffinch.pipelines.task_data.columns import LogColumn
from chaffinch.pipelines.task_data.held_values import Carry, begun_with, filled, remember
from chaffinch.pipelines.task_data.log_reading import LogData
from chaffinch.pipelines.task_data.other_values import other_texts
from chaffinch.pipelines.task_data.scaling import Scale, by_stated_unit, choose
from chaffinch.pipelines.task_data.task_file import Device, TaskFile
from chaffinch.pipelines.task_data.work_state import STATE, WIDTHS, Filled, width_m, working
from chaffinch.pipelines.units import UnitError
from chaffinch.schemas.declarations import channels
from numpy.typing import NDArray

YIELD_HOLD = 239
DRY_FLOW, REFERENCE_MOISTURE, WET_BY_AREA = 182, 184, 84


@dataclass(frozen=True, slots=True)
class ColumnUse:
    """What became of one column. ``target``: the channel it feeds; None where it is kept in ``other``.

    scale : how its raw numbers are read; None where no way is plausible. raw : the first one; None where
    there is none.
    """

    key: str
    target: str | None
    scale: Scale | None
    raw: float | None

    @property
    def unmatched(self) -> bool:
        """Whether it holds values that feed no channel."""
        return self.target is None and self.raw is not None


@dataclass(frozen=True, slots=True)
class HarvestLog:
    """``frame``: number, local_us, columns of ``readings`` that the log feeds, ``other``. N rows.

    uses : one for each column of the log, in its order. notes : sentences on how it was read. attention :
    sentences that ask something of the user.
    """

    frame: pl.DataFrame
    uses: tuple[ColumnUse, ...]
    notes: tuple[str, ...]
    attention: tuple[str, ...]


def harvest_log(log: LogData, task_file: TaskFile, device: Device | None, carry: Carry) -> HarvestLog:
    """Make a harvest log of ``log``.

    device : the machine, whose values count before those of other devices in the log. carry : read for values
    kept from the log before, and renewed.
    """
    notes: list[str] = []
    asked = _undecided(log)
    begun = begun_with(log, carry)
    scales = [
        _scale(log.stem, column, values, notes, asked)
        for column, values in zip(begun.columns, begun.values, strict=True)
    ]
    chosen = _chosen(begun, scales, device, notes)
    data = _channels(begun, task_file, device, scales, chosen, notes)
    remember(begun, carry)
    fed = _fed(log, chosen)
    frame = pl.DataFrame({"number": log.number, "local_us": log.local_us}).with_columns(
        _series("latitude", log.latitude_deg),
        _series("longitude", log.longitude_deg),
        _series("altitude_m", log.altitude_m),
        *(_series(name, values) for name, values in data.items()),
        other_texts(log, [index for index in range(len(log.columns)) if index not in fed], scales),
    )
    uses = (
        ColumnUse(column.key, fed.get(index), scales[index], float(values[0]) if len(values) else None)
        for index, (column, values) in enumerate(zip(log.columns, log.values, strict=True))
    )
    return HarvestLog(frame, tuple(uses), tuple(notes), tuple(asked))


def _channels(
    log: LogData,
    task_file: TaskFile,
    device: Device | None,
    scales: Sequence[Scale | None],
    chosen: Mapping[str, int],
    notes: list[str],
) -> dict[str, NDArray[np.float64]]:
    """(N,) values of every channel and setting that the log feeds, straight or worked out."""
    times_s = log.local_us / 1e6

    def held(index: int) -> NDArray[np.float64]:
        return filled(log, index, times_s)

    def metres(index: int) -> NDArray[np.float64]:
        scale = scales[index]
        return scale.apply(held(index)) if scale is not None and scale.unit == "m" else held(index) / 1000.0

    data = {
        target: (scale.apply if target in channels() else scale.apply_to_set_value)(held(index))
        for target, index in chosen.items()
        if (scale := scales[index]) is not None
    }
    own = _of_device(log, device)
    state = working(own, held)
    if state is None:
        state = working(log, held)
    if state is not None:
        data.setdefault("working", state)
    width, width_source = width_m(own, task_file, held, metres)
    if width is None:
        width, width_source = width_m(log, task_file, held, metres)
    if width is not None and "working_width_m" not in data:
        data["working_width_m"] = width
        if width_source:
            notes.append(f"{log.stem}: the working width is {width_source}.")
    _derive_flow(log, data, held, notes)
    _hold(log, data, held, notes)
    if "speed_m_s" in data and (data["speed_m_s"] < 0).any():
        notes.append(f"{log.stem}: negative speeds (reversing) were made positive.")
        data["speed_m_s"] = np.abs(data["speed_m_s"])
    return data


def _series(name: str, values: NDArray[np.float64]) -> pl.Series:
    return pl.Series(name, values, nan_to_null=True, strict=False)


def _scale(
    stem: str, column: LogColumn, values: NDArray[np.float64], notes: list[str], asked: list[str]
) -> Scale | None:
    """How to read one column; None where log and device contradict each other beyond repair."""
    shown = column.described.presentation if column.described else None
    if column.stated_unit is not None and column.target is not None:
        try:
            return by_stated_unit(shown, column.stated_unit, column.target_unit or "")
        except UnitError as error:
            asked.append(f"{stem}: {column.key} was not used as {column.target}: {error}.")
            return None
    # A relative channel has no unit: the number as the device shows it.
    scale = choose(column.entry, shown, column.target_unit or None, values)
    if scale is None and len(values):
        asked.append(
            f"{stem}: {column.key} was not used as {column.target or 'a value'}: neither the dictionary nor "
            "the device gives plausible values; its raw numbers are kept."
        )
    elif scale is not None and scale.note:
        notes.append(f"{stem}: {scale.note}")
    return scale


def _chosen(
    log: LogData, scales: Sequence[Scale | None], device: Device | None, notes: list[str]
) -> dict[str, int]:
    """Target -> column that feeds it: of the machine itself, of the lowest rank, then with most values."""
    candidates: dict[str, list[int]] = {}
    for index, column in enumerate(log.columns):
        if column.target and scales[index] and len(log.rows[index]) and not _is_width(column):
            candidates.setdefault(column.target, []).append(index)
    chosen = {}
    for target, indexes in candidates.items():
        best = min(
            indexes,
            key=lambda i: (_foreign(log, i, device), *log.columns[i].rank, -len(log.rows[i]), i),
        )
        chosen[target] = best
        rivals = [i for i in indexes if i != best and log.columns[i].rank[0] == log.columns[best].rank[0]]
        if rivals:
            kept = ", ".join(log.columns[index].key for index in rivals)
            notes.append(f"{log.stem}: {target} is {log.columns[best].key}; {kept} is kept beside it.")
    return chosen


def _foreign(log: LogData, index: int, device: Device | None) -> bool:
    """Whether a column is of another device than the machine's own."""
    element = log.columns[index].element
    return device is not None and element is not None and element.device != device.id


def _of_device(log: LogData, device: Device | None) -> LogData:
    """``log`` with no values in the columns of other devices."""
    kept = [not _foreign(log, index, device) for index in range(len(log.columns))]
    return replace(
        log,
        rows=tuple(r if k else r[:0] for r, k in zip(log.rows, kept, strict=True)),
        values=tuple(v if k else v[:0] for v, k in zip(log.values, kept, strict=True)),
    )


def _undecided(log: LogData) -> list[str]:
    """Sentences on columns that could feed one of several channels, when nothing tells which."""
    return [
        f"{log.stem}: {column.key} may be {' or '.join(column.entry.targets)}; "
        "say which in farm.toml, under names."
        for column, rows in zip(log.columns, log.rows, strict=True)
        if column.entry is not None and len(column.entry.targets) > 1 and column.target is None and len(rows)
    ]


def _fed(log: LogData, chosen: Mapping[str, int]) -> dict[int, str]:
    """Column -> the channel it feeds, the only work state and the only width among them."""
    numbers = [column.place.identifier for column in log.columns]
    fed = {index: target for target, index in chosen.items()}
    for number, target in ((STATE, "working"), (WIDTHS[0], "working_width_m")):
        if numbers.count(number) == 1:
            fed.setdefault(numbers.index(number), target)
    return fed


def _is_width(column: LogColumn) -> bool:
    """Whether the dictionary, not ``farm.toml``, makes it a width: those are put together over sections."""
    return column.entry is not None and "working_width_m" in column.entry.targets


def _derive_flow(log: LogData, data: dict[str, NDArray[np.float64]], held: Filled, notes: list[str]) -> None:
    """Wet grain flow where only dry flow or yield by area is logged.

    Mass balance: wet = dry x (1 - reference moisture) / (1 - moisture), moistures as shares, wet basis.
    Yield by area [mg/m2] x width [m] x speed [m/s] is a flow.
    """
    if "grain_flow_kg_s" in data:
        return
    by_number = {column.place.identifier: index for index, column in enumerate(log.columns)}
    if {DRY_FLOW, REFERENCE_MOISTURE} <= by_number.keys() and "grain_moisture_pct" in data:
        dry_kg_s = 1e-6 * held(by_number[DRY_FLOW])
        reference = 1e-6 * held(by_number[REFERENCE_MOISTURE])
        dry_share = 1 - data["grain_moisture_pct"] / 100
        dry_share[dry_share <= 0] = np.nan
        data["grain_flow_kg_s"] = dry_kg_s * (1 - reference) / dry_share
        notes.append(f"{log.stem}: grain flow was worked out from the flow at reference moisture.")
    elif WET_BY_AREA in by_number and {"working_width_m", "speed_m_s"} <= data.keys():
        yield_kg_m2 = 1e-6 * held(by_number[WET_BY_AREA])
        data["grain_flow_kg_s"] = yield_kg_m2 * data["working_width_m"] * np.abs(data["speed_m_s"])
        notes.append(f"{log.stem}: grain flow was worked out from yield by area, width and speed.")


def _hold(log: LogData, data: dict[str, NDArray[np.float64]], held: Filled, notes: list[str]) -> None:
    """Leave the flow empty while the device says that its yield reading is frozen."""
    for index, column in enumerate(log.columns):
        if column.place.identifier == YIELD_HOLD and "grain_flow_kg_s" in data:
            frozen = held(index) == 1
            if frozen.any():
                data["grain_flow_kg_s"] = np.where(frozen, np.nan, data["grain_flow_kg_s"])
                notes.append(
                    f"{log.stem}: grain flow is empty in {int(frozen.sum())} readings: it was frozen."
                )
