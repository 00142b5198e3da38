"""Every reading joined to the state of every setting at its moment."""

from __future__ import annotations

import polars as pl
from chaffinch.sql import load


def readings_with_settings(readings: pl.DataFrame, adjustments: pl.DataFrame) -> pl.DataFrame:
    """Readings with ``settings`` (list of structs setting, value) and ``settings_since``, sorted by machine, time.

    readings : machine, time and any other columns. adjustments : rows of the ``adjustments`` contract.
    The join and its tie rule are in ``sql/readings_with_settings.sql``; DuckDB sorts and checks, where a Polars
    as-of join by group would trust an unsorted right side.
    """
    import duckdb

    with duckdb.connect(
        ":memory:", config={"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
    ) as session:
        session.execute("set TimeZone = 'UTC'")
        session.register("readings", readings.to_arrow())
        session.register(
            "adjustments",
            adjustments.select("machine", "time", "row", "setting", "from_value", "to_value").to_arrow(),
        )
        joined = session.sql(load("readings_with_settings")).pl()
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
