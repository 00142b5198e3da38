"""Values that a log holds only when they changed: held, and carried over to the next log of the task."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from chaffinch.pipelines.ingest.task_data.files.arrays import Floats
from chaffinch.pipelines.ingest.task_data.files.task_file import ON_CHANGE, ON_THRESHOLD
from chaffinch.pipelines.ingest.task_data.meaning.work_state import WIDTHS
from chaffinch.pipelines.ingest.task_data.records.columns import LogColumn
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData

STALE_PERIODS = 3
# Intervals that differ by more than half from the usual one are uneven; a clock keeps most of them even.
UNEVEN = 0.5
MOSTLY = 0.8
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


def filled(log: LogData, index: int, times_s: Floats) -> Floats:
    """(N,) raw values of a column, each kept until the next.

    A value that the device logs when it changes holds until then; one that it logs by time or distance only
    for three of its own periods. A device states by which of these it *may* log a value, often by all of them;
    which it did follows from whether the values come at even intervals.
    """
    whole = np.full(len(log), np.nan)
    whole[log.rows[index]] = log.values[index]
    known = np.flatnonzero(~np.isnan(whole))
    if not len(known):
        return whole
    last = np.searchsorted(known, np.arange(len(log)), side="right") - 1
    held = np.where(last >= 0, whole[known[np.maximum(last, 0)]], np.nan)
    intervals_s = np.diff(times_s[known])
    if len(intervals_s) and not _holds(log.columns[index], intervals_s):
        age_s = times_s - times_s[known[np.maximum(last, 0)]]
        held[age_s > STALE_PERIODS * max(float(np.median(intervals_s)), 1.0)] = np.nan
    return held


def _holds(column: LogColumn, intervals_s: Floats) -> bool:
    """Whether the last value of a column holds until the next, however long that takes."""
    if _kept_until_changed(column):
        return True
    may = column.described.triggers if column.described is not None else None
    if may and not may & (ON_CHANGE | ON_THRESHOLD):
        return False
    usual_s = float(np.median(intervals_s))
    even = np.abs(intervals_s - usual_s) <= UNEVEN * max(usual_s, 1.0)
    return float(np.mean(even)) < MOSTLY


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
