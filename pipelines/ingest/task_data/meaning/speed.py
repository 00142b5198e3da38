"""What follows from the readings of task data once they are complete: speed and adjustments."""

from __future__ import annotations

import polars as pl
from chaffinch.schemas.declarations import settings

EARTH_RADIUS_M = 6_371_008.8
LONGEST_STEP_S = 10.0
WAKES_WITHIN_S = 20.0


def with_speed(log: pl.DataFrame) -> pl.DataFrame:
    """The readings of one log with ``speed_m_s`` from successive positions.

    Distance on a sphere of the mean earth radius (IUGG, 6371.0088 km) for steps of at most ten seconds; the
    mean of five readings, for positions are rounded. Without positions the column is null.
    """
    north, east = pl.col("latitude").radians(), pl.col("longitude").radians()
    seconds = pl.col("local_us").diff() / 1e6
    distance_m = (north.diff() ** 2 + (east.diff() * north.cos()) ** 2).sqrt() * EARTH_RADIUS_M
    speed = pl.when((seconds > 0) & (seconds <= LONGEST_STEP_S)).then(distance_m / seconds)
    return log.with_columns(speed_m_s=speed.rolling_mean(5, min_samples=1, center=True))


def setting_changes(readings: pl.DataFrame, notes: list[str]) -> pl.DataFrame | None:
    """Adjustments where a setting column changes and stays, with origin ``task data``; None without any."""
    from chaffinch.pipelines.ingest.kinds.setting_changes import adjustments_of

    # A value that is 0 only until its controller answers was never set.
    since_begin = pl.col("time") - pl.col("time").min().over("machine")
    awake = since_begin >= pl.duration(seconds=WAKES_WITHIN_S)
    found = [
        adjustments_of(
            readings.select(
                "row", "time", "machine", pl.when(awake | (pl.col(setting.column) != 0)).then(setting.column)
            ),
            setting,
        )
        for setting in settings().values()
        if setting.kind == "number" and setting.column in readings.columns
    ]
    found = [frame for frame in found if frame.height]
    if not found:
        return None
    whole = pl.concat(found).with_columns(origin=pl.lit("task data"))
    notes.append(f"{whole.height} adjustments were found where set values change and stay.")
    return whole.sort("time", "row", "setting", maintain_order=True)
