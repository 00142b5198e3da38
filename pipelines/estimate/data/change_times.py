"""How exactly the time of each logged change is known.

A log that a machine writes is exact to the second. One kept by hand gives times to the minute or to five, and often
later than the change. A change entered at a wrong moment loses part of its effect, so the time in which it may have
been made is left out of the comparison.
"""

from __future__ import annotations

from collections.abc import Callable

import polars as pl
from chaffinch.pipelines.estimate.data.settings_clock import FOUND_IN_LOGS
from chaffinch.pipelines.farm import SettingsLog

# A log keeps to a grid of so many seconds if all its times lie on it, with at least so many rows. By chance, times
# to the second do so in under one log in 3,000, times to the minute in under one in 600, to five minutes in 250.
GRIDS = ((60, 2), (300, 4), (600, 8))
# From here on a grid shows a person at work, who writes a change down when there is time to: up to so much later.
WRITTEN_BY_HAND_FROM_S = 300
USUALLY_LATE_S = 420.0

StatedLogs = Callable[[str], SettingsLog]
"""What farm.toml says of a settings log, by its file."""


def with_time_windows(adjustments: pl.DataFrame, stated: StatedLogs | None = None) -> pl.DataFrame:
    """Adjustments with ``earlier_s`` and ``later_s``: how far the change may lie from its logged time, s.

    Times rounded down or to the nearest of a grid are both usual, so a grid of g allows from half of g earlier to g
    later. Rows found in a harvest log are exact.
    """
    by_file = ["file"] if "file" in adjustments.columns else []
    by_log = [*by_file, "machine"]
    written = ~pl.col("origin").is_in(FOUND_IN_LOGS)
    on_grid = pl.lit(0)
    for grid_s, least in GRIDS:
        on = (pl.col("time").dt.epoch("ms") % (1000 * grid_s) == 0) | ~written
        kept = on.all().over(by_log) & (written.sum().over(by_log) >= least)
        on_grid = pl.when(kept & written).then(pl.lit(grid_s)).otherwise(on_grid)
    logs = {file: stated(file) for file in adjustments["file"].unique()} if stated and by_file else {}

    def of_log(name: str) -> pl.Expr:
        minutes = {file: getattr(log, name) for file, log in logs.items()}
        if not minutes:
            return pl.lit(None, pl.Float64)
        return 60 * pl.col("file").replace_strict(minutes, default=None, return_dtype=pl.Float64)

    usual = pl.when(pl.col("_grid") >= WRITTEN_BY_HAND_FROM_S).then(USUALLY_LATE_S).otherwise(0.0)
    late, takes = of_log("latest_minutes"), of_log("takes_minutes")
    earlier = pl.col("_grid") / 2 + pl.coalesce(late, usual)
    later = pl.col("_grid") + pl.coalesce(takes, 0.0)
    return (
        adjustments.with_columns(on_grid.alias("_grid"))
        .with_columns(
            pl.when(written).then(earlier).otherwise(0.0).alias("earlier_s"),
            pl.when(written).then(later).otherwise(0.0).alias("later_s"),
        )
        .drop("_grid")
    )
