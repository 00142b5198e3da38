"""Money only from stated prices: grain saved, time saved, per hectare and per hour, worked by hand."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from chaffinch.dashboards.words.advice import worth_of
from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.pipelines.agronomy.economics import gain, value_of_throughput_per_ha
from chaffinch.pipelines.farm import Farm, parse_farm

AT = datetime(2026, 8, 3, 9, tzinfo=UTC)
PRICED = parse_farm('[prices]\ncurrency = "EUR"\nper_t = { wheat = 200 }\nmachine_per_h = 300\n')


def test_machine_time_by_hand():
    # 4 ha/h at 300 an hour are 75/ha; a quarter faster, 5 ha/h, 60/ha: 15/ha saved. A fifth slower: 93.75.
    assert value_of_throughput_per_ha(4.0, 1.25, 300.0) == pytest.approx(15.0)
    assert value_of_throughput_per_ha(4.0, 0.8, 300.0) == pytest.approx(-18.75)
    assert math.isnan(value_of_throughput_per_ha(0.0, 1.25, 300.0))
    assert math.isnan(value_of_throughput_per_ha(4.0, 0.0, 300.0))


def test_the_two_ways_to_take_a_gain():
    # 30 kg/ha at 200 a tonne: 6/ha, 24 an hour at 4 ha/h; or 15/ha of time, 75 an hour at 5 ha/h.
    found = gain(30.0, 25.0, 4.0, 200.0, 300.0)
    assert (found.kept_per_ha, found.kept_per_h) == (pytest.approx(6.0), pytest.approx(24.0))
    assert (found.faster_per_ha, found.faster_per_h) == (pytest.approx(15.0), pytest.approx(75.0))


@pytest.mark.parametrize(
    ("known", "lacking"),
    [
        ((None, 25.0, 4.0, 200.0, 300.0), {"kept_per_ha", "kept_per_h"}),
        ((30.0, None, 4.0, 200.0, 300.0), {"faster_per_ha", "faster_per_h"}),
        ((30.0, 25.0, None, 200.0, 300.0), {"kept_per_h", "faster_per_ha", "faster_per_h"}),
        ((30.0, 25.0, 4.0, None, 300.0), {"kept_per_ha", "kept_per_h"}),
        ((30.0, 25.0, 4.0, 200.0, None), {"faster_per_ha", "faster_per_h"}),
    ],
)
def test_what_is_not_stated_gives_no_money(known, lacking):
    found = gain(*known)
    assert {name for name in type(found).__slots__ if getattr(found, name) is None} == lacking


def _change(loss: str, absolute: tuple[float, float, float] | None, capacity: str) -> ShownChange:
    outcomes = (
        Outcome("machine_loss", loss, -20.0, -30.0, -5.0, -0.22, -0.36, -0.05, None, (), absolute),
        Outcome("capacity", capacity, 25.0, 10.0, 40.0, 0.22, 0.1, 0.34, None, ()),
    )
    moved = (("fan_speed", "1000", "1050", "rpm"),)
    return ShownChange(1, AT, AT, moved, None, outcomes, 1200.0, 1200.0, 10)


def _plain(sentences: list[str]) -> list[str]:
    return [" ".join(text.split()) for text in sentences]


def test_sentences_of_a_field_page():
    change = _change("less", (-30.0, -50.0, -10.0), "more")
    assert _plain(worth_of(change, "wheat", PRICED, 4.0)) == [
        "At the same speed, grain worth 6.0 (2.0 to 10) EUR/ha is saved, or 24 EUR an hour, at 200 EUR/t.",
        "Used to drive faster at the same loss instead, it saves machine time worth 15 (6.8 to 21) EUR/ha, "
        "at 300 EUR/h.",
    ]


def test_nothing_is_said_without_prices_kilograms_or_a_clear_change():
    change = _change("less", (-30.0, -50.0, -10.0), "more")
    assert worth_of(change, "wheat", Farm(), 4.0) == []
    assert worth_of(change, "barley", parse_farm("[prices]\nper_t = { wheat = 200 }\n"), 4.0) == []
    assert worth_of(_change("less", None, "no clear change"), "wheat", PRICED, 4.0) == []
    assert worth_of(_change("no clear change", (-3.0, -9.0, 3.0), "cannot tell"), "wheat", PRICED, 4.0) == []
    assert len(worth_of(change, "wheat", PRICED, None)) == 1  # no area an hour: no worth of time
