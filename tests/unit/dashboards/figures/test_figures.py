"""What figures are drawn from: thinning that loses no spike, metres, loss share, units."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from chaffinch.dashboards.figures.effect_chart import effect_chart, rows_of_outcomes
from chaffinch.dashboards.figures.field_data import extremes
from chaffinch.dashboards.figures.theme import PALETTE
from chaffinch.dashboards.words.shown_changes import Outcome, changes_of
from chaffinch.dashboards.words.shown_units import units_of
from chaffinch.pipelines.farm import Farm, parse_farm
from chaffinch.pipelines.work.track import on_metres
from chaffinch.schemas.tables import tables
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays


@given(arrays(np.float64, st.integers(2, 3000), elements=st.floats(-1e6, 1e6)), st.integers(20, 400))
def test_thinning_keeps_the_highest_and_the_lowest_reading(values, most):
    x = np.arange(values.size) * 1000.0
    thin_x, thin_y = extremes(x, values, most)
    assert thin_y.size <= most
    assert np.nanmax(thin_y) == values.max() and np.nanmin(thin_y) == values.min()
    assert np.isin(thin_y, values).all()
    assert (np.diff(thin_x) > 0).all()


def test_no_line_crosses_a_hole_in_the_log():
    x = np.concatenate([np.arange(100), np.arange(1000, 1100)]) * 1000.0
    _, y = extremes(x, np.ones(200))
    assert np.isnan(y).sum() == 1


def test_a_minute_of_arc_is_a_nautical_mile():
    # 1 nautical mile = 1852 m by definition (International Hydrographic Conference, 1929), close to a minute
    # of latitude; a minute of longitude shrinks with the cosine of the latitude.
    east, north = on_metres(np.array([52 + 1 / 60]), np.array([1 / 60]), (52.0, 0.0))
    assert north[0] == pytest.approx(1852, rel=0.002)
    assert east[0] == pytest.approx(1852 * math.cos(math.radians(52)), rel=0.002)


def test_us_units_are_those_of_the_trade():
    # 1 t/ha of wheat at 60 lb is 14.87 bu/ac, of corn at 56 lb 15.93 bu/ac; 1 kg/ha is 0.892 lb/ac; 1 m/s is
    # 2.237 mph (from memory; usual conversion tables).
    us = parse_farm('units = "us"')
    assert units_of(us, "wheat").grain_per_area == (pytest.approx(14.87, abs=0.01), "bu/ac")
    assert units_of(us, "corn").grain_per_area == (pytest.approx(15.93, abs=0.01), "bu/ac")
    assert units_of(us, "wheat").mass_per_area == (pytest.approx(0.892, abs=0.001), "lb/ac")
    assert units_of(us, "wheat").speed == (pytest.approx(2.237, abs=0.001), "mph")
    assert units_of(us, None).feed_rate == (pytest.approx(2204.6, abs=0.1), "lb/h")
    assert units_of(Farm(), "wheat").feed_rate == (1.0, "t/h")


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2: sRGB made linear, weighted."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("look", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["ink", "quiet", "better", "worse", "unclear"])
def test_texts_stand_out_from_their_ground(name, look):
    # WCAG 2.2, success criterion 1.4.3: contrast of at least 4.5 to 1.
    for ground in ("paper", "shade"):
        light, dark = sorted((luminance(PALETTE[n][look]) for n in (name, ground)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5


def outcome(verdict: str, ends: tuple[float, float, float] | None) -> Outcome:
    logs = ends or (None, None, None)
    percents = [None if x is None else 100 * math.expm1(x) for x in logs]
    return Outcome("cleaning_loss", verdict, *percents, *logs, None, ("wide_range",))


def test_an_effect_too_wide_to_tell_still_shows_its_range():
    figure = effect_chart([(["1. Fan speed"], rows_of_outcomes([outcome("cannot tell", (0.1, -1.2, 1.4))]))])
    (trace,) = figure.data
    assert trace["name"] == "cannot tell"
    assert trace["x"][0] - trace["error_x"]["arrayminus"][0] == pytest.approx(-1.2)
    assert trace["x"][0] + trace["error_x"]["array"][0] == pytest.approx(1.4)


def test_an_effect_without_numbers_says_so_in_its_row():
    figure = effect_chart([(["1. Fan speed"], rows_of_outcomes([outcome("cannot tell", None)]))])
    assert len(figure.data) == 0
    assert any("cannot tell" in note["text"] for note in figure.layout["annotations"])


def test_the_axis_is_even_in_ratios():
    figure = effect_chart([(["1. Fan speed"], rows_of_outcomes([outcome("more", (0.4, 0.1, 1.0))]))])
    x_axis = figure.layout["xaxis"]
    low, high = x_axis["range"]
    assert low == pytest.approx(-high)
    ticks = dict(zip(x_axis["ticktext"], x_axis["tickvals"], strict=True))
    assert ticks["+100"] == pytest.approx(-ticks["−50"], abs=1e-5)


def test_an_adjustment_without_any_effect_is_listed_and_not_hidden():
    time = datetime(2026, 7, 20, 9, tzinfo=UTC)
    contract = tables()["adjustments"]
    row = {"time": time, "machine": "A", "setting": "fan_speed", "from_value": "1000", "to_value": "1050"}
    other = {**row, "time": time + timedelta(minutes=40), "setting": "some knob"}
    logged = contract.conform(pl.DataFrame([row, other]))
    found = changes_of(tables()["effects"].empty(), logged)
    assert [change.number for change in found] == [1, 2]
    assert [change.settings[0][0] for change in found] == ["fan_speed", "some knob"]
    assert all(change.outcomes == () for change in found)
