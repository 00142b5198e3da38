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
from chaffinch.pipelines.ingest.task_data.files.arrays import Floats
from chaffinch.pipelines.ingest.task_data.files.dictionary import DEFAULT_SET, identifiers
from chaffinch.pipelines.ingest.task_data.files.task_file import Device, TaskFile
from chaffinch.pipelines.ingest.task_data.records.columns import LogColumn
from chaffinch.pipelines.ingest.task_data.records.log_header import DataLogValue
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData
from chaffinch.pipelines.ingest.task_data.records.scaling import Scale, choose


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
            found[_key(column, scale)] = _texts(raw, scale)[0]
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
    parts = []
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
        key = json.dumps(name, ensure_ascii=False)
        parts.append(
            pl.DataFrame({"reading": log.rows[index], "text": _texts(log.values[index], scale)}).with_columns(
                pl.lit(f'{key}: "') + pl.col("text") + pl.lit('"')
            )
        )
    if not parts:
        return pl.Series("other", [None] * len(log), dtype=pl.String)
    # The literal names the summed column after itself; the pair is the last column.
    long = pl.concat([part.select("reading", pair=pl.nth(-1)) for part in parts])
    joined = (
        long.sort("reading", maintain_order=True)
        .group_by("reading", maintain_order=True)
        .agg(pl.col("pair").str.join(", "))
    )
    texts = pl.DataFrame({"reading": np.arange(len(log), dtype=np.int64)}).join(
        joined, on="reading", how="left"
    )
    return texts.sort("reading").select(("{" + pl.col("pair") + "}").alias("other")).to_series()


def _key(column: LogColumn, scale: Scale | None) -> str:
    return column.key + (f" [{scale.unit}]" if scale and scale.unit else "")


def _texts(values: Floats, scale: Scale | None) -> pl.Series:
    """Numbers as plain text: whole ones without a point, others to nine significant figures."""
    if scale is not None:
        values = scale.apply(values)
    if (values == np.round(values)).all():
        return pl.Series(values.astype(np.int64)).cast(pl.String)
    return pl.Series(values).round_sig_figs(9).cast(pl.String)
