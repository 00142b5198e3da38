"""The header of a time log: what a record of its binary holds, in which order.

ISO 11783-10: the header is one ``TIM`` element. An attribute that is absent is not known; one that is
present and empty has its value in every record; one that is filled holds for every record and takes no bytes.
Data log values are numbered from 0 in the order of the file, every one counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from chaffinch.pipelines.ingest.task_data.files.safe_xml import Node

POSITION_FIELDS: tuple[tuple[str, str, str], ...] = (
    ("A", "north", "<i4"),
    ("B", "east", "<i4"),
    ("C", "up", "<i4"),
    ("D", "status", "u1"),
    ("E", "pdop", "<u2"),
    ("F", "hdop", "<u2"),
    ("G", "satellites", "u1"),
    ("H", "gps_time", "<u4"),
    ("I", "gps_date", "<u2"),
)
TIME_FIELDS = (("time", "<u4"), ("date", "<u2"))
TYPES = dict(TIME_FIELDS) | {name: kind for _, name, kind in POSITION_FIELDS}
MAX_VALUES = 255


@dataclass(frozen=True, slots=True)
class DataLogValue:
    """One column of the log: its place in the header, its identifier, its device element.

    ``constant`` : raw value when the header itself holds it. ``signal`` : parameter group, first and last
    bit, for a value picked out of a message of the machine's bus. ``identifier`` is None when unreadable.
    """

    index: int
    identifier: int | None
    element: str
    constant: int | None = None
    signal: tuple[int, int, int] | None = None


@dataclass(frozen=True, slots=True)
class LogHeader:
    """``fields`` : names of the fixed part in the order of the binary. ``constants`` : position fields that
    the header holds for every record, in their own units (degrees, mm, plain numbers). ``start`` : moment for
    every record when the header holds it. ``values`` : at most 255 columns. ``any_status`` : the position
    status may be any byte, as with writers who use none of the standard's codes.
    """

    fields: tuple[str, ...]
    values: tuple[DataLogValue, ...] = ()
    constants: Mapping[str, float] | None = None
    start: datetime | None = None
    notes: tuple[str, ...] = ()
    any_status: bool = False

    @property
    def fixed_type(self) -> np.dtype:
        """Packed little-endian layout of the fixed part, without the count of values."""
        seen: dict[str, int] = {}
        pairs = []
        for name in self.fields:
            seen[name] = seen.get(name, 0) + 1
            pairs.append((name if seen[name] == 1 else f"{name}_{seen[name]}", TYPES[name]))
        return np.dtype(pairs)

    @property
    def timed(self) -> bool:
        return self.fields[:2] == ("time", "date")

    def alternatives(self) -> tuple[LogHeader, ...]:
        """Layouts that early or odd writers used under this header, likeliest first.

        The whole position, two positions, a time in every record though the header says otherwise, codes of
        their own for the position status.
        """
        position = tuple(name for _, name, _ in POSITION_FIELDS)
        clock = tuple(name for name, _ in TIME_FIELDS)
        head = tuple(name for name in self.fields if name in clock)
        own = tuple(name for name in self.fields if name not in clock)
        layouts = [head + position, head + own + own] if own else []
        if not head:
            layouts += [clock + own, clock + position]
        others = [replace(self, fields=fields) for fields in layouts if fields != self.fields]
        return (*others, *([replace(self, any_status=True)] if "status" in self.fields else []))


def read_header(root: Node) -> LogHeader:
    """The header out of its XML, whose root is ``TIM`` or holds one. Raises ``ValueError``."""
    notes: list[str] = []
    tims = [root] if root.tag == "TIM" else [node for node in _walk(root) if node.tag == "TIM"]
    if not tims:
        raise ValueError("holds no TIM element, so the layout of the log is not known")
    tim = tims[0]
    if len(tims) > 1:
        if any(_signature(other) != _signature(tim) for other in tims[1:]):
            raise ValueError("holds several TIM elements that disagree about the layout of the log")
        notes.append("the header holds its TIM element more than once; the first is used")
    fields, constants, position_notes = _position_fields(tim)
    start = None
    if _in_record(tim, "A"):
        fields = ("time", "date", *fields)
    elif tim.get("A"):
        start = _moment(tim.get("A") or "")
    values = [_value(index, node) for index, node in enumerate(tim.named("DLV"))]
    if len(values) > MAX_VALUES:
        notes.append(f"the header lists {len(values)} values; a record can only name the first {MAX_VALUES}")
        values = values[:MAX_VALUES]
    return LogHeader(fields, tuple(values), constants, start, (*notes, *position_notes))


def _in_record(node: Node, letter: str) -> bool:
    """Whether an attribute is present and empty: its value is in every record."""
    return letter in node.attributes and node.get(letter) is None


def _walk(node: Node) -> list[Node]:
    return [node, *(deeper for child in node.children for deeper in _walk(child))]


def _signature(tim: Node) -> tuple:
    positions = [sorted(node.attributes.items()) for node in tim.named("PTN")]
    return tim.attributes.get("A"), positions, [sorted(node.attributes.items()) for node in tim.named("DLV")]


def _position_fields(tim: Node) -> tuple[tuple[str, ...], dict[str, float], list[str]]:
    positions = list(tim.named("PTN"))
    if not positions:
        return (), {}, []
    notes = ["the header holds two positions; the first was used"] if len(positions) > 1 else []
    fields = tuple(name for letter, name, _ in POSITION_FIELDS if _in_record(positions[0], letter))
    constants = {
        name: value
        for letter, name, _ in POSITION_FIELDS
        if (value := positions[0].number(letter)) is not None
    }
    return fields, constants, notes


def _value(index: int, node: Node) -> DataLogValue:
    group, first, last = node.whole("D"), node.whole("E"), node.whole("F")
    signal = None if group is None or first is None or last is None else (group, first, last)
    identifier = node.hexadecimal("A")
    if identifier is not None and identifier > 0xFFFF:
        identifier = None
    constant = node.whole("B")
    if constant is not None and not -(2**31) <= constant < 2**32:
        constant = None
    return DataLogValue(index, identifier, node.get("C") or "", constant, signal)


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        return None
