"""TASKDATA.XML of a written season: crops, fields, devices, tasks with the totals of the machine."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from xml.sax.saxutils import quoteattr
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from chaffinch.pipelines.simulate.task_data.encoding import DECLARATION
from chaffinch.pipelines.simulate.task_data.written_columns import ELEMENTS, WrittenColumn, element_id
from numpy.typing import NDArray


def task_data_xml(
    frames: Sequence[pl.DataFrame],
    machines: Sequence[str],
    columns: Mapping[str, Sequence[WrittenColumn]],
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


def _device_xml(number: int, machine: str, columns: Sequence[WrittenColumn]) -> list[str]:
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
            f'<DET A="{element_id(number, element)}" B="{index + 1}" C="{kind}" D="{element}" E="{index}" '
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
        f'<DLV A="{identifier:04X}" B="{total}" C="{element_id(device, "combine")}"/>'
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
