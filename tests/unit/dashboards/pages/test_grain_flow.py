"""Grain feed rate and what is inferred from it; yields and weighed loads as pages show them."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import polars as pl
import pytest
from chaffinch.dashboards.pages.grain_flow import grain_flow, loads_table
from chaffinch.dashboards.words.shown_units import units_of
from chaffinch.pipelines.agronomy.feed_rate import straw_per_grain_at, total_feed_rate_t_h
from chaffinch.pipelines.agronomy.load_tickets import LOADS_SCHEMA, FlowCalibration
from chaffinch.pipelines.farm import Farm, parse_farm


def test_total_feed_rate_by_hand():
    assert total_feed_rate_t_h(30.0, 0.8) == pytest.approx(54.0)
    # Rice, Thai trial: grain to other material 0.16 at 18 t/h of feed, so 2.483 t/h of it are grain.
    assert total_feed_rate_t_h(2.4828, 1 / 0.16) == pytest.approx(18.0, abs=5e-4)


def test_straw_intake_falls_as_the_cut_goes_up():
    # Even straw over 0.9 m: cut at 0.3 instead of 0.1 m, 0.6 of 0.8 m of it are taken in.
    assert straw_per_grain_at(1.0, 0.1, 0.3, 0.9) == pytest.approx(0.75)
    assert straw_per_grain_at(1.0, 0.1, 0.1, 0.9) == pytest.approx(1.0)
    for impossible in ((1.0, 0.1, 0.9, 0.9), (1.0, 0.9, 0.1, 0.9), (1.0, 0.1, -0.1, 0.9)):
        assert math.isnan(straw_per_grain_at(*impossible))


def _work() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "usable": [True, True, True, False],
            "feed_rate_t_h": [30.0, 30.0, 30.0, 90.0],
            "feed": [30.0, 30.0, 30.0, 90.0],
            "yield": [8.0, 8.0, 8.0, 20.0],
            "moisture_aligned_pct": [16.0, 16.0, None, 16.0],
            "speed": [5.0, 5.0, 5.0, 0.0],
        }
    )


def _facts(crop: str | None, farm: Farm, cut_height_m: float | None = None) -> dict[str, float]:
    flow = grain_flow(_work(), crop, farm, units_of(farm, crop), cut_height_m, None)
    return {name: value for name, value, _ in flow.facts if value is not None}


def test_wheat_by_the_declared_values():
    facts = _facts("wheat", Farm())
    assert facts["Grain feed rate"] == pytest.approx(30.0)
    assert facts["Total feed rate (estimated)"] == pytest.approx(60.0)  # 1.0 of straw: from memory
    # 8 t/ha at 16 % are 8 x 84 / 86.5 at the market moisture of 13.5 % (Univ. of Wisconsin Extension).
    assert facts["Yield at 13.5 %"] == pytest.approx(8 * 84 / 86.5)
    assert facts["Yield, wet"] == pytest.approx(8.0)


def test_without_a_straw_ratio_there_is_a_grain_feed_rate_alone():
    for crop in ("oats", "quinoa", None):
        assert [name for name in _facts(crop, Farm()) if "feed rate" in name] == ["Grain feed rate"]


def test_the_farm_s_own_straw_follows_the_cutting_height():
    farm = parse_farm("[crops.wheat]\nstraw_per_grain = 0.8\nstraw_cut_height_m = 0.1\ncrop_height_m = 0.9\n")
    assert _facts("wheat", farm)["Total feed rate (estimated)"] == pytest.approx(54.0)
    assert _facts("wheat", farm, 0.3)["Total feed rate (estimated)"] == pytest.approx(30 * 1.6)
    notes = grain_flow(_work(), "wheat", farm, units_of(farm, "wheat"), 0.3, None).notes
    assert "which is 0.6 at a cutting height of 0.3 m" in notes[-1]
    assert "farm.toml" in notes[-1]
    assert "No weighed load calibrates" in notes[0]


def test_us_units_have_pounds_a_minute():
    us = parse_farm('units = "us"\n')
    flow = grain_flow(_work(), "wheat", us, units_of(us, "wheat"), None, None)
    total = next(fact for fact in flow.facts if fact[0] == "Total feed rate (estimated)")
    # 60 t/h = 60,000 / 0.45359237 / 60 lb/min.
    assert total[1:] == (pytest.approx(2204.6, abs=0.1), "lb/min")


def test_the_table_of_loads():
    calibration = FlowCalibration("Combine A", "wheat", 0.98, 2, 1.2, 0.85, 0.4)
    at = datetime(2026, 8, 3, 8, tzinfo=UTC)
    loads = pl.DataFrame(
        {
            "machine": ["Combine A"] * 2, "crop": ["wheat"] * 2, "ticket": ["17", None],
            "time": [at, at.replace(hour=9)], "end_time": [at.replace(minute=40), at.replace(hour=9, minute=40)],
            "mass_kg": [9_800.0, 10_000.0], "moisture_pct": [14.8, None], "logged_kg": [10_000.0, 0.0],
            "logged_moisture_pct": [15.2, None], "why": [None, "The log has no grain flow in its time."],
        },
        schema=LOADS_SCHEMA,
    )  # fmt: skip
    table = loads_table(loads, None, Farm())
    assert table is not None
    assert table.rows[0][1:] == ("17", "9.80", "10.00", "+2.0", "14.8", "15.2", "–")
    assert table.rows[1][-1] == "The log has no grain flow in its time."
    assert loads_table(loads.clear(), None, Farm()) is None
    notes = grain_flow(_work(), "wheat", Farm(), units_of(Farm(), "wheat"), None, calibration).notes
    assert notes[0].startswith(
        "Grain flow is multiplied by 0.980, from 2 weighed loads; single loads differ from it by 1.2 %"
    )
    assert "0.4 points above the scale's" in notes[1]
