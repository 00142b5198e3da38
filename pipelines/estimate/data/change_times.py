"""How exactly the time of each logged change is known.

A machine logs to the second. A person writes times to the minute or to five minutes, and often some minutes after
the change. A change placed at the wrong moment loses part of its effect, so the minutes in which it may have been
made are left out of the comparison.
"""

from __future__ import annotations

from collections.abc import Callable

import polars as pl
from chaffinch.pipelines.estimate.data.settings_clock import FOUND_IN_LOGS
from chaffinch.pipelines.farm.entries import SettingsLog

# (seconds of the grid, fewest rows): all times of the log must lie on it. By chance that happens in one log of 3,600
# with exact times, in one of 625 with times to the minute, in one of 256 with times to five minutes.
GRIDS = ((60, 2), (300, 4), (600, 8))
# A grid this coarse means that a person kept the log, who may have written a change down minutes after it.
WRITTEN_BY_HAND_FROM_S = 300
USUALLY_LATE_S = 420.0

StatedLogs = Callable[[str], SettingsLog]
"""What farm.toml says of a settings log, by its file."""


def with_time_windows(adjustments: pl.DataFrame, stated: StatedLogs | None = None) -> pl.DataFrame:
    """Adjustments with ``earlier_s`` and ``later_s``: how far the change may lie from its logged time, s; and
    ``takes_s``, how long it takes from then on, as stated.

    Times may have been rounded down or to the nearest, so on a grid of g the change lies between g / 2 before the
    logged time and g after it. Rows found in a harvest log are exact.
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
            pl.when(written).then(takes).fill_null(0.0).alias("takes_s"),
        )
        .drop("_grid")
    )
