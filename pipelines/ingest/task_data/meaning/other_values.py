"""What feeds no channel, as the column ``other``: under number, element and designator, as logged.

The first reading of a log also holds what is fixed for all of it: the values of the device description (where
the parts of the machine lie, lags of its sensors, widths), and names of people where ``farm.toml`` asks for
them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.ingest.task_data.files.dictionary import DEFAULT_SET, identifiers
from chaffinch.pipelines.ingest.task_data.files.task_objects import Device, TaskFile
from chaffinch.pipelines.ingest.task_data.records.columns import LogColumn
from chaffinch.pipelines.ingest.task_data.records.log_header import DataLogValue
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData
from chaffinch.pipelines.ingest.task_data.records.scaling import Scale, choose

READINGS_AT_ONCE = 100_000


def fixed_values(device: Device | None, task_file: TaskFile) -> dict[str, str]:
    """The fixed values of a device description, by number, element and designator, as texts."""
    found: dict[str, str] = {}
    for name in device.elements if device is not None else ():
        element = task_file.elements[name]
        for number, value in element.fixed.items():
            entry = identifiers().get(number)
            column = LogColumn(DataLogValue(0, number, name), entry, element, value, None, None)
            raw = np.array([float(value.raw or 0)])
            scale = choose(entry, value.presentation, None, raw)
            found[_key(column, scale)] = _texts(raw, scale, _all_whole(raw, scale))[0]
    return found


def other_texts(
    log: LogData, indexes: Sequence[int], scales: Sequence[Scale | None], fixed: Mapping[str, str]
) -> pl.Series:
    """(N,) JSON object of what these columns hold in each reading, as logged, not kept on; else null.

    fixed : goes into the first reading.
    """
    texts = _logged_texts(log, indexes, scales)
    if not fixed or not len(texts):
        return texts
    whole = json.loads(texts[0] or "{}") | dict(fixed)
    first = pl.Series("other", [json.dumps(whole, ensure_ascii=False)], dtype=pl.String)
    return pl.concat([first, texts[1:]])


def _logged_texts(log: LogData, indexes: Sequence[int], scales: Sequence[Scale | None]) -> pl.Series:
    """Worked out for some readings at a time: as texts the values take many times the memory of numbers."""
    columns: list[tuple[str, int, bool]] = []
    seen: set[str] = set()
    for index in indexes:
        column = log.columns[index]
        if column.place.identifier == DEFAULT_SET or not len(log.rows[index]):
            continue
        scale = scales[index]
        name = _key(column, scale)
        if name in seen:
            # The header may list one identifier and element twice; both are kept.
            name += f" (value {column.place.index})"
        seen.add(name)
        columns.append((json.dumps(name, ensure_ascii=False), index, _all_whole(log.values[index], scale)))
    nothing = pl.Series("other", [], dtype=pl.String)
    parts = [
        _texts_between(log, columns, scales, begin, min(begin + READINGS_AT_ONCE, len(log)))
        for begin in range(0, len(log), READINGS_AT_ONCE)
    ]
    return pl.concat([nothing, *parts], rechunk=False)


def _texts_between(
    log: LogData,
    columns: Sequence[tuple[str, int, bool]],
    scales: Sequence[Scale | None],
    begin: int,
    end: int,
) -> pl.Series:
    """The texts of the readings from ``begin`` on, before ``end``."""
    pairs = []
    for number, (key, index, whole) in enumerate(columns):
        rows = log.rows[index]
        own = slice(*np.searchsorted(rows, (begin, end)).tolist())
        if own.start < own.stop:
            texts = pl.lit(f'{key}: "') + _texts(log.values[index][own], scales[index], whole) + pl.lit('"')
            long = pl.DataFrame({"reading": rows[own] - begin}).with_columns(texts.alias(str(number)))
            pairs.append(long)
    frame = pl.DataFrame({"reading": np.arange(end - begin, dtype=np.int64)})
    for long in pairs:
        frame = frame.join(long, on="reading", how="left", maintain_order="left")
    if not pairs:
        return pl.Series("other", [None] * (end - begin), dtype=pl.String)
    names = frame.columns[1:]
    joined = pl.lit("{") + pl.concat_str(names, separator=", ", ignore_nulls=True) + pl.lit("}")
    some = pl.any_horizontal(pl.col(name).is_not_null() for name in names)
    return frame.select(pl.when(some).then(joined).alias("other")).to_series()


def _key(column: LogColumn, scale: Scale | None) -> str:
    return column.key + (f" [{scale.unit}]" if scale and scale.unit else "")


def _all_whole(values: Array, scale: Scale | None) -> bool:
    scaled = scale.apply(values) if scale is not None else values
    return bool((scaled == np.round(scaled)).all())


def _texts(values: Array, scale: Scale | None, whole: bool) -> pl.Series:
    """Numbers as plain text: ``whole`` ones without a point, others to nine significant figures."""
    if scale is not None:
        values = scale.apply(values)
    if whole:
        return pl.Series(values.astype(np.int64)).cast(pl.String)
    return pl.Series(values).round_sig_figs(9).cast(pl.String)
