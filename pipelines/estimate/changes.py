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
# Origins of adjustments that were found in a harvest log, not written down as such.
FOUND_IN_LOGS = ("setting column", "task data")


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
        """Whether its rows can't be told apart: several settings, or one setting moved several times."""
        return self.rows.height > 1


def real_adjustments(adjustments: pl.DataFrame) -> pl.DataFrame:
    """Adjustments that changed something, sorted by time; rows whose values before and after agree are left out.

    A missing ``from_value`` is filled from the machine's previous row of the same setting. Where a settings
    log and the harvest log itself tell of the same change (same setting and value within two minutes), the
    settings log's row stands. A change that several deliveries hold (an export that grows from day to day)
    counts once.
    """
    ordered = adjustments.sort("machine", "time", "setting", "row", maintain_order=True).unique(
        ["machine", "time", "setting", "to_value"], keep="first", maintain_order=True
    )
    previous = pl.col("to_value").shift(1).over("machine", "setting")
    told = ordered.with_columns(pl.coalesce("from_value", previous).alias("from_value"))
    twin = _told_by(1) | _told_by(-1)
    return told.filter(~(pl.col("origin").is_in(FOUND_IN_LOGS) & twin)).filter(
        pl.col("to_value").is_null()
        | pl.col("from_value").is_null()
        | (pl.col("from_value") != pl.col("to_value"))
    )


def _told_by(shift: int) -> pl.Expr:
    """Whether the row before (1) or after (-1) of the same setting tells of the same change from another origin."""

    def other(name: str) -> pl.Expr:
        return pl.col(name).shift(shift).over("machine", "setting")

    near = (pl.col("time") - other("time")).abs() < pl.duration(seconds=SHORTEST_BETWEEN_S)
    same = pl.col("to_value") == other("to_value")
    return (near & same & (pl.col("origin") != other("origin"))).fill_null(False)


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
