"""Seasons written as task data: TASKDATA.XML and one time log per task, as a terminal would export them.

Each frame of readings is one task: one machine in one field. Channels and settings that the public dictionary
knows get its identifiers; the others one of the free range, described by name, scale and unit in the device.
Set values are logged when they change, measured ones in every record.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import polars as pl
from chaffinch.pipelines.ingest.task_data.records.clock_offset import EPOCH_DAYS
from chaffinch.pipelines.ingest.task_data.records.log_header import DataLogValue, LogHeader
from chaffinch.pipelines.ingest.task_data.records.resync import DAY_MS
from chaffinch.pipelines.simulate.task_data.encoding import encode, header_xml
from chaffinch.pipelines.simulate.task_data.task_file_xml import task_data_xml
from chaffinch.pipelines.simulate.task_data.written_columns import (
    BY_CHANGE,
    WrittenColumn,
    columns_of,
    element_id,
)
from chaffinch.schemas.declarations import settings
from numpy.typing import NDArray

FIELDS = ("time", "date", "north", "east", "up", "status", "gps_time", "gps_date")
PLACE_FIELDS = {"north": "latitude", "east": "longitude", "up": "altitude_m"}
PLACE_STEPS = {"north": 1e-7, "east": 1e-7, "up": 1e-3}


def write_task_data(
    folder: Path,
    tasks: Sequence[pl.DataFrame],
    adjustments: pl.DataFrame | None = None,
    boundaries: Mapping[str, str] | None = None,
    zone: str = "UTC",
) -> list[Path]:
    """Write a task set into ``folder`` and give the files written, TASKDATA.XML last.

    tasks : readings of one machine in one field each (columns of the contract of ``readings``, time in UTC).
    adjustments : numeric ones are logged as set values (contract of ``adjustments``); those given in words
    have no place in a log and are left out. boundaries : field name to WKT. zone : of the terminal's clock.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    frames = [_with_set_values(frame, adjustments) for frame in tasks]
    machines = list(dict.fromkeys(frame["machine"][0] for frame in frames))
    columns = {
        machine: columns_of([frame for frame in frames if frame["machine"][0] == machine])
        for machine in machines
    }
    for number, frame in enumerate(frames, start=1):
        machine = frame["machine"][0]
        device = machines.index(machine) + 1
        header, data = _log(frame, columns[machine], device, zone)
        for ending, content in (("XML", header_xml(header).encode()), ("BIN", data)):
            path = folder / f"TLG{number:05d}.{ending}"
            path.write_bytes(content)
            written.append(path)
    path = folder / "TASKDATA.XML"
    path.write_text(
        task_data_xml(frames, machines, columns, boundaries or {}, zone, written), encoding="utf-8"
    )
    return [*written, path]


def _with_set_values(frame: pl.DataFrame, adjustments: pl.DataFrame | None) -> pl.DataFrame:
    """``frame`` with a column for each number that was adjusted, holding its value at every reading."""
    if adjustments is None:
        return frame
    own = adjustments.filter(pl.col("machine") == frame["machine"][0], pl.col("kind") == "number")
    for (name,), changes in own.sort("time").group_by(["setting"], maintain_order=True):
        column = settings()[str(name)].column
        if column not in frame.columns or frame[column].null_count() == len(frame):
            frame = frame.with_columns(_set_values(frame["time"], changes).alias(column))
    return frame


def _set_values(times: pl.Series, changes: pl.DataFrame) -> pl.Series:
    """The value of one setting at each of ``times``, by its changes in the order of time.

    Before the first change of this task it is what that one started from; without one, what the last change
    before left.
    """
    inside = changes.filter(pl.col("time") > times[0], pl.col("time") <= times[-1])
    if inside.height:
        levels = [inside["from_value"][0], *inside["to_value"].to_list()]
        passed = np.searchsorted(inside["time"].to_numpy(), times.to_numpy(), side="right")
    else:
        before = changes.filter(pl.col("time") <= times[0])
        levels = [before["to_value"][-1] if before.height else changes["from_value"][0]]
        passed = np.zeros(len(times), np.int64)
    numbers = np.array([np.nan if level is None else float(level) for level in levels])
    return pl.Series(numbers[passed], nan_to_null=True)


def _log(
    frame: pl.DataFrame, columns: Sequence[WrittenColumn], device: int, zone: str
) -> tuple[LogHeader, bytes]:
    names = [column for column in columns if column.name in frame.columns]
    values = tuple(
        DataLogValue(index, column.number, element_id(device, column.element))
        for index, column in enumerate(names)
    )
    fields = tuple(name for name in FIELDS if PLACE_FIELDS.get(name, "time") in frame.columns)
    header = LogHeader(fields, values)
    fixed = np.zeros(len(frame), header.fixed_type)
    utc_ms = frame["time"].dt.epoch("ms").to_numpy().astype(np.int64)
    local_ms = frame["time"].dt.convert_time_zone(zone).dt.replace_time_zone(None).dt.epoch("ms").to_numpy()
    for prefix, moments in (("", local_ms), ("gps_", utc_ms)):
        fixed[f"{prefix}time"] = moments % DAY_MS
        fixed[f"{prefix}date"] = moments // DAY_MS - EPOCH_DAYS
    fixed["status"] = 1
    for name, column in PLACE_FIELDS.items():
        if name in fields:
            place = frame[column].cast(float).to_numpy() / PLACE_STEPS[name]
            fixed[name] = np.where(np.isnan(place), 2**31 - 1, np.round(np.nan_to_num(place)))
    return header, encode(header, fixed, [_raw(frame, column) for column in names])


def _raw(frame: pl.DataFrame, column: WrittenColumn) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Records that hold the column and its raw values there."""
    values = frame[column.name].cast(float).to_numpy()
    known = np.isfinite(values)
    raw = np.round(np.where(known, values, 0.0) / column.step).clip(-(2**31) + 2, 2**31 - 2).astype(np.int32)
    if column.triggers == BY_CHANGE:
        rows = np.flatnonzero(known)
        changed = np.append(True, raw[rows][1:] != raw[rows][:-1])[: len(rows)]
        known = np.zeros(len(raw), bool)
        known[rows[changed]] = True
    rows = np.flatnonzero(known)
    return rows.astype(np.int64), raw[rows]
