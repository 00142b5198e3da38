"""A log that can't tell says so for every adjustment, rather than nothing."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import polars as pl
from chaffinch.pipelines.estimate import refresh_effects
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season


class OneField:
    """A lake of one machine-field held in memory."""

    def __init__(self, readings: pl.DataFrame, adjustments: pl.DataFrame) -> None:
        self._readings, self._adjustments = readings, adjustments

    def scan(self, name: str) -> pl.LazyFrame:
        from chaffinch.schemas.tables import tables

        return self._adjustments.lazy() if name == "adjustments" else tables()[name].empty().lazy()

    def readings(
        self, machine: str, field: str | None, day: object = None, columns: Sequence[str] | None = None
    ) -> pl.DataFrame:
        return self._readings.select(c for c in columns or self._readings.columns if c in self._readings)

    def machine_fields(self) -> pl.DataFrame:
        first = self._readings.select("machine", "field", "crop").head(1)
        times = self._readings["time"]
        return first.with_columns(first_time=times.min(), last_time=times.max(), day=pl.lit(None))


def test_without_grain_flow_every_adjustment_is_answered_by_why_not():
    scenario = dataclasses.replace(SCENARIOS["plain"], fields=1, machines=1, hours=1.0, adjustments=2)
    made = simulate_season(scenario, 3).machine_field(0)
    readings = made.readings.with_columns(pl.lit(None, pl.Float64).alias("grain_flow_kg_s"))
    effects = refresh_effects(OneField(readings, made.adjustments.with_row_index("row")), Farm())
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
