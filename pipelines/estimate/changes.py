"""Which adjustments of a machine-field stand on their own, and which belong together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from chaffinch.pipelines.work import seconds_of
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Changes with less steady work between them than this can't be told apart: an effect from a minute or two of
# data is no effect. They are one joint change.
SHORTEST_BETWEEN_S = 120.0


@dataclass(frozen=True, slots=True)
class Change:
    """One moment (or short while) at which one or several settings were changed.

    first_s, last_s : clock seconds of the first and last adjustment of the change.
    rows : rows of the adjustments table, in order of time.
    """

    first_s: float
    last_s: float
    rows: pl.DataFrame

    @property
    def is_joint(self) -> bool:
        return self.rows["setting"].n_unique() > 1


def real_adjustments(adjustments: pl.DataFrame) -> pl.DataFrame:
    """Adjustments that changed something, sorted by time; rows whose values before and after agree are left out.

    A missing ``from_value`` is filled from the machine's previous row of the same setting. Where a settings
    log and a setting column tell of the same change (same setting and value within two minutes), the settings
    log's row stands.
    """
    ordered = adjustments.sort("machine", "time", "setting", "row", maintain_order=True)
    previous = pl.col("to_value").shift(1).over("machine", "setting")
    told = ordered.with_columns(pl.coalesce("from_value", previous).alias("from_value"))
    log_first = told.with_columns((pl.col("origin") == "setting column").cast(pl.Int8).alias("_rank"))
    twin = (
        (
            pl.col("time") - pl.col("time").shift(1).over("machine", "setting")
            < pl.duration(seconds=SHORTEST_BETWEEN_S)
        )
        & (pl.col("to_value") == pl.col("to_value").shift(1).over("machine", "setting"))
        & (pl.col("origin") != pl.col("origin").shift(1).over("machine", "setting"))
    ).fill_null(False)
    return (
        log_first.filter(~twin)
        .filter(
            pl.col("to_value").is_null()
            | pl.col("from_value").is_null()
            | (pl.col("from_value") != pl.col("to_value"))
        )
        .drop("_rank")
    )


def group_changes(adjustments: pl.DataFrame, work_s: Array) -> list[Change]:
    """Changes in order of time; neighbours with under 120 s of steady work between them become one.

    adjustments : real adjustments of one machine. work_s : sorted clock seconds of usable readings, one a
    second of work. Service events count as changes: they may move the loss as a setting does.
    """
    if adjustments.height == 0:
        return []
    ordered = adjustments.sort("time", "setting", "row", maintain_order=True)
    times = seconds_of(ordered["time"])
    done = np.searchsorted(work_s, times)
    together = np.concatenate([[False], np.diff(done) < SHORTEST_BETWEEN_S])
    group = np.cumsum(~together)
    return [
        Change(
            float(times[group == g][0]), float(times[group == g][-1]), ordered.filter(pl.Series(group == g))
        )
        for g in np.unique(group)
    ]
