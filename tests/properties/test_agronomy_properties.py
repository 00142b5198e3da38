"""What must hold of the formulas for any sensible numbers."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest
from chaffinch.pipelines.agronomy.loss import (
    concentration_factor,
    counted_loss_kg_ha,
    machine_loss_kg_ha,
)
from chaffinch.pipelines.agronomy.loss_checks import loss_check_kg_ha
from chaffinch.pipelines.agronomy.setup_check import setup_check
from chaffinch.pipelines.agronomy.yields import (
    harvest,
    mass_at_market_moisture,
    wet_yield_t_ha,
)
from chaffinch.schemas.declarations import crops, settings
from hypothesis import given
from hypothesis import strategies as st

masses = st.floats(0.1, 100)
moistures = st.floats(0, 60)
widths = st.floats(1, 15)


@given(mass=masses, wet=moistures, market=st.floats(5, 20))
def test_moisture_there_and_back_keeps_the_mass(mass, wet, market):
    there = mass_at_market_moisture(mass, wet, market)
    assert mass_at_market_moisture(there, market, wet) == pytest.approx(mass, rel=1e-12)
    assert (there < mass) == (wet > market) or there == pytest.approx(mass)


@given(kernels=st.integers(0, 5000), cut=widths, part=st.floats(0.1, 1), area=st.floats(0.1, 4))
def test_what_lies_in_the_strip_is_what_was_lost_over_the_cut(kernels, cut, part, area):
    # Mass is kept: loss x cut width = density x discharge width, per metre travelled.
    strip = counted_loss_kg_ha(kernels, area, 40.0)
    loss = machine_loss_kg_ha(strip, 0.0, concentration_factor(cut, cut * part))
    assert loss * cut == pytest.approx(strip * cut * part, abs=1e-9)


@given(
    flow=st.lists(st.floats(0.5, 30), min_size=1, max_size=20),
    speed=st.floats(0.5, 4),
    width=widths,
    moisture=moistures,
)
def test_yield_of_the_moment_weighted_by_area_is_the_yield_of_the_harvest(flow, speed, width, moisture):
    readings = pl.DataFrame({"grain_flow_kg_s": flow}).with_columns(
        record_duration_s=1.0, speed_m_s=speed, working_width_m=width, grain_moisture_pct=moisture
    )
    wet = wet_yield_t_ha(readings["grain_flow_kg_s"].to_numpy(), speed, width)
    of_the_moment = mass_at_market_moisture(wet, moisture, 14.0)
    assert harvest(readings, 14.0).yield_t_ha == pytest.approx(of_the_moment.mean(), rel=1e-9)


maybe = st.none() | st.floats(allow_nan=True, allow_infinity=True)
loss_rows = st.lists(
    st.fixed_dictionaries(
        {
            "time": st.none() | st.integers(1, 3).map(lambda day: datetime(2026, 8, day, tzinfo=UTC)),
            "machine": st.sampled_from(["A", "B"]),
            "field": st.none() | st.sampled_from(["x", "y"]),
            "place": st.none() | st.sampled_from(["machine", "header", "pre-harvest", "separation", "?", ""]),
            "machine_loss_kg_ha": maybe,
            "kernels": maybe | st.integers(0, 400).map(float),
            "frame_area_m2": maybe | st.just(0.25),
            "frames": maybe | st.just(4.0),
            "thousand_kernel_mass_g": maybe | st.just(40.0),
            "discharge_width_m": maybe | st.just(3.0),
            "cut_width_m": maybe | st.just(9.0),
        }
    ),
    min_size=1,
    max_size=12,
)
_NUMBERS = ("machine_loss_kg_ha", "kernels", "frame_area_m2", "frames", "thousand_kernel_mass_g")
_NUMBERS += ("discharge_width_m", "cut_width_m")
_TYPES = {
    "time": pl.Datetime("us", "UTC"),
    "field": pl.String,
    "place": pl.String,
    **dict.fromkeys(_NUMBERS, pl.Float64),
}


@pytest.mark.seconds
@given(rows=loss_rows)
def test_every_loss_check_gives_a_loss_or_a_sentence_whatever_it_holds(rows):
    out = loss_check_kg_ha(pl.DataFrame(rows, schema_overrides=_TYPES))
    assert out.height == len(rows)
    result = out["loss_kg_ha"].is_not_null() | out["sentence"].is_not_null()
    assert result.all()
    assert (out["basis"].is_not_null() == out["loss_kg_ha"].is_not_null()).all()
    assert out["loss_kg_ha"].drop_nulls().is_finite().all()
    assert (out["standard_error_kg_ha"].drop_nulls() >= 0).all()


worded = [s for s in settings().values() if s.positions]
positions = st.fixed_dictionaries(
    {s.column: st.none() | st.sampled_from([*s.positions, "upside down"]) for s in worded}
)


@pytest.mark.seconds
@given(rows=st.lists(positions, min_size=1, max_size=6), crop=st.sampled_from([*crops(), "quinoa", None]))
def test_a_setup_is_found_unusual_exactly_where_a_position_is_not_common(rows, crop):
    field = pl.DataFrame(rows, schema=dict.fromkeys((s.column for s in worded), pl.String))
    result = {f.settings[0] for f in setup_check(field, crop) if f.kind == "unusual"}
    odd = {
        s.name
        for s in worded
        if crop and (usual := s.usual_positions(crop))
        if any(row[s.column] in s.positions and row[s.column] not in usual for row in rows)
    }
    assert result == odd
