"""Bushels, kg/ha per bu/ac, moisture equivalence and yield, against published tables."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from builders.places import corn_log
from builders.us_units import ACRE_HA, FOOT_M, INCH_M, MILE_M, bu_ac, kg_ha
from chaffinch.pipelines.agronomy.exact import POUND_KG
from chaffinch.pipelines.agronomy.yields import (
    bushels_per_tonne,
    harvest,
    mass_at_market_moisture,
    wet_yield_t_ha,
)
from chaffinch.schemas.declarations import crops


@pytest.mark.parametrize(
    ("crop", "exact", "published", "tolerance", "source"),
    [
        ("corn", 62.768, 62.7664, 0.003, "agrimoney conversion table"),
        ("soybean", 67.251, 67.2495, 0.003, "agrimoney conversion table"),
        ("wheat", 67.251, 67.2495, 0.003, "agrimoney conversion table"),
        ("barley", 53.801, 53.7996, 0.003, "agrimoney conversion table"),
        ("sorghum", 62.768, 62.7664, 0.003, "agrimoney conversion table"),
        ("rye", 62.768, 62.7664, 0.003, "agrimoney conversion table"),
        ("corn", 62.768, 62.77, 0.005, "US trade table, 0.6277 q/ha"),
        ("wheat", 67.251, 67.25, 0.005, "US trade table, 0.6725 q/ha"),
        ("barley", 53.801, 53.80, 0.005, "US trade table, 0.5380 q/ha"),
        ("oats", 35.867, 35.87, 0.005, "US trade table, 0.3587 q/ha"),
    ],
)
def test_kg_ha_of_one_bushel_per_acre(crop, exact, published, tolerance, source):
    ours = kg_ha(1, crops()[crop].bushel_mass_lb)
    assert ours == pytest.approx(exact, abs=0.0005)  # lb/bu x 0.45359237 / 0.40468564224
    assert ours == pytest.approx(published, abs=tolerance)  # the printed factors are rounded on the way


@pytest.mark.parametrize(
    ("crop", "exact"),
    # lb/bu x 0.45359237 / 0.40468564224: arithmetic, no published factor.
    [("canola", 56.043), ("rice", 50.438), ("sunflower", 28.021)],
)
def test_kg_ha_of_one_bushel_per_acre_without_a_published_factor(crop, exact):
    assert kg_ha(1, crops()[crop].bushel_mass_lb) == pytest.approx(exact, abs=0.0005)


@pytest.mark.parametrize(("crop", "not_trade_lb"), [("soybean", 55), ("canola", 47)])
def test_bulk_density_values_are_not_taken_for_trade_masses(crop, not_trade_lb):
    # A list that quotes Univ. of Florida EDIS AG442 and Michigan State shows them next to the trade masses.
    assert crops()[crop].bushel_mass_lb != not_trade_lb


@pytest.mark.parametrize(
    ("crop", "published"),
    # US Grains Council factors (barley, corn); canola 44.092 from the list of trade factors.
    [("barley", 45.9296), ("corn", 39.368), ("canola", 44.092)],
)
def test_bushels_per_tonne(crop, published):
    assert bushels_per_tonne(crops()[crop].bushel_mass_lb) == pytest.approx(published, abs=0.0006)


def test_oats_differ_between_the_us_and_canada():
    # US 32 lb = 14.5150 kg, Canada 34 lb = 15.4221 kg; 27.8812 and 26.2411 bu/ac to 1 t/ha (published,
    # which come from 2.471 acres to the hectare: 22 parts in a million off the exact 2.4710538).
    us_kg, canada_kg = 32 * POUND_KG, 34 * POUND_KG
    assert us_kg == pytest.approx(14.5150, abs=5e-5)
    assert canada_kg == pytest.approx(15.4221, abs=5e-5)
    assert bu_ac(1000.0, 32) == pytest.approx(27.8812, rel=3e-5)
    assert bu_ac(1000.0, 34) == pytest.approx(26.2411, rel=3e-5)


@pytest.mark.parametrize(
    ("crop", "moisture_pct", "bushel_lb"),
    # Univ. of Wisconsin Extension (M. Rankin), Bushels, Test Weight, Shrink, and Storage.
    [("corn", 15.5, 56), ("soybean", 13, 60), ("wheat", 13.5, 60), ("barley", 14.5, 48), ("oats", 14, 32),
     # The list quoting Univ. of Florida EDIS AG442 and Michigan State Univ., second hand.
     ("sorghum", 13, 56), ("rye", 14, 56), ("canola", 8.5, 50), ("sunflower", 10, 25)],
)  # fmt: skip
def test_declared_trade_values(crop, moisture_pct, bushel_lb):
    assert crops()[crop].market_moisture_pct == moisture_pct
    assert crops()[crop].bushel_mass_lb == bushel_lb


CORN_TABLE = {15: 55.67, 18: 57.70, 20: 59.15, 25: 63.09, 30: 67.60, 35: 72.80}
SOYBEAN_TABLE = {10: 58.00, 15: 61.41, 18: 63.66, 20: 65.25, 25: 69.60, 30: 74.57}


def _wet_lb_equal_to(bushel_lb: float, market_pct: float, moisture_pct: float) -> float:
    """The wet mass whose dry matter is that of one bushel at market moisture."""
    return bushel_lb / float(mass_at_market_moisture(1.0, moisture_pct, market_pct))


@pytest.mark.parametrize(("moisture_pct", "printed_lb"), CORN_TABLE.items())
def test_corn_equal_to_a_bushel(moisture_pct, printed_lb):
    # grainweightconversion.com: shelled corn equal to 56 lb at 15.5 %.
    assert _wet_lb_equal_to(56, 15.5, moisture_pct) == pytest.approx(printed_lb, abs=0.01)


@pytest.mark.parametrize(("moisture_pct", "printed_lb"), SOYBEAN_TABLE.items())
def test_soybeans_equal_to_a_bushel(moisture_pct, printed_lb):
    # grainweightconversion.com: soybeans equal to 60 lb at 13 %.
    assert _wet_lb_equal_to(60, 13, moisture_pct) == pytest.approx(printed_lb, abs=0.01)


@pytest.mark.parametrize(
    ("bushel_lb", "market_pct", "moisture_pct", "misprinted_lb", "right_lb"),
    # The same tables print corn at 10 % as 52.56 and soybean at 19 % as 64.64: both are misprints.
    [(56, 15.5, 10, 52.56, 52.58), (60, 13, 19, 64.64, 64.44)],
)
def test_two_misprinted_entries(bushel_lb, market_pct, moisture_pct, misprinted_lb, right_lb):
    ours = _wet_lb_equal_to(bushel_lb, market_pct, moisture_pct)
    assert ours == pytest.approx(right_lb, abs=0.005)
    assert abs(ours - misprinted_lb) > 0.01


def test_wet_corn_to_bushels():
    # 10,000 lb at 25 % = 8,875.74 lb at 15.5 % = 158.495 bu; 178.571 wet bu. Arithmetic.
    market_lb = mass_at_market_moisture(10_000, 25, 15.5)
    assert market_lb == pytest.approx(8875.74, abs=0.005)
    assert market_lb / 56 == pytest.approx(158.495, abs=5e-4)
    assert pytest.approx(178.571, abs=5e-4) == 10_000 / 56


@pytest.mark.parametrize(
    ("flow_lb_s", "bushel_lb", "moisture_pct", "market_pct", "wet_bu_ac", "dry_bu_ac"),
    # Formula: Univ. of Nebraska EC2004 (Luck & Fulton). Worked with it: 4 mph, 30 ft.
    [(30, 56, 20, 15.5, 132.589, 125.528), (25, 60, 15, 13, 103.125, 100.754)],
)
def test_yield_of_the_moment(flow_lb_s, bushel_lb, moisture_pct, market_pct, wet_bu_ac, dry_bu_ac):
    flow, speed, width = flow_lb_s * POUND_KG, 4 * MILE_M / 3600, 30 * FOOT_M
    wet_kg_ha = 1000 * wet_yield_t_ha(flow, speed, width)
    assert bu_ac(wet_kg_ha, bushel_lb) == pytest.approx(wet_bu_ac, abs=5e-4)
    dry_kg_ha = mass_at_market_moisture(wet_kg_ha, moisture_pct, market_pct)
    assert bu_ac(dry_kg_ha, bushel_lb) == pytest.approx(dry_bu_ac, abs=5e-4)


def test_yield_of_one_record_in_inches():
    # 20 lb/s for 1 s, 70 in along, 360 in wide, 17 % to 15.5 %: 87.3199 bu/ac. Worked with the same formula.
    wet_kg_ha = 1000 * wet_yield_t_ha(20 * POUND_KG, 70 * INCH_M, 360 * INCH_M)
    assert bu_ac(mass_at_market_moisture(wet_kg_ha, 17, 15.5), 56) == pytest.approx(87.3199, abs=5e-5)


def test_real_corn_log_of_2011():
    # Univ. of Minnesota Precision Agriculture Center, by way of agridat (gartner.corn), CC BY-SA 3.0.
    # With the documented way from columns to yield: 9,027 dry bu, 67.64 ac, 133.5 bu/ac.
    raw = pl.read_csv(corn_log(), separator="\t")
    assert raw.height == 4949
    readings = raw.select(
        grain_flow_kg_s=pl.col("mass") * POUND_KG,
        record_duration_s="seconds",
        distance_m=pl.col("dist") * INCH_M,
        working_width_m=pl.lit(360 * INCH_M),
        grain_moisture_pct="moist",
    )
    total = harvest(readings, 15.5)
    assert total.readings + total.left_out == raw.height
    assert total.market_t * bushels_per_tonne(56) == pytest.approx(9027, rel=1e-3)
    assert total.area_ha / ACRE_HA == pytest.approx(67.64, rel=1e-3)
    assert bu_ac(1000 * total.yield_t_ha, 56) == pytest.approx(133.5, rel=1e-3)
    wet = wet_yield_t_ha(
        readings["grain_flow_kg_s"].to_numpy(),
        (readings["distance_m"] / readings["record_duration_s"]).to_numpy(),
        360 * INCH_M,
    )
    by_reading = mass_at_market_moisture(wet, readings["grain_moisture_pct"].to_numpy(), 15.5)
    area = readings["distance_m"].to_numpy() * 360 * INCH_M
    assert np.nansum(by_reading * area) / area.sum() == pytest.approx(total.yield_t_ha, rel=1e-9)
