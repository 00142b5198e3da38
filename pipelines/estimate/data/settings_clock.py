"""Whether the clock of a settings log agrees with that of the harvest log, by set values that both carry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

# Origins of adjustments that were found in a harvest log, not written down as such.
FOUND_IN_LOGS = ("setting column", "task data")
# Set values seen in both logs are the same event when they lie no further apart than this.
FURTHEST_TWIN_S = 1800.0
TWINS_AGREE_S = 20.0
# Clocks that agree within this are one clock: a change washes out over half a minute anyway.
SAME_CLOCK_S = 15.0


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """Clock of the settings log minus that of the harvest log, s, with its 95 % range.

    sure : sure enough to be applied. doubtful : the clocks may disagree by an unknown offset. ranged : by one of the
    range, so that the time in which a change may have been made can be left out.
    """

    seconds: float
    low: float
    high: float
    sure: bool
    doubtful: bool
    ranged: bool = False


def offset_by_set_values(adjustments: pl.DataFrame) -> ClockOffset | None:
    """Offset of one machine's settings log from set values that its harvest log carries too.

    adjustments : rows of one machine. None where fewer than two changes are in both, or where they disagree.
    """
    in_log = pl.col("origin").is_in(FOUND_IN_LOGS)
    keys = ["setting", "to_value"]
    written = adjustments.filter(~in_log).select(*keys, "time").sort("time")
    seen = adjustments.filter(in_log).select(*keys, pl.col("time").alias("seen")).sort("seen")
    if written.height < 2 or seen.height < 2:
        return None
    pairs = (
        written.with_row_index("_row")
        .join(seen, on=keys)
        .with_columns(((pl.col("time") - pl.col("seen")).dt.total_milliseconds() / 1000).alias("off"))
        .filter(pl.col("off").abs() <= FURTHEST_TWIN_S)
    )
    if pairs["_row"].n_unique() < 2:
        return None
    # Each change may meet several of the same value; the offset that most of them share is the clock's.
    off = pairs["off"].to_numpy()
    shared = np.abs(off[:, None] - off[None, :]) <= TWINS_AGREE_S
    together = shared[int(np.argmax(shared.sum(axis=1)))]
    agreeing = pairs.filter(pl.Series(together))
    if agreeing["_row"].n_unique() < max(2, 0.6 * pairs["_row"].n_unique()):
        return None
    middle = float(np.median(off[together]))
    spread = max(float(np.std(off[together])) / np.sqrt(together.sum()), 0.5)
    return ClockOffset(middle, middle - 2 * spread, middle + 2 * spread, True, False)
