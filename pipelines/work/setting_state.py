"""Every reading joined to the state of every setting at its moment."""

from __future__ import annotations

import polars as pl
from chaffinch.schemas.declarations import settings
from chaffinch.sql import run_query


def settings_in_force(readings: pl.DataFrame, adjustments: pl.DataFrame) -> pl.DataFrame:
    """The catalogue's setting columns at every reading, in the order of ``readings``; null where unknown.

    readings : machine, time and any set values that the log itself carries, which stand. adjustments : rows of
    the ``adjustments`` contract, of any time; before the first of a setting its ``from_value`` held.
    """
    columns = [s.column for s in settings().values() if s.kind != "service"]
    logged = [name for name in columns if name in readings.columns and readings[name].count()]
    states = with_setting_columns(
        readings_with_settings(_moments_of_change(readings, adjustments), adjustments)
    )
    asked = readings.select("machine", "time", *logged).with_row_index("_place").sort("time")
    found = asked.join_asof(
        states.sort("time"), on="time", by="machine", suffix="_state", check_sortedness=False
    ).sort("_place")
    both = [name for name in logged if f"{name}_state" in found.columns]
    filled = found.with_columns(pl.coalesce(name, f"{name}_state").alias(name) for name in both)
    return filled.select(name for name in columns if name in filled.columns)


def _moments_of_change(readings: pl.DataFrame, adjustments: pl.DataFrame) -> pl.DataFrame:
    """Machine and time of its first reading and of each change before its last one: between them no setting moves, so
    that thousands of readings need not be joined one by one."""
    spans = readings.group_by("machine").agg(pl.col("time").min(), pl.col("time").max().alias("last"))
    changes = adjustments.select("machine", pl.col("time").alias("moment")).join(spans, on="machine")
    during = changes.filter(pl.col("moment").is_between("time", "last"))
    moments = pl.concat(
        [spans.select("machine", "time"), during.select("machine", pl.col("moment").alias("time"))]
    )
    return moments.unique().sort("machine", "time")


def readings_with_settings(readings: pl.DataFrame, adjustments: pl.DataFrame) -> pl.DataFrame:
    """Readings with ``settings`` (list of structs setting, value) and ``settings_since``, sorted by machine, time.

    readings : machine, time and any other columns. adjustments : rows of the ``adjustments`` contract.
    The join and its tie rule are in ``sql/readings_with_settings.sql``; DuckDB sorts and checks, where a Polars
    as-of join by group would trust an unsorted right side.
    """
    changes = adjustments.select("machine", "time", "row", "setting", "from_value", "to_value")
    joined = run_query(
        "readings_with_settings", {"readings": readings, "adjustments": changes}, order="machine, time"
    )
    return joined.with_columns(
        pl.col("time").dt.cast_time_unit("us"), pl.col("settings_since").dt.cast_time_unit("us")
    )


def setting_at(joined: pl.DataFrame, setting: str) -> pl.Series:
    """State of one setting at every reading of ``readings_with_settings``; null where unknown."""
    return joined.select(
        pl.col("settings")
        .list.eval(pl.element().filter(pl.element().struct.field("setting") == setting).struct.field("value"))
        .list.first()
        .alias(setting)
    ).to_series()


def with_setting_columns(joined: pl.DataFrame) -> pl.DataFrame:
    """``readings_with_settings`` with the catalogue's setting columns filled from the state of the settings.

    A value that the log carries itself stays; the state fills the rest. Values that are not numbers for a
    setting that is one become null.
    """
    filled = joined
    for name in joined.select(
        pl.col("settings").list.explode().struct.field("setting").unique().drop_nulls().sort()
    ).to_series():
        declared = settings().get(name)
        if declared is None or declared.kind == "service":
            continue
        state = setting_at(joined, name)
        value = state.cast(pl.Float64, strict=False) if declared.kind == "number" else state
        logged = [pl.col(declared.column)] if declared.column in filled.columns else []
        filled = filled.with_columns(pl.coalesce(*logged, value).alias(declared.column))
    return filled
