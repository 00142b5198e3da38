"""What no channel takes, as the column ``other``: under number, element and designator, as logged."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np
import polars as pl
from chaffinch.pipelines.task_data.dictionary import DEFAULT_SET
from chaffinch.pipelines.task_data.log_reading import LogData
from chaffinch.pipelines.task_data.scaling import Scale
from numpy.typing import NDArray


def other_texts(log: LogData, indexes: Sequence[int], scales: Sequence[Scale | None]) -> pl.Series:
    """(N,) JSON object of what these columns hold in each reading, as logged, not kept on; else null."""
    parts = []
    for index in indexes:
        column = log.columns[index]
        if column.place.identifier == DEFAULT_SET or not len(log.rows[index]):
            continue
        scale = scales[index]
        key = json.dumps(
            column.key + (f" [{scale.unit}]" if scale and scale.unit else ""), ensure_ascii=False
        )
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


def _texts(values: NDArray[np.float64], scale: Scale | None) -> pl.Series:
    """Numbers as plain text: whole ones without a point, others to nine significant figures."""
    if scale is not None:
        values = scale.apply(values)
    if (values == np.round(values)).all():
        return pl.Series(values.astype(np.int64)).cast(pl.String)
    return pl.Series(values).round_sig_figs(9).cast(pl.String)
