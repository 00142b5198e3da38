"""A log that can't tell says so for every adjustment, rather than nothing."""

from __future__ import annotations

import dataclasses

import polars as pl
from builders.memory_lake import MemoryLake
from chaffinch.pipelines.estimate import refresh_answers
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season


def test_without_grain_flow_every_adjustment_is_answered_by_why_not():
    scenario = dataclasses.replace(SCENARIOS["plain"], fields=1, machines=1, hours=1.0, adjustments=2)
    made = simulate_season(scenario, 3).machine_field(0)
    readings = made.readings.with_columns(pl.lit(None, pl.Float64).alias("grain_flow_kg_s"))
    adjustments = made.adjustments.with_row_index("row").with_columns(file=pl.lit("settings_log.csv"))
    lake = MemoryLake(readings=readings, adjustments=adjustments)
    effects = refresh_answers(lake, Farm()).effects
    assert set(effects["time"]) == set(made.adjustments["time"])
    assert set(effects["outcome"]) == {
        "separation_loss",
        "cleaning_loss",
        "machine_loss",
        "throughput",
        "capacity",
    }
    assert set(effects["verdict"]) == {"cannot tell"}
    assert effects["reasons"].to_list() == [["no_grain_flow"]] * effects.height
    assert effects["log_ratio"].null_count() == effects.height
