"""A time log as a harvest log: its columns scaled, kept until they change, and given their channels.

What feeds no channel is kept in ``other`` under number, element and designator. Nothing is filled in before a
value's first occurrence. Sources of the conventions: ISO 11783-11 (identifiers, units, two-bit states).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array, HeldColumn
from chaffinch.pipelines.ingest.kinds.missing_columns import without_impossible
from chaffinch.pipelines.ingest.task_data.files.task_objects import Device, TaskFile
from chaffinch.pipelines.ingest.task_data.meaning.chosen_columns import (
    chosen_columns,
    fed_columns,
    of_device,
    undecided,
    used_columns,
)
from chaffinch.pipelines.ingest.task_data.meaning.derived_channels import (
    DRY_MATTER,
    Known,
    grain_flow_kg_s,
    is_derived,
    losses,
)
from chaffinch.pipelines.ingest.task_data.meaning.held_values import (
    Carry,
    begun_with,
    filled,
    remember,
    unsure,
)
from chaffinch.pipelines.ingest.task_data.meaning.other_values import fixed_values, other_texts
from chaffinch.pipelines.ingest.task_data.meaning.speed import with_speed
from chaffinch.pipelines.ingest.task_data.meaning.work_state import UNLOADING, columns_under, on_off, working
from chaffinch.pipelines.ingest.task_data.meaning.working_width import width_m
from chaffinch.pipelines.ingest.task_data.records.columns import LogColumn
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData
from chaffinch.pipelines.ingest.task_data.records.scaling import Scale, by_stated_unit, choose
from chaffinch.schemas.declarations import channels
from chaffinch.schemas.units import UnitError

YIELD_HOLD = 239
# A flow this little below 0 is the drifted zero of a sensor, and no fault of the row. From memory, no source.
SENSOR_ZERO_KG_S = 0.5


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
class ChannelTable:
    """``frame``: number, local_us, columns of ``readings`` that the log feeds, ``other``. N rows.

    uses : one for each column of the log, in its order. notes : sentences on how it was read. attention :
    sentences that ask something of the user.
    """

    frame: pl.DataFrame
    uses: tuple[ColumnUse, ...]
    notes: tuple[str, ...]
    attention: tuple[str, ...]


def channels_of_log(
    log: LogData,
    task_file: TaskFile,
    device: Device | None,
    carry: Carry,
    more: Mapping[str, str] = MappingProxyType({}),
) -> ChannelTable:
    """Make a harvest log of ``log``.

    device : the machine, whose values count before those of other devices in the log. carry : read for values
    kept from the log before, and renewed. more : what else to keep in ``other`` of the first reading.
    """
    notes: list[str] = []
    asked = undecided(log)
    begun = begun_with(log, carry)
    carried = sum(len(now) > len(was) for now, was in zip(begun.rows, log.rows, strict=True))
    if carried:
        notes.append(f"{log.stem}: begins with {carried} values from the end of the log before it.")
    scales = [
        _scale(log.stem, column, values, notes, asked)
        for column, values in zip(begun.columns, begun.values, strict=True)
    ]
    chosen = chosen_columns(begun, scales, device, notes)
    data, derived = _channels(begun, task_file, device, scales, chosen, notes)
    remember(begun, carry)
    fed = fed_columns(log, chosen)
    fixed = {**fixed_values(device, task_file), **more}
    frame = pl.DataFrame({"number": log.number, "local_us": log.local_us}).with_columns(
        _series("latitude", log.latitude_deg),
        _series("longitude", log.longitude_deg),
        _series("altitude_m", log.altitude_m),
        *(_series(name, values) for name, values in data.items()),
        other_texts(log, [index for index in range(len(log.columns)) if index not in fed], scales, fixed),
    )
    frame = without_impossible(frame, derived, notes, f"{log.stem}: ")
    used = used_columns(log, chosen, data) | fed
    uses = (
        ColumnUse(column.key, used.get(index), scales[index], float(values[0]) if len(values) else None)
        for index, (column, values) in enumerate(zip(log.columns, log.values, strict=True))
    )
    return ChannelTable(frame, tuple(uses), tuple(notes), tuple(asked))


def _channels(
    log: LogData,
    task_file: TaskFile,
    device: Device | None,
    scales: Sequence[Scale | None],
    chosen: Mapping[str, int],
    notes: list[str],
) -> tuple[dict[str, Array], set[str]]:
    """(N,) values of every channel and setting that the log feeds, and the names of those that were worked out."""
    times_s = log.local_us / 1e6

    def held(index: int) -> Array:
        return filled(log, index, times_s)

    def metres(index: int) -> Array:
        scale = scales[index]
        return scale.apply(held(index)) if scale is not None and scale.unit == "m" else held(index) / 1000.0

    data = {
        target: (scale.apply if target in channels() else scale.apply_to_set_value)(held(index))
        for target, index in chosen.items()
        if (scale := scales[index]) is not None
    }
    if "speed_m_s" in chosen:
        _speed_by_positions(log, chosen["speed_m_s"], data, times_s, notes)
    own = of_device(log, device)
    state = working(own, held)
    if state is None:
        state = working(log, held)
    if state is not None:
        data.setdefault("working", state)
    if unloads := columns_under(own, UNLOADING) or columns_under(log, UNLOADING):
        # The lowest two bits are the state of unloading; those of loading come after it.
        data.setdefault("unloading", on_off(held(unloads[0])))
    width, width_source = width_m(own, task_file, held, metres)
    if width is None:
        width, width_source = width_m(log, task_file, held, metres)
    if width is not None and "working_width_m" not in data:
        data["working_width_m"] = width
        if width_source:
            notes.append(f"{log.stem}: the working width is {width_source}.")
    logged = {*chosen, "working", "unloading", *(() if width_source else ("working_width_m",))}
    known = Known(log, scales, held, device, task_file, data, data.get("speed_m_s", _speed_m_s(log)))
    _derive(known, notes)
    _hold(log, data, held, notes)
    flow = data.get("grain_flow_kg_s")
    if flow is not None and (drifted := (flow < 0) & (flow > -SENSOR_ZERO_KG_S)).any():
        notes.append(
            f"{log.stem}: grain flow was a little below 0 in {int(drifted.sum())} readings, as when the zero "
            "of a sensor drifts; it was set to 0."
        )
        data["grain_flow_kg_s"] = np.where(drifted, 0.0, flow)
    if "speed_m_s" in data and (data["speed_m_s"] < 0).any():
        notes.append(f"{log.stem}: negative speeds (reversing) were made positive.")
        data["speed_m_s"] = np.abs(data["speed_m_s"])
    return data, data.keys() - logged


def _series(name: str, values: Array) -> pl.Series:
    return pl.Series(name, values, nan_to_null=True, strict=False)


def _scale(stem: str, column: LogColumn, values: Array, notes: list[str], asked: list[str]) -> Scale | None:
    """How to read one column; None where log and device contradict each other beyond repair."""
    shown = column.described.presentation if column.described else None
    if column.stated_unit is not None and column.target is not None:
        try:
            return by_stated_unit(shown, column.stated_unit, column.target_unit or "")
        except UnitError as error:
            asked.append(f"{stem}: {column.key} was not used as {column.target}: {error}.")
            return None
    # A relative channel has no unit: the number as the device shows it.
    target_unit = None if is_derived(column) else column.target_unit or None
    scale = choose(column.entry, shown, target_unit, values)
    if scale is None and len(values):
        asked.append(
            f"{stem}: {column.key} was not used as {column.target or 'a value'}: neither the dictionary nor "
            "the device gives plausible values; its raw numbers are kept."
        )
    elif scale is not None and scale.note:
        notes.append(f"{stem}: {scale.note}")
    return scale


def _derive(known: Known, notes: list[str]) -> None:
    """Add moisture, grain flow and losses that the log holds in another form to the channels of ``known``."""
    if "grain_moisture_pct" not in known.data and (dry_ppm := known.under(DRY_MATTER)) is not None:
        known.data["grain_moisture_pct"] = 100.0 - 1e-4 * dry_ppm
        notes.append(f"{known.log.stem}: grain moisture is what the logged dry matter leaves of 100 %.")
    if "grain_flow_kg_s" not in known.data:
        flow = grain_flow_kg_s(known)
        if flow is not None:
            known.data["grain_flow_kg_s"] = flow[0]
            notes.append(f"{known.log.stem}: grain flow was computed from {flow[1]}.")
    for target, (values, how, index) in losses(known).items():
        known.data[target] = values
        key = known.log.columns[index].key
        notes.append(f"{known.log.stem}: {target} was computed from {key}: {how}.")


def _speed_m_s(log: LogData) -> Array | None:
    """Speed by positions, for what has to be worked out of it; None without positions."""
    if not np.isfinite(log.latitude_deg).any():
        return None
    places = pl.DataFrame(
        {
            "local_us": log.local_us,
            "latitude": pl.Series(log.latitude_deg, nan_to_null=True),
            "longitude": pl.Series(log.longitude_deg, nan_to_null=True),
        }
    )
    return with_speed(places)["speed_m_s"].to_numpy().astype(np.float64)


def _speed_by_positions(
    log: LogData, index: int, data: dict[str, Array], times_s: Array, notes: list[str]
) -> None:
    """Take the speed of positions where the logged one is older than what it is known to hold for."""
    doubtful = unsure(log, index, times_s)
    if not doubtful.any() or (by_positions := _speed_m_s(log)) is None:
        return
    used = doubtful & np.isfinite(by_positions)
    if used.any():
        data["speed_m_s"] = np.where(used, by_positions, data["speed_m_s"])
        notes.append(
            f"{log.stem}: {log.columns[index].key} has pauses in which it may have changed; the speed in "
            f"{int(used.sum())} readings there is that of the positions."
        )


def _hold(log: LogData, data: dict[str, Array], held: HeldColumn, notes: list[str]) -> None:
    """Leave the flow empty while the device says that its yield reading is frozen."""
    for index, column in enumerate(log.columns):
        if column.place.identifier == YIELD_HOLD and "grain_flow_kg_s" in data:
            frozen = held(index) == 1
            if frozen.any():
                data["grain_flow_kg_s"] = np.where(frozen, np.nan, data["grain_flow_kg_s"])
                notes.append(
                    f"{log.stem}: grain flow is empty in {int(frozen.sum())} readings: it was frozen."
                )
