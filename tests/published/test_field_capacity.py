"""Published area and grain an hour against the formulas."""

from __future__ import annotations

import pytest
from chaffinch.pipelines.agronomy.capacity import (
    field_capacity_ac_h,
    field_capacity_ha_h,
    hours_for,
    throughput_t_h,
)
from chaffinch.pipelines.agronomy.exact import FOOT_M, MILE_M
from chaffinch.pipelines.agronomy.yields import t_ha_from_bu_ac
from chaffinch.pipelines.units import conversion

PM696 = "Iowa State Univ. PM 696 / A3-24 (other machines, same formula)"


@pytest.mark.parametrize(
    ("width_ft", "speed_mph", "efficiency", "printed_ac_h", "source"),
    [
        (40, 6, 0.70, 20.4, PM696),
        (60, 6, 0.68, 29.7, PM696),
        (80, 12, 0.68, 79.1, PM696),
        (20, 6, 0.63, 9.2, PM696),
        (45, 5, 0.60, 16.4, PM696),
        (30, 5, 1.00, 18.2, "Progressive Forage, farm-equipment efficiency"),
        (30, 5, 0.80, 14.5, "Progressive Forage, farm-equipment efficiency"),
        (30, 5, 0.60, 10.9, "Progressive Forage, farm-equipment efficiency"),
        (40, 3, 1.00, 14.5, "PAMI (N. Gregg), 2016"),
        (40, 4, 1.00, 19.4, "PAMI (N. Gregg), 2016"),
    ],
)
def test_area_an_hour(width_ft, speed_mph, efficiency, printed_ac_h, source):
    ours = field_capacity_ac_h(speed_mph, width_ft, efficiency)
    assert ours == pytest.approx(printed_ac_h, abs=0.0501)  # printed to one decimal


def test_faster_work_in_michigan():
    # Michigan State Univ. (Staton): 30 ft, 3 to 5 mph raises it by 5.4 ac/h, to 13.6 ac/h. That implies 75 %.
    slow, fast = field_capacity_ac_h(3, 30, 0.75), field_capacity_ac_h(5, 30, 0.75)
    assert fast == pytest.approx(13.6, abs=0.05)
    assert fast - slow == pytest.approx(5.4, abs=0.06)  # 5.455, printed as 5.4
    assert (fast, slow, fast - slow) == pytest.approx((13.636, 8.182, 5.455), abs=5e-4)  # recomputed


def test_the_constant_of_the_formula():
    # Univ. of Kentucky AEN-73; Iowa State PM 696: ac/h = mph x ft / 8.25; 43,560 / 5,280 exactly.
    assert 1 / field_capacity_ac_h(1, 1) == pytest.approx(8.25, rel=1e-12)


@pytest.mark.parametrize(("speed_mph", "printed_h"), [(3, 11.0), (4, 8.2)])
def test_hours_for_a_quarter_section(speed_mph, printed_h):
    # PAMI (N. Gregg): 160 ac at 40 ft take 11 h and 8.2 h.
    hours = hours_for(160, field_capacity_ac_h(speed_mph, 40))
    assert hours == pytest.approx(printed_h, abs=0.0501)


def test_rice_in_sri_lanka():
    # preprints 202305.1396, 2023: 0.34 ha/h effective, 2.94 h/ha, 60.8 % efficiency.
    assert hours_for(1, 0.34) == pytest.approx(2.94, abs=0.005)
    assert field_capacity_ha_h(10, 0.559) == pytest.approx(0.34 / 0.608, abs=5e-4)
    # Theoretical 0.559 ha/h, so speed x width = 5.59 km/h m.
    assert field_capacity_ha_h(5.59, 1.0, 0.608) == pytest.approx(0.34, abs=0.0005)


def test_throughput_metric():
    # Formula of ha/h as above; 8 t/ha x 9 m x 5 km/h: 36.0 t/h cutting, 25.2 at 70 %. Arithmetic.
    assert throughput_t_h(8, 5, 9) == pytest.approx(36.0)
    assert throughput_t_h(8, 5, 9, 0.70) == pytest.approx(25.2)


def test_throughput_of_corn_in_bushels():
    # 200 bu/ac, 30 ft, 4 mph: 14.545 ac/h, 2,909 bu/h, 73.89 t/h. Arithmetic.
    ac_h = field_capacity_ac_h(4, 30)
    assert ac_h == pytest.approx(14.545, abs=5e-4)
    assert 200 * ac_h == pytest.approx(2909, abs=0.5)
    t_h = throughput_t_h(t_ha_from_bu_ac(200, 56), 4 * MILE_M / 1000, 30 * FOOT_M)
    assert t_h == pytest.approx(73.89, abs=0.005)


@pytest.mark.parametrize(
    ("lb_min", "t_h"),
    # Wheat fed at 100, 150, 200 lb/min: Harrison, Can. Agric. Eng. 17:55-58, 1975; t/h is arithmetic.
    # 585, 825, 800 lb/min: PAMI, one report, barley and wheat; it prints 16.0, 22.5 and 21.8 t/h.
    [(100, 2.72), (150, 4.08), (200, 5.44), (585, 15.92), (825, 22.45), (800, 21.77)],
)
def test_feed_rates_in_pounds_a_minute(lb_min, t_h):
    kg_s = lb_min * conversion("lb/min", "kg/s").scale
    assert kg_s * 3.6 == pytest.approx(t_h, abs=0.005)


def test_both_units_give_one_area():
    ac_h = field_capacity_ac_h(5, 30)
    ha_h = field_capacity_ha_h(5 * MILE_M / 1000, 30 * FOOT_M)
    assert ha_h == pytest.approx(ac_h * 0.40468564224, rel=1e-12)
