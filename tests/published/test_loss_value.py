"""Published values of lost grain against the formulas."""

from __future__ import annotations

import pytest
from chaffinch.pipelines.agronomy.capacity import field_capacity_ac_h
from chaffinch.pipelines.agronomy.economics import (
    faster_work,
    value_of_loss_per_h,
    value_of_loss_per_ha,
    value_of_loss_share_per_ha,
)
from chaffinch.pipelines.agronomy.exact import ACRE_M2
from chaffinch.pipelines.agronomy.yields import bushels_per_tonne, kg_ha_per_bu_ac, t_ha_from_bu_ac

AC_HA = ACRE_M2 / 10_000


def _per_ac(loss_bu_ac: float, price_per_bu: float, bushel_lb: float) -> float:
    per_t = price_per_bu * bushels_per_tonne(bushel_lb)
    return float(value_of_loss_per_ha(loss_bu_ac * kg_ha_per_bu_ac(bushel_lb), per_t) * AC_HA)


def test_driving_faster_in_canola():
    # PAMI (N. Gregg), Western Producer, Feb 2016: 160 ac, $10/bu, 40 ft; 3 mph loses 1 bu/ac, 4 mph 3 bu/ac.
    assert 160 * _per_ac(1, 10, 50) == pytest.approx(1600)
    assert 160 * _per_ac(3, 10, 50) == pytest.approx(4800)
    work = faster_work(
        area_ha=160 * AC_HA,
        slow_ha_h=field_capacity_ac_h(3, 40) * AC_HA,
        fast_ha_h=field_capacity_ac_h(4, 40) * AC_HA,
        slow_loss_kg_ha=1 * kg_ha_per_bu_ac(50),
        fast_loss_kg_ha=3 * kg_ha_per_bu_ac(50),
        price_per_t=10 * bushels_per_tonne(50),
        machine_per_h=300,
    )
    # Published with hours rounded to 11 and 8.2: saved 2.8 h = $840, net $2,360. Unrounded: 2.75 h,
    # $825, $2,375.
    assert work.hours_saved == pytest.approx(2.75)
    assert work.worth_of_time == pytest.approx(825)
    assert work.cost_of_loss == pytest.approx(3200)
    assert work.net_cost == pytest.approx(2375)
    assert work.net_cost == pytest.approx(2360, abs=15.01)  # 0.05 h of rounding at $300


def test_driving_faster_in_canola_with_the_hours_as_printed():
    # The same article counts 11 h and 8.2 h: 2.8 h saved, $840, net $2,360.
    work = faster_work(
        area_ha=160 * AC_HA,
        slow_ha_h=160 * AC_HA / 11,
        fast_ha_h=160 * AC_HA / 8.2,
        slow_loss_kg_ha=1 * kg_ha_per_bu_ac(50),
        fast_loss_kg_ha=3 * kg_ha_per_bu_ac(50),
        price_per_t=10 * bushels_per_tonne(50),
        machine_per_h=300,
    )
    assert work.hours_saved == pytest.approx(2.8)
    assert work.worth_of_time == pytest.approx(840)
    assert work.net_cost == pytest.approx(2360)


@pytest.mark.parametrize(("hours", "loss_bu_ac", "printed"), [(11.0, 1, 145), (8.2, 3, 585)])
def test_canola_lost_an_hour_with_the_hours_as_printed(hours, loss_bu_ac, printed):
    # The same article: $145/h (1600 / 11 = 145.5, printed cut) and $585/h (4800 / 8.2 = 585.4).
    ours = value_of_loss_per_h(
        loss_bu_ac * kg_ha_per_bu_ac(50), 10 * bushels_per_tonne(50), 160 * AC_HA / hours
    )
    assert ours == pytest.approx(printed, abs=0.5)


@pytest.mark.parametrize(("speed_mph", "loss_bu_ac", "printed"), [(3, 1, 145), (4, 3, 585)])
def test_canola_lost_an_hour(speed_mph, loss_bu_ac, printed):
    # The same with the hours of the formula, 11.00 and 8.25.
    ours = value_of_loss_per_h(
        loss_bu_ac * kg_ha_per_bu_ac(50),
        10 * bushels_per_tonne(50),
        field_capacity_ac_h(speed_mph, 40) * AC_HA,
    )
    assert ours == pytest.approx(printed, rel=0.007)


def test_soybeans_lost_an_hour():
    # Michigan State Univ. (Staton): 13.6 ac/h x 2 bu/ac x $9.75 = $265/h.
    ours = value_of_loss_per_h(2 * kg_ha_per_bu_ac(60), 9.75 * bushels_per_tonne(60), 13.6 * AC_HA)
    assert ours == pytest.approx(265, abs=0.5)


@pytest.mark.parametrize(("loss_pct", "printed"), [(2, 12), (5, 30)])
def test_corn_lost_an_acre(loss_pct, printed):
    # Minnesota news column, 2014: 200 bu corn at $3.
    per_ha = value_of_loss_share_per_ha(t_ha_from_bu_ac(200, 56), loss_pct, 3 * bushels_per_tonne(56))
    assert per_ha * AC_HA == pytest.approx(printed)


def test_canola_in_western_australia():
    # GRDC: 2.39 t/ha at $886.30, "just over 3 %" = more than $68/ha. At exactly 3 % it is $63.55:
    # it was 3.21 %.
    assert value_of_loss_share_per_ha(2.39, 3.0, 886.30) == pytest.approx(63.55, abs=0.005)
    assert value_of_loss_share_per_ha(2.39, 3.21, 886.30) == pytest.approx(68.0, abs=0.05)


@pytest.mark.parametrize(
    ("crop", "yield_t_ha", "price", "loss_pct", "printed", "recomputed", "implied_pct"),
    # GRDC GroundCover, Western Australia 2022, 75 sites over two seasons; the last two columns are arithmetic.
    [
        ("barley", 5.03, 295, 3.9, 57.35, 57.87, 3.865),
        ("canola", 2.64, 755, 3.3, 66.07, 65.78, 3.315),
        ("chickpea", 1.06, 520, 8.8, 48.89, 48.51, 8.870),
        ("faba bean", 3.00, 470, 1.5, 21.61, 21.15, 1.533),
        ("field pea", 2.10, 450, 9.0, 85.23, 85.05, 9.019),
        ("lupin", 2.66, 345, 12.3, 112.90, 112.88, 12.302),
        ("oat", 4.58, 305, 5.0, 70.08, 69.84, 5.017),
        ("wheat", 3.90, 353, 1.9, 26.50, 26.16, 1.925),
    ],
)
def test_loss_values_of_western_australia(
    crop, yield_t_ha, price, loss_pct, printed, recomputed, implied_pct
):
    per_pct = value_of_loss_share_per_ha(yield_t_ha, 1.0, price)
    assert per_pct * loss_pct == pytest.approx(recomputed, abs=0.005)
    assert printed / per_pct == pytest.approx(implied_pct, abs=5e-4)
    # All agree within the rounding of the loss, but chickpea (0.07), whose yield is itself rounded.
    assert abs(implied_pct - loss_pct) < (0.075 if crop == "chickpea" else 0.05)
    # Loss is printed to 0.1 point and yield to 0.01 t/ha: that rounding is the whole tolerance.
    least = value_of_loss_share_per_ha(yield_t_ha - 0.005, loss_pct - 0.05, price)
    most = value_of_loss_share_per_ha(yield_t_ha + 0.005, loss_pct + 0.05, price)
    assert least <= printed <= most
