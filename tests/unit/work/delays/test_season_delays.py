"""Delays of a machine's fields are drawn together before anything is aligned by them."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from chaffinch.pipelines.estimate import season_delays
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.work.delays.known_delays import FieldKey, as_text, from_text
from chaffinch.pipelines.work.delays.lag import DEFAULT_DELAYS, SENSORS, Delays


class TwoFields:
    """A lake of one machine's two fields: two hours in one, eight minutes in the other."""

    def __init__(self, readings: pl.DataFrame) -> None:
        self.parts = {"long": readings.head(7200), "short": readings.slice(7200, 480)}

    def readings(self, machine: str, field: str, day: object = None) -> pl.DataFrame:
        return self.parts[field]

    def machine_fields(self) -> pl.DataFrame:
        names = list(self.parts)
        times = [part["time"].min() for part in self.parts.values()]
        return pl.DataFrame({"machine": ["A", "A"], "field": names, "first_time": times, "day": [None, None]})


@pytest.fixture(scope="module")
def pooled() -> tuple[dict[FieldKey, list[Delays]], float]:
    made = simulate_season(replace(SCENARIOS["plain"], fields=1, machines=1, hours=2.5, adjustments=1), 4)
    field = made.machine_field(0)
    lake = TwoFields(field.readings.sort("time"))
    true = field.machine.instruments
    return season_delays(lake), true.grain_delay_s + true.grain_smear_s


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


def test_delays_come_back_from_text_as_they_went(pooled):
    delays, _ = pooled
    again = from_text(as_text(delays))
    assert again.keys() == delays.keys()
    for key, (before,) in delays.items():
        (after,) = again[key]
        for sensor in (*SENSORS, "loss"):
            assert after.of(sensor).seconds == pytest.approx(before.of(sensor).seconds, abs=1e-3)
            assert after.of(sensor).error_s == pytest.approx(before.of(sensor).error_s, abs=1e-3)
            assert after.of(sensor).estimated == before.of(sensor).estimated
            assert after.of(sensor).ways == before.of(sensor).ways


@pytest.mark.parametrize("text", [None, "", "[", "[[1]]", '{"a": 1}', "no JSON at all"])
def test_text_that_is_none_of_ours_knows_no_delays(text):
    assert from_text(text) == {}
