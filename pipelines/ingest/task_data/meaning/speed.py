"""Speed from successive positions, where a log holds none."""

from __future__ import annotations

import polars as pl

EARTH_RADIUS_M = 6_371_008.8
LONGEST_STEP_S = 10.0


def with_speed(log: pl.DataFrame) -> pl.DataFrame:
    """The readings of one log with ``speed_m_s`` from successive positions.

    Distance on a sphere of the mean earth radius (IUGG, 6371.0088 km) for steps of at most ten seconds; the
    mean of five readings, for positions are rounded. Without positions the column is null.
    """
    north, east = pl.col("latitude").radians(), pl.col("longitude").radians()
    seconds = pl.col("local_us").diff() / 1e6
    distance_m = (north.diff() ** 2 + (east.diff() * north.cos()) ** 2).sqrt() * EARTH_RADIUS_M
    speed = pl.when((seconds > 0) & (seconds <= LONGEST_STEP_S)).then(distance_m / seconds)
    # A running mean rounds: where the machine stands it may end a little below 0.
    mean = speed.rolling_mean(5, min_samples=1, center=True).clip(lower_bound=0.0)
    return log.with_columns(speed_m_s=mean)
