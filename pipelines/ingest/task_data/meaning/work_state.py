"""Whether the machine was in work, out of the states of its element tree.

Two-bit states (ISO 11783-11): 0 off, 1 on, 2 error, 3 not there. A condensed state holds sixteen of them, the
leftmost section in the lowest bits. An element that is off takes all below it with it.
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array, HeldColumn
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData

STATE, UNLOADING = 141, 240
CONDENSED = range(161, 177)
HEADER_LOW, HEADER_TURNS = 237, 238
WIDTHS = (67, 68, 70)
# Elements that lie side by side, each with a state and width of its own.
PARTS = ("section", "unit")
MEASURES_CROP = frozenset({67, 84, 87, 99, 181, 182})


def on_off(raw: Array) -> Array:
    """1 on, 0 off, NaN for error, not there and not known; only the lowest two bits count."""
    state = np.full(len(raw), np.nan)
    known = ~np.isnan(raw)
    bits = raw[known].astype(np.int64) & 3
    state[known] = np.where(bits <= 1, bits, np.nan)
    return state


def condensed(raw: Array) -> Array:
    """(N, 16) states of sixteen sections out of one condensed value each: 1, 0 or NaN."""
    states = np.full((len(raw), 16), np.nan)
    known = ~np.isnan(raw)
    bits = (raw[known].astype(np.int64)[:, None] >> (2 * np.arange(16))) & 3
    states[known] = np.where(bits <= 1, bits, np.nan)
    return states


def working(log: LogData, held: HeldColumn) -> Array | None:
    """(N,) 1 in work, 0 not, NaN not known; None when the log holds no state at all."""
    own = states_of(log, held)
    whole = {name: state for name, state in own.items() if kind_of(log, name) not in PARTS}
    if whole:
        main = min(whole, key=lambda name: _importance(log, name))
        above = next((c.element.parents for c in log.columns if c.element and c.element.id == main), ())
        return _all_on([whole[main], *(whole[name] for name in above if name in whole)])
    if own:
        return _any_on(np.stack(list(own.values()), axis=1))
    sections = condensed_states(log, held)
    if sections is not None:
        return _any_on(sections)
    header = [on_off(held(index)) for index in columns_under(log, HEADER_LOW, HEADER_TURNS)]
    return _all_on(header) if header else None


def states_of(log: LogData, held: HeldColumn) -> dict[str, Array]:
    """(N,) work state of each element that logs its own."""
    states: dict[str, Array] = {}
    for index in columns_under(log, STATE):
        # Of two under one element the first counts.
        states.setdefault(log.columns[index].place.element, on_off(held(index)))
    return states


def condensed_states(log: LogData, held: HeldColumn) -> Array | None:
    """(N, S) states of the sections out of all condensed values; sections that never are there left out."""
    parts = [condensed(held(index)) for index in columns_under(log, *CONDENSED)]
    if not parts:
        return None
    states = np.concatenate(parts, axis=1)
    there = ~np.isnan(states).all(axis=0)
    return states[:, there] if there.any() else None


def columns_under(log: LogData, *numbers: int) -> list[int]:
    """Columns of these identifiers that hold a value."""
    return [
        i for i, column in enumerate(log.columns) if column.place.identifier in numbers and len(log.rows[i])
    ]


def kind_of(log: LogData, element: str) -> str:
    """Kind of an element of the log, see ``ELEMENT_KINDS``."""
    return next((c.element.kind for c in log.columns if c.element and c.element.id == element), "unknown")


def _importance(log: LogData, element: str) -> tuple[int, int]:
    """Lowest for the element that represents the machine: the device, else where crop is measured."""
    if kind_of(log, element) == "device":
        return 0, 0
    measured = {c.place.identifier for c in log.columns if c.place.element == element} & MEASURES_CROP
    number = next((c.element.number for c in log.columns if c.element and c.element.id == element), 0)
    return (1 if measured else 2), number


def _all_on(states: list[Array]) -> Array:
    """0 where any is off, 1 where all known are on, NaN where none is known."""
    stacked = np.stack(states, axis=1)
    unknown = np.isnan(stacked).all(axis=1)
    on = np.where((stacked == 0).any(axis=1), 0.0, 1.0)
    return np.where(unknown, np.nan, on)


def _any_on(states: Array) -> Array:
    """1 where any is on, 0 where all known are off, NaN where none is known."""
    unknown = np.isnan(states).all(axis=1)
    return np.where(unknown, np.nan, (states == 1).any(axis=1).astype(np.float64))
