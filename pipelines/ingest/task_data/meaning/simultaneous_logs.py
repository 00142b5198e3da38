"""Logs of one task that run at the same time: some terminals split the values of a machine over several.

They are joined reading by reading while they are raw columns still, so that what one of them logged goes before
what would be worked out of the other. Two machines that work next to each other under one task log the same
times as well; those are distinguished by where they are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.array_types import Array, Ints
from chaffinch.pipelines.ingest.task_data.meaning.derived_channels import CROP_MASS, DERIVED_FLOWS
from chaffinch.pipelines.ingest.task_data.records.columns import LogColumn
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData

SHARED_MOMENTS = 0.9
# Two receivers, or two machines, are further apart than this; one receiver logged twice is not.
SAME_PLACE_DEG = 2e-5
MEASURES_CROP = ("grain_flow_kg_s", "grain_moisture_pct")


def joined(logs: Sequence[LogData], machine: Callable[[LogData], str], notes: list[str]) -> list[LogData]:
    """``logs`` with those that run side by side joined into one, the others as they are.

    machine : name of the machine of a log.
    """
    result: list[LogData] = []
    for log in logs:
        for index, before in enumerate(result):
            first, second = _distinct_moments(before), _distinct_moments(log)
            if not _belong_together(first, second, machine):
                continue
            notes.append(
                f"Rows {log.number.min()} to {log.number.max()} were logged at the same time as rows "
                f"{before.number.min()} to {before.number.max()} and are joined to them by time."
            )
            result[index] = _one(first, second)
            break
        else:
            result.append(log)
    return result


def _distinct_moments(log: LogData) -> LogData:
    """``log`` with readings of one moment a microsecond after one another, so that each has its own."""
    order = np.argsort(log.local_us, kind="stable")
    ordered = log.local_us[order]
    same = np.append(False, ordered[1:] == ordered[:-1])
    if not same.any():
        return log
    place = np.arange(len(ordered))
    nth = place - np.maximum.accumulate(np.where(same, 0, place))
    apart = log.local_us.copy()
    apart[order] = ordered + nth
    return replace(log, local_us=apart)


def _belong_together(first: LogData, second: LogData, machine: Callable[[LogData], str]) -> bool:
    """Whether two logs are of one machine at the same moments, nearly all of the shorter's."""
    if first.local_us.min() > second.local_us.max() or first.local_us.max() < second.local_us.min():
        return False
    both, of_first, of_second = np.intersect1d(first.local_us, second.local_us, return_indices=True)
    if len(both) < SHARED_MOMENTS * min(len(first), len(second)):
        return False
    apart_deg = np.fmax(
        np.abs(first.latitude_deg[of_first] - second.latitude_deg[of_second]),
        np.abs(first.longitude_deg[of_first] - second.longitude_deg[of_second]),
    )
    if np.isfinite(apart_deg).any():
        return bool(np.nanmedian(apart_deg) <= SAME_PLACE_DEG)
    return machine(first) == machine(second) and not (_holds_flow(first) and _holds_flow(second))


def _holds_flow(log: LogData) -> bool:
    return any(
        column.target == "grain_flow_kg_s" or column.place.identifier in (*DERIVED_FLOWS, CROP_MASS)
        for column, rows in zip(log.columns, log.rows, strict=True)
        if len(rows)
    )


def _one(first: LogData, second: LogData) -> LogData:
    """Every moment of either, named as the log that measures the crop, whose values go before the other's."""
    if _measures_crop(second) and not _measures_crop(first):
        first, second = second, first
    moments = np.union1d(first.local_us, second.local_us)
    places = [np.searchsorted(moments, log.local_us) for log in (first, second)]

    def either(own: Array, other: Array) -> Array:
        whole = np.full(len(moments), np.nan)
        whole[places[1]] = other
        known = ~np.isnan(own)
        whole[places[0][known]] = own[known]
        return whole

    columns, rows, values = _united(first, second, places)
    satellites = first.satellites
    if satellites is None or isinstance(satellites, str):
        satellites = second.satellites or satellites
    return replace(
        first,
        local_us=moments,
        number=either(first.number.astype(np.float64), second.number.astype(np.float64)).astype(np.int64),
        latitude_deg=either(first.latitude_deg, second.latitude_deg),
        longitude_deg=either(first.longitude_deg, second.longitude_deg),
        altitude_m=either(first.altitude_m, second.altitude_m),
        satellites=satellites,
        columns=columns,
        rows=rows,
        values=values,
    )


def _measures_crop(log: LogData) -> bool:
    return any(c.target in MEASURES_CROP and len(rows) for c, rows in zip(log.columns, log.rows, strict=True))


def _united(
    first: LogData, second: LogData, places: Sequence[Ints]
) -> tuple[tuple[LogColumn, ...], tuple[Ints, ...], tuple[Array, ...]]:
    """The columns of both. One that both log is one column where they agree, two where they differ."""
    columns = list(first.columns)
    rows: list[Ints] = []
    values: list[Array] = []
    for of_log, log_values in zip(first.rows, first.values, strict=True):
        _append(rows, values, places[0][of_log], log_values)
    known_as = {_identity(column): index for index, column in reversed(list(enumerate(columns)))}
    for column, of_log, own in zip(second.columns, second.rows, second.values, strict=True):
        at = places[1][of_log]
        index = known_as.get(_identity(column))
        if index is not None and _agree(rows[index], values[index], at, own):
            merged, source = np.unique(np.concatenate([rows[index], at]), return_index=True)
            rows[index], values[index] = merged, np.append(values[index], own)[source]
            continue
        columns.append(replace(column, place=replace(column.place, index=len(columns))))
        _append(rows, values, at, own)
    return tuple(columns), tuple(rows), tuple(values)


def _append(rows: list[Ints], values: list[Array], at: Ints, own: Array) -> None:
    """Add one column, its readings in the order of time."""
    order = np.argsort(at, kind="stable")
    rows.append(at[order])
    values.append(own[order])


def _identity(column: LogColumn) -> tuple:
    return column.place.identifier, column.place.element, column.place.signal, column.place.constant


def _agree(first_at: Ints, first: Array, second_at: Ints, second: Array) -> bool:
    """Whether two columns hold the same value wherever both hold one."""
    _, of_first, of_second = np.intersect1d(first_at, second_at, return_indices=True)
    return bool((first[of_first] == second[of_second]).all())
