"""Seasons written as task data: TASKDATA.XML and one time log per task, as a terminal would export them.

Each frame of readings is one task: one machine in one field. Channels and settings that the public dictionary
knows get its identifiers; the others one of the free range, described by name, scale and unit in the device.
Set values are logged when they change, measured ones in every record.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from xml.sax.saxutils import quoteattr
from zoneinfo import ZoneInfo

import numpy as np
from chaffinch.pipelines.task_data.clock import EPOCH_DAYS
from chaffinch.pipelines.task_data.dictionary import FIRST_PROPRIETARY, identifiers, unit
from chaffinch.pipelines.task_data.encoding import DECLARATION, encode, header_xml
from chaffinch.pipelines.task_data.log_header import DataLogValue, LogHeader
from chaffinch.pipelines.task_data.resync import DAY_MS
from chaffinch.schemas.declarations import channels, settings
from numpy.typing import NDArray

if TYPE_CHECKING:
    import polars as pl

FIELDS = ("time", "date", "north", "east", "up", "status", "gps_time", "gps_date")
PLACE_FIELDS = {"north": "latitude", "east": "longitude", "up": "altitude_m"}
PLACE_STEPS = {"north": 1e-7, "east": 1e-7, "up": 1e-3}
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
class _Column:
    """One column of the log: raw = (value - 0) / ``step``."""

    name: str
    number: int
    element: str
    step: float
    unit: str
    triggers: int


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
        machine: _columns([frame for frame in frames if frame["machine"][0] == machine])
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
        _task_data_xml(frames, machines, columns, boundaries or {}, zone, written), encoding="utf-8"
    )
    return [*written, path]


def _with_set_values(frame: pl.DataFrame, adjustments: pl.DataFrame | None) -> pl.DataFrame:
    """``frame`` with a column for each number that was adjusted, holding its value at every reading."""
    import polars as pl

    if adjustments is None:
        return frame
    own = adjustments.filter(pl.col("machine") == frame["machine"][0], pl.col("kind") == "number").sort(
        "time"
    )
    for (name,), changes in own.group_by(["setting"], maintain_order=True):
        column = settings()[str(name)].column
        if column in frame.columns and frame[column].null_count() < len(frame):
            continue
        values = [changes["from_value"][0], *changes["to_value"].to_list()]
        numbers = np.array([np.nan if value is None else float(value) for value in values])
        passed = np.searchsorted(changes["time"].to_numpy(), frame["time"].to_numpy(), side="right")
        frame = frame.with_columns(pl.Series(column, numbers[passed], nan_to_null=True))
    return frame


def _columns(frames: Sequence[pl.DataFrame]) -> list[_Column]:
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


def _column(name: str, free: Iterator[int], largest: float) -> _Column:
    """Identifier, element and step of a column whose largest magnitude is ``largest``."""
    by_column = {setting.column: setting for setting in settings().values()}
    setting = by_column.get(name)
    if setting is not None:
        element, triggers = STAGE_ELEMENT.get(setting.stage, setting.stage), BY_CHANGE
    else:
        element = CHANNEL_ELEMENT.get(name, "combine")
        triggers = BY_CHANGE if name in ("working", "working_width_m") else BY_TIME
    if name == "working":
        return _Column(name, 141, element, 1.0, "", triggers)
    own_unit = setting.unit if setting else channels()[name].unit
    for entry in identifiers().values():
        source, target = unit(entry.unit), unit(own_unit)
        if entry.targets == (name,) and entry.rank == 1 and source and target:
            return _Column(
                name,
                entry.number,
                element,
                float(entry.resolution * source.factor / target.factor),
                own_unit,
                triggers,
            )
    step = next(step for step in (0.001, 0.01, 0.1, 1.0, 10.0, 1e3, 1e6) if largest / step < 1e9)
    return _Column(name, next(free), element, step, own_unit, triggers)


def _log(frame: pl.DataFrame, columns: Sequence[_Column], device: int, zone: str) -> tuple[LogHeader, bytes]:
    names = [column for column in columns if column.name in frame.columns]
    values = tuple(
        DataLogValue(index, column.number, _element_id(device, column.element))
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


def _raw(frame: pl.DataFrame, column: _Column) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
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


def _element_id(device: int, element: str) -> str:
    return f"DET-{100 * device + ELEMENTS.index(element)}"


def _task_data_xml(
    frames: Sequence[pl.DataFrame],
    machines: Sequence[str],
    columns: Mapping[str, Sequence[_Column]],
    boundaries: Mapping[str, str],
    zone: str,
    logs: Sequence[Path],
) -> str:
    """The task file: crops as products of a group of type crop, fields, devices, tasks with their totals."""
    crops = list(dict.fromkeys(frame["crop"][0] for frame in frames if frame["crop"][0]))
    names = list(dict.fromkeys([*(f["field"][0] for f in frames if f["field"][0]), *boundaries]))
    lines = [
        '<ISO11783_TaskData VersionMajor="4" VersionMinor="2" ManagementSoftwareManufacturer="" '
        'ManagementSoftwareVersion="" TaskControllerManufacturer="" TaskControllerVersion="" '
        'DataTransferOrigin="2">'
    ]
    if crops:
        lines.append('<PGP A="PGP-1" B="crops" C="2"/>')
    for number, crop in enumerate(crops, start=1):
        lines.append(f'<PDT A="PDT-{number}" B={quoteattr(crop)} C="PGP-1"/>')
    for number, name in enumerate(names, start=1):
        lines += _field_xml(number, name, boundaries.get(name))
    for number, machine in enumerate(machines, start=1):
        lines += _device_xml(number, machine, columns[machine])
    for number, frame in enumerate(frames, start=1):
        sizes = logs[2 * number - 1].stat().st_size
        lines += _task_xml(number, frame, names, crops, machines, zone, sizes)
    return DECLARATION + "\n".join([*lines, "</ISO11783_TaskData>"]) + "\n"


def _field_xml(number: int, name: str, text: str | None) -> list[str]:
    import shapely
    from pyproj import Geod

    shape = shapely.from_wkt(text) if text else None
    area_m2 = 0 if shape is None else abs(Geod(ellps="WGS84").geometry_area_perimeter(shape)[0])
    lines = [f'<PFD A="PFD-{number}" C={quoteattr(name)} D="{area_m2:.0f}">']
    for polygon in shapely.get_parts(shape) if shape is not None else []:
        lines.append('<PLN A="1">')
        for kind, ring in ((1, polygon.exterior), *((2, hole) for hole in polygon.interiors)):
            points = "".join(f'<PNT A="2" C="{north:.9f}" D="{east:.9f}"/>' for east, north in ring.coords)
            lines.append(f'<LSG A="{kind}">{points}</LSG>')
        lines.append("</PLN>")
    return [*lines, "</PFD>"]


def _device_xml(number: int, machine: str, columns: Sequence[_Column]) -> list[str]:
    lines = [
        f'<DVC A="DVC-{number}" B={quoteattr(machine[:32])} C="1" D="{_bus_name(machine)}" '
        f'E="{_digits(machine)[:8]}" F="31" G="FF000000006E65">'
    ]
    objects = {column.name: 100 + index for index, column in enumerate(columns)}
    shown = {
        column.name: 400 + index for index, column in enumerate(columns) if column.unit or column.step != 1
    }
    for index, element in enumerate(ELEMENTS):
        kind = {"combine": 1, "grain tank": 3}.get(element, 2)
        own = "".join(f'<DOR A="{objects[c.name]}"/>' for c in columns if c.element == element)
        lines.append(
            f'<DET A="{_element_id(number, element)}" B="{index + 1}" C="{kind}" D="{element}" E="{index}" '
            f'F="{0 if index == 0 else 1}">{own}</DET>'
        )
    for column in columns:
        display = f' F="{shown[column.name]}"' if column.name in shown else ""
        lines.append(
            f'<DPD A="{objects[column.name]}" B="{column.number:04X}" C="1" D="{column.triggers}" '
            f'E="{column.name[:32]}"{display}/>'
        )
    for column in columns:
        if column.name in shown:
            scale = f"{column.step:.9f}"
            lines.append(f'<DVP A="{shown[column.name]}" B="0" C="{scale}" D="3" E="{column.unit}"/>')
    return [*lines, "</DVC>"]


def _digits(machine: str) -> str:
    return hashlib.sha256(machine.encode()).hexdigest()


def _bus_name(machine: str) -> str:
    """Name on the bus: self-configurable, agriculture, class 7 (harvesters), no maker, a serial number."""
    serial = int(_digits(machine)[:6], 16) & 0x1FFFFF
    return f"{(1 << 63) | (2 << 60) | (7 << 49) | serial:016X}"


def _task_xml(
    number: int,
    frame: pl.DataFrame,
    names: Sequence[str],
    crops: Sequence[str],
    machines: Sequence[str],
    zone: str,
    size: int,
) -> list[str]:
    field, crop, device = frame["field"][0], frame["crop"][0], machines.index(frame["machine"][0]) + 1
    place = f' E="PFD-{names.index(field) + 1}"' if field else ""
    title = " ".join(part for part in (field, crop) if part)
    start, stop = (_written_time(frame["time"][at], zone) for at in (0, -1))
    totals = "".join(
        f'<DLV A="{identifier:04X}" B="{total}" C="{_element_id(device, "combine")}"/>'
        for identifier, total in _totals(frame).items()
    )
    allocated = f'<PAN A="PDT-{crops.index(crop) + 1}"/>' if crop else ""
    return [
        f'<TSK A="TSK-{number}" B={quoteattr(title[:32])}{place} G="4">',
        f'<TIM A="{start}" B="{stop}" D="4">{totals}</TIM>',
        f'<DAN A="{_bus_name(frame["machine"][0])}" C="DVC-{device}"/>',
        f'{allocated}<TLG A="TLG{number:05d}" B="{size}" C="1"/>',
        "</TSK>",
    ]


def _written_time(moment: datetime, zone: str) -> str:
    local = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment
    return local.astimezone(ZoneInfo(zone)).isoformat(timespec="milliseconds")


def _totals(frame: pl.DataFrame) -> dict[int, int]:
    """Crop mass [kg], area [m2] and time in work [s] of the task, as the machine would have counted them."""
    seconds = np.diff(frame["time"].dt.epoch("ms").to_numpy()) / 1000.0
    seconds = np.where(seconds <= 10, seconds, 0.0)

    def column(name: str) -> NDArray[np.float64]:
        values = frame[name].cast(float).to_numpy() if name in frame.columns else np.zeros(len(frame))
        return np.nan_to_num(values[:-1])

    in_work = column("working") == 1
    return {
        90: round(float((column("grain_flow_kg_s") * seconds).sum())),
        116: round(float((column("working_width_m") * column("speed_m_s") * in_work * seconds).sum())),
        119: round(float(seconds[in_work].sum())),
    }
