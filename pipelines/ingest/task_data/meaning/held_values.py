"""Values that a log holds only when they changed: held, and carried over to the next log of the task."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from chaffinch.pipelines.array_types import Array, Flags, Ints
from chaffinch.pipelines.ingest.task_data.files.task_objects import ON_CHANGE, ON_THRESHOLD
from chaffinch.pipelines.ingest.task_data.meaning.work_state import WIDTHS
from chaffinch.pipelines.ingest.task_data.records.columns import LogColumn
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData

STALE_PERIODS = 3
# Intervals that differ by more than half from the usual one are uneven; a clock keeps most of them even.
UNEVEN = 0.5
MOSTLY = 0.8
# A value that is logged when it changes repeats the one before only by chance.
SELDOM = 0.02
MOST_PAUSES = 0.5
LONGEST_CARRY_S = 600.0
KEPT_KINDS = frozenset({"setpoint", "state", "property", "default", "lowest", "highest"})
# (identifier, element, message) -> last value and when, to begin the next log of the task with.
Carry = dict[tuple, tuple[float, int]]


def begun_with(log: LogData, carry: Carry) -> LogData:
    """``log`` beginning with what the log before had set, when that ended less than ten minutes ago.

    Only values that hold until they change are carried over, and only where this log's first reading has none.
    """
    if not len(log):
        return log
    rows, values = list(log.rows), list(log.values)
    for index, column in enumerate(log.columns):
        value, at_us = carry.get(_identity(column), (np.nan, 0))
        recent = 0 <= log.local_us[0] - at_us <= LONGEST_CARRY_S * 1e6
        if recent and _kept_until_changed(column) and not (len(rows[index]) and rows[index][0] == 0):
            rows[index] = np.append(0, rows[index])
            values[index] = np.append(value, values[index])
    return replace(log, rows=tuple(rows), values=tuple(values))


def filled(log: LogData, index: int, times_s: Array) -> Array:
    """(N,) raw values of a column, each kept until the next.

    A value that the device logs when it changes holds until then; one that it logs by time or distance only
    for three of its own periods. In doubt (see ``_logging``) it holds for ten minutes where the device went on
    logging other values meanwhile, else as one logged by time.
    """
    whole = np.full(len(log), np.nan)
    whole[log.rows[index]] = log.values[index]
    known = np.flatnonzero(~np.isnan(whole))
    if not len(known):
        return whole
    last = np.searchsorted(known, np.arange(len(log)), side="right") - 1
    held = np.where(last >= 0, whole[known[np.maximum(last, 0)]], np.nan)
    held[_age_s(known, times_s) > _longest_hold_s(log, index, known, times_s)] = np.nan
    return held


def unsure(log: LogData, index: int, times_s: Array) -> Flags:
    """(N,) where the last value of a column is older than three of its periods and not known to hold."""
    known = log.rows[index]
    if len(known) < 2 or _logging(log, index, known, times_s) == "on change":
        return np.zeros(len(log), dtype=bool)
    return _age_s(known, times_s) > _stale_s(known, times_s)


def _age_s(known: Ints, times_s: Array) -> Array:
    """(N,) seconds since the last of the readings ``known``; negative before the first."""
    last = np.searchsorted(known, np.arange(len(times_s)), side="right") - 1
    return np.where(last >= 0, times_s - times_s[known[np.maximum(last, 0)]], -1.0)


def _stale_s(known: Ints, times_s: Array) -> float:
    return STALE_PERIODS * max(float(np.median(np.diff(times_s[known]))), 1.0)


def _longest_hold_s(log: LogData, index: int, known: Ints, times_s: Array) -> float:
    if len(known) < 2:
        return np.inf
    logging = _logging(log, index, known, times_s)
    if logging == "on change":
        return np.inf
    stale_s = _stale_s(known, times_s)
    goes_on = logging == "in doubt" and _others_go_on(log, index, known, times_s)
    return max(stale_s, LONGEST_CARRY_S) if goes_on else stale_s


def _logging(log: LogData, index: int, known: Ints, times_s: Array) -> str:
    """``on change``, ``by time`` or ``in doubt``: by the trigger methods that the device describes, then by the log.

    A device states by which methods it *may* log a value, often by all of them. Values at uneven intervals come
    when they change; a value that repeats the one before was logged by time. Even intervals without a repetition
    may be either: bursts while a machine speeds up, with pauses while the value rests, are even for the most part.
    """
    column = log.columns[index]
    if _kept_until_changed(column):
        return "on change"
    may = column.described.triggers if column.described is not None else None
    if may and not may & (ON_CHANGE | ON_THRESHOLD):
        return "by time"
    intervals_s = np.diff(times_s[known])
    usual_s = float(np.median(intervals_s))
    even = np.abs(intervals_s - usual_s) <= UNEVEN * max(usual_s, 1.0)
    if float(np.mean(even)) < MOSTLY:
        return "on change"
    values = log.values[index]
    repeats = float(np.mean(values[1:] == values[:-1]))
    return "by time" if repeats > SELDOM else "in doubt"


def _others_go_on(log: LogData, index: int, known: Ints, times_s: Array) -> bool:
    """Whether the device logged other values by time in most pauses of this one: it was not silent then."""
    own = log.columns[index].element
    others = [
        log.rows[i]
        for i, column in enumerate(log.columns)
        if i != index
        and own is not None
        and column.element is not None
        and column.element.device == own.device
        and not _kept_until_changed(column)
    ]
    ends = np.flatnonzero(np.diff(times_s[known]) > _stale_s(known, times_s))
    if not others or not len(ends):
        return False
    heard = np.zeros(len(log), dtype=bool)
    for rows in others:
        heard[rows] = True
    before = np.append(0, np.cumsum(heard))
    return bool(np.mean(before[known[ends + 1]] > before[known[ends] + 1]) > MOST_PAUSES)


def _kept_until_changed(column: LogColumn) -> bool:
    if column.place.identifier == WIDTHS[0]:
        return True
    if column.entry is not None and column.entry.kind in KEPT_KINDS:
        return True
    return column.described is not None and column.described.kept_until_changed


def _identity(column: LogColumn) -> tuple:
    return (column.place.identifier, column.place.element, column.place.signal)


def remember(log: LogData, carry: Carry) -> None:
    """Keep the last value of each column that holds until it changes, for the next log of the task."""
    if not len(log):
        return
    end_us = int(log.local_us[-1])
    for column, values in zip(log.columns, log.values, strict=True):
        if _kept_until_changed(column) and len(values):
            carry[_identity(column)] = (float(values[-1]), end_us)
