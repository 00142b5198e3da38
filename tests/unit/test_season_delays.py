"""Delays of a machine's fields are drawn together before anything is aligned by them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl
import pytest
from chaffinch.pipelines.estimate import FieldKey, _pooled_delays, _Season
from chaffinch.pipelines.fan_out import one_by_one
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.work.delays import DEFAULT_DELAYS, Delays


class TwoFields:
    """A lake of one machine's two fields: two hours in one, eight minutes in the other."""

    def __init__(self, readings: pl.DataFrame) -> None:
        self.parts = {"long": readings.head(7200), "short": readings.slice(7200, 480)}

    def readings(
        self, machine: str, field: str, day: object = None, columns: Sequence[str] | None = None
    ) -> pl.DataFrame:
        part = self.parts[field]
        return part.select(c for c in columns or part.columns if c in part.columns)


@pytest.fixture(scope="module")
def pooled() -> tuple[dict[FieldKey, list[Delays]], float]:
    made = simulate_season(replace(SCENARIOS["plain"], fields=1, machines=1, hours=2.5, adjustments=1), 4)
    field = made.machine_field(0)
    lake = TwoFields(field.readings.sort("time"))
    none = pl.DataFrame()
    season = _Season(lake, Farm(), {}, none, none, None, {})  # type: ignore[arg-type]
    rows = [{"machine": "A", "field": name, "day": None} for name in ("long", "short")]
    true = field.machine.instruments
    return _pooled_delays(season, rows, one_by_one), true.grain_delay_s + true.grain_smear_s


def test_a_field_too_short_to_tell_gets_the_delays_of_the_machines_other_field(pooled):
    delays, true_s = pooled
    (long,), (short,) = delays["A", "long", None], delays["A", "short", None]
    assert long.grain.seconds == pytest.approx(true_s, abs=1.0)
    assert short.grain.seconds == pytest.approx(long.grain.seconds, abs=0.1)
    assert short.grain.ways == ("season",)
    assert short.grain != DEFAULT_DELAYS.grain
    assert short.grain.error_s >= long.grain.error_s


def test_each_field_keeps_one_set_of_delays_for_each_harvest(pooled):
    delays, _ = pooled
    assert {key: len(found) for key, found in delays.items()} == {
        ("A", "long", None): 1,
        ("A", "short", None): 1,
    }
