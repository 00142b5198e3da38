"""The working width of a machine out of the widths and states of its elements, side by side.

Sections and units (rows of a header) lie side by side and add up, each while it is in work. Of devices and
functions the widest counts, as with two headers that are described at once, except where their own offsets to
the side show that they lie side by side. Identifiers of ISO 11783-11: widths 67 (actual), 68 (default), 70
(largest); offset to the right 135.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from chaffinch.pipelines.array_types import Array, HeldColumn
from chaffinch.pipelines.ingest.task_data.files.geometry import OFFSET_RIGHT
from chaffinch.pipelines.ingest.task_data.files.task_objects import DeviceElement, TaskFile
from chaffinch.pipelines.ingest.task_data.meaning.work_state import (
    PARTS,
    STATE,
    WIDTHS,
    columns_under,
    condensed_states,
    kind_of,
    states_of,
)
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData

WIDEST_MM = 25_000
# Two elements whose middles are further apart than this share of their mean width lie side by side.
BESIDE = 0.5


def width_m(
    log: LogData, task_file: TaskFile, held: HeldColumn, metres: HeldColumn
) -> tuple[Array | None, str]:
    """(N,) working width in m, and how it is known where not simply logged; None when nothing shows it.

    held : raw values of a column, kept on. metres : those of a width, in m.
    """
    logged: dict[str, Array] = {}
    for index in columns_under(log, WIDTHS[0]):
        logged.setdefault(log.columns[index].place.element, metres(index))
    whole = {name: width for name, width in logged.items() if kind_of(log, name) not in PARTS}
    if whole:
        return _side_by_side(whole, _offsets_m(whole, log, task_file))
    elements = _elements_of(log, task_file)
    parts, described = _parts(logged, elements, len(log)), _whole_width_m(elements)
    all_parts = bool(parts) and not _siblings_of(parts, elements) - parts.keys()
    if described is None or (logged and all_parts):
        if not parts:
            return None, ""
        width, _ = _side_by_side(_in_work(parts, log, held), _offsets_m(parts, log, task_file), True)
        kind = (
            "units"
            if all(elements[name].kind == "unit" for name in parts if name in elements)
            else "sections"
        )
        return width, f"the sum of {len(parts)} {kind}" + ("" if logged else " by the device description")
    share = _share_in_work(log, held)
    if share is None:
        return np.full(len(log), described), f"the one of the device description, {described:g} m"
    return described * share, f"{described:g} m times the share of sections in work"


def _elements_of(log: LogData, task_file: TaskFile) -> dict[str, DeviceElement]:
    """Every element of the devices that the log holds values of."""
    devices = {
        c.element.device for c, rows in zip(log.columns, log.rows, strict=True) if c.element and len(rows)
    }
    return {name: one for name, one in task_file.elements.items() if one.device in devices}


def _fixed_m(element: DeviceElement, number: int) -> float | None:
    value = element.fixed.get(number)
    return value.raw / 1000 if value is not None and value.raw and 0 < value.raw <= WIDEST_MM else None


def _whole_width_m(elements: Mapping[str, DeviceElement]) -> float | None:
    """Width by the description of the device or its functions: actual, else default, else largest."""
    for number in WIDTHS:
        found = [_fixed_m(one, number) for one in elements.values() if one.kind not in PARTS]
        if widest := max((width for width in found if width is not None), default=None):
            return widest
    return None


def _parts(
    logged: Mapping[str, Array], elements: Mapping[str, DeviceElement], readings: int
) -> dict[str, Array]:
    """Widths of sections and units: logged, else described; of those that lie in another one, only that."""
    widths = dict(logged)
    for name, element in elements.items():
        described = next((w for n in WIDTHS if (w := _fixed_m(element, n)) is not None), None)
        if element.kind in PARTS and described is not None and name not in logged:
            widths[name] = np.broadcast_to(np.float64(described), readings)
    # From left to right, as condensed states have them.
    ordered = sorted(widths, key=lambda name: elements[name].number if name in elements else 0)
    return {
        name: widths[name]
        for name in ordered
        if name not in elements or not set(elements[name].parents) & widths.keys()
    }


def _siblings_of(parts: Iterable[str], elements: Mapping[str, DeviceElement]) -> set[str]:
    """Elements of the same kind and parent as these that have a width or a state."""
    places = {(elements[name].kind, elements[name].parents[:1]) for name in parts if name in elements}
    return {
        name
        for name, one in elements.items()
        if (one.kind, one.parents[:1]) in places and {STATE, *WIDTHS} & (one.logged.keys() | one.fixed.keys())
    }


def _in_work(parts: Mapping[str, Array], log: LogData, held: HeldColumn) -> dict[str, Array]:
    """Each width, 0 while its own state, or its place in the condensed states, is off."""
    states = {name: state for name, state in states_of(log, held).items() if name in parts}
    condensed = condensed_states(log, held)
    if not states and condensed is not None:
        if condensed.shape[1] == len(parts):
            states = dict(zip(parts, condensed.T, strict=True))
        else:
            share = _share_on(condensed)
            return {name: width * share for name, width in parts.items()}
    return {name: np.where(states[name] == 0, 0.0, w) if name in states else w for name, w in parts.items()}


def _share_in_work(log: LogData, held: HeldColumn) -> Array | None:
    """(N,) share of the sections or units that are in work; None where no state of one is logged."""
    own = [state for name, state in states_of(log, held).items() if kind_of(log, name) in PARTS]
    states = np.stack(own, axis=1) if len(own) > 1 else condensed_states(log, held)
    return None if states is None else _share_on(states)


def _share_on(states: Array) -> Array:
    known = (~np.isnan(states)).sum(axis=1)
    on = (states == 1).sum(axis=1)
    return np.where(known > 0, on / np.maximum(known, 1), np.nan)


def _offsets_m(names: Iterable[str], log: LogData, task_file: TaskFile) -> dict[str, float | None]:
    """How far to the right each element lies, by its description, else as first logged.

    Sections and units that all lie at one place have no offsets of their own: a writer filled in zeros.
    """
    first = {log.columns[i].place.element: float(log.values[i][0]) for i in columns_under(log, OFFSET_RIGHT)}
    found: dict[str, float | None] = {}
    for name in names:
        element = task_file.elements.get(name)
        fixed = element.fixed.get(OFFSET_RIGHT) if element is not None else None
        raw = fixed.raw if fixed is not None and fixed.raw is not None else first.get(name)
        found[name] = None if raw is None else raw / 1000
    same = len(set(found.values())) == 1 and all(kind_of(log, name) in (*PARTS, "unknown") for name in found)
    return dict.fromkeys(found) if same else found


def _side_by_side(
    widths: Mapping[str, Array], offsets_m: Mapping[str, float | None], unplaced_beside: bool = False
) -> tuple[Array, str]:
    """(N,) sum of the widths of what lies side by side; of what lies at one place the widest. NaN while any
    width that adds up is not known yet.

    unplaced_beside : whether elements without an offset lie side by side too, as sections and units do.
    """
    largest = {name: float(np.nanmax(width, initial=0.0)) for name, width in widths.items()}
    groups: list[list[str]] = []
    from_left = {name: -np.inf if offset is None else offset for name, offset in offsets_m.items()}
    for name in sorted(widths, key=from_left.__getitem__):
        before = groups[-1][0] if groups else None
        placed = before is not None and offsets_m[before] is not None and offsets_m[name] is not None
        if before is not None and not (
            _beside(before, name, offsets_m, largest) if placed else unplaced_beside
        ):
            groups[-1].append(name)
        else:
            groups.append([name])
    total = sum(_widest([widths[name] for name in group]) for group in groups)
    assert not isinstance(total, int)
    return total, f"the sum of {len(groups)} parts side by side" if len(groups) > 1 else ""


def _beside(
    first: str, second: str, offsets_m: Mapping[str, float | None], largest: Mapping[str, float]
) -> bool:
    left, right = offsets_m[first] or 0.0, offsets_m[second] or 0.0
    return abs(right - left) > BESIDE * (largest[first] + largest[second]) / 2


def _widest(widths: list[Array]) -> Array:
    """Of several parts at one place, the one in work: the widest at each moment."""
    widest = widths[0]
    for width in widths[1:]:
        widest = np.fmax(widest, width)
    return widest
