"""Settings in use: the state at every reading, counted over steady work."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
from chaffinch.dashboards.pages.settings_in_use import (
    InUse,
    against_common_practice,
    settings_in_use,
    settings_of,
)
from chaffinch.pipelines.farm.entries import Machine
from chaffinch.pipelines.work.setting_state import settings_in_force

START = datetime(2026, 8, 1, 9, tzinfo=UTC)


def marked(minutes: int = 60) -> pl.DataFrame:
    seconds = range(minutes * 60)
    return pl.DataFrame(
        {
            "time": [START + timedelta(seconds=s) for s in seconds],
            "machine": ["Combine A"] * len(seconds),
            "usable": [s >= 600 for s in seconds],
            "working": [1] * len(seconds),
        }
    ).with_columns(pl.col("time").cast(pl.Datetime("us", "UTC")))


def adjustments(*rows: tuple[int, str, str, str]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "machine": "Combine A",
                "time": START + timedelta(minutes=minute),
                "row": number,
                "setting": setting,
                "from_value": before,
                "to_value": after,
            }
            for number, (minute, setting, before, after) in enumerate(rows, 2)
        ]
    ).with_columns(pl.col("time").cast(pl.Datetime("us", "UTC")))


def in_force(readings: pl.DataFrame, changes: pl.DataFrame) -> pl.DataFrame:
    return readings.with_columns(*settings_in_force(readings, changes))


def test_values_are_counted_over_steady_work_from_the_front_of_the_machine():
    state = in_force(
        marked(), adjustments((30, "fan_speed", "1000", "1050"), (40, "threshing_speed", "800", "750"))
    )
    assert settings_in_use(settings_of(state)) == [
        InUse("threshing_speed", "Threshing speed", "800 rpm", 30.0),
        InUse("threshing_speed", "Threshing speed", "750 rpm", 20.0),
        InUse("fan_speed", "Fan speed", "1000 rpm", 20.0),
        InUse("fan_speed", "Fan speed", "1050 rpm", 30.0),
    ]


def test_a_setting_that_the_log_carries_stands_before_the_settings_log():
    logged = marked().with_columns(pl.lit(900.0).alias("fan_speed_rpm"))
    state = in_force(logged, adjustments((30, "fan_speed", "1000", "1050")))
    assert [(u.label, u.value) for u in settings_in_use(settings_of(state))] == [("Fan speed", "900 rpm")]


def test_what_farm_toml_rules_out_is_named_from_the_settings_log_alone():
    state = in_force(
        marked(), adjustments((1, "chopper_speed", "low", "high"), (2, "spreader_speed", "low", "high"))
    )
    machine = Machine(never_together=({"chopper_speed": "high", "spreader_speed": "high"},))
    assert "forbidden" in {f.kind for f in against_common_practice(state, "wheat", machine)}
    assert "forbidden" not in {f.kind for f in against_common_practice(state, "wheat", None)}
