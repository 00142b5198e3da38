"""The join of readings to settings: order of rows, ties, types; a search in ``properties`` does the rest."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
from chaffinch.pipelines.work.setting_state import readings_with_settings, setting_at

START = datetime(2026, 7, 20, 10, tzinfo=UTC)


def tables() -> tuple[pl.DataFrame, pl.DataFrame]:
    times = [START + timedelta(seconds=s) for s in (0, 10, 20)]
    readings = pl.DataFrame({"machine": ["A"] * 3, "time": times, "speed_m_s": [1.0, 2.0, 3.0]})
    adjustments = pl.DataFrame(
        {
            "machine": ["A", "A", "A"],
            "time": [times[1], times[2], times[1]],
            "row": [2, 4, 3],
            "setting": ["fan_speed"] * 3,
            "from_value": ["800", "850", "840"],
            "to_value": ["840", "900", "850"],
        }
    )
    moment = pl.Datetime("us", "UTC")
    return readings.with_columns(pl.col("time").cast(moment)), adjustments.with_columns(
        pl.col("time").cast(moment)
    )


def test_a_change_holds_from_its_own_moment_on_and_the_later_row_wins():
    joined = readings_with_settings(*tables())
    assert setting_at(joined, "fan_speed").to_list() == ["800", "850", "900"]
    assert joined["settings_since"].to_list() == [
        None,
        START + timedelta(seconds=10),
        START + timedelta(seconds=20),
    ]


def test_rows_and_columns_of_the_readings_stay():
    readings, adjustments = tables()
    joined = readings_with_settings(readings.reverse(), adjustments)
    assert joined.select(readings.columns).equals(readings)


def test_unsorted_changes_give_the_same():
    readings, adjustments = tables()
    one = readings_with_settings(readings, adjustments)
    assert one.equals(readings_with_settings(readings, adjustments.reverse()))


def test_without_changes_nothing_is_known():
    readings, adjustments = tables()
    joined = readings_with_settings(readings, adjustments.head(0))
    assert setting_at(joined, "fan_speed").to_list() == [None] * 3
    assert joined.height == 3
