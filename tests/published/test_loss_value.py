"""Published values of lost grain against the formulas."""

from __future__ import annotations

import pytest
from builders.us_units import ACRE_HA, kg_ha
from chaffinch.pipelines.agronomy.economics import value_of_loss_per_ha, value_of_throughput_per_ha
from chaffinch.pipelines.agronomy.yields import bushels_per_tonne


def _per_ac(loss_bu_ac: float, price_per_bu: float, bushel_lb: float) -> float:
    per_t = price_per_bu * bushels_per_tonne(bushel_lb)
    return float(value_of_loss_per_ha(kg_ha(loss_bu_ac, bushel_lb), per_t) * ACRE_HA)


@pytest.mark.parametrize(
    ("slow_h", "fast_h", "time", "net", "within"),
    # PAMI (N. Gregg), Western Producer, Feb 2016: 160 ac, $10/bu, 40 ft, $300/h; 3 mph loses 1 bu/ac, 4 mph 3.
    # Printed with 11 h and 8.2 h: $840 of time saved, net cost $2,360. Unrounded hours: $825, $2,375.
    [(11.0, 8.2, 840, 2360, 0.01), (11.0, 8.25, 825, 2375, 0.01)],
)
def test_driving_faster_in_canola(slow_h, fast_h, time, net, within):
    assert 160 * _per_ac(1, 10, 50) == pytest.approx(1600)
    assert 160 * _per_ac(3, 10, 50) == pytest.approx(4800)
    area_ha = 160 * ACRE_HA
    worth = area_ha * value_of_throughput_per_ha(area_ha / slow_h, slow_h / fast_h, 300)
    assert worth == pytest.approx(time, abs=within)
    assert 160 * _per_ac(3 - 1, 10, 50) - worth == pytest.approx(net, abs=within)


@pytest.mark.parametrize(("hours", "loss_bu_ac", "printed"), [(11.0, 1, 145), (8.2, 3, 585)])
def test_canola_lost_an_hour(hours, loss_bu_ac, printed):
    # The same article: $145/h (1600 / 11 = 145.5, printed cut) and $585/h (4800 / 8.2 = 585.4).
    assert _per_ac(loss_bu_ac, 10, 50) * 160 / hours == pytest.approx(printed, abs=0.5)


def test_soybeans_lost_an_hour():
    # Michigan State Univ. (Staton): 13.6 ac/h x 2 bu/ac x $9.75 = $265/h.
    assert 13.6 * _per_ac(2, 9.75, 60) == pytest.approx(265, abs=0.5)


@pytest.mark.parametrize(("loss_pct", "printed"), [(2, 12), (5, 30)])
def test_corn_lost_an_acre(loss_pct, printed):
    # Minnesota news column, 2014: 200 bu corn at $3.
    assert _per_ac(200 * loss_pct / 100, 3, 56) == pytest.approx(printed)


def _share_per_ha(yield_t_ha: float, loss_pct: float, price_per_t: float) -> float:
    return float(value_of_loss_per_ha(10 * yield_t_ha * loss_pct, price_per_t))


def test_canola_in_western_australia():
    # GRDC: 2.39 t/ha at $886.30, "just over 3 %" = more than $68/ha. At exactly 3 % it is $63.55:
    # it was 3.21 %.
    assert _share_per_ha(2.39, 3.0, 886.30) == pytest.approx(63.55, abs=0.005)
    assert _share_per_ha(2.39, 3.21, 886.30) == pytest.approx(68.0, abs=0.05)


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
    per_pct = _share_per_ha(yield_t_ha, 1.0, price)
    assert per_pct * loss_pct == pytest.approx(recomputed, abs=0.005)
    assert printed / per_pct == pytest.approx(implied_pct, abs=5e-4)
    # All agree within the rounding of the loss, but chickpea (0.07), whose yield is itself rounded.
    assert abs(implied_pct - loss_pct) < (0.075 if crop == "chickpea" else 0.05)
    # Loss is printed to 0.1 point and yield to 0.01 t/ha: that rounding is the whole tolerance.
    least = _share_per_ha(yield_t_ha - 0.005, loss_pct - 0.05, price)
    most = _share_per_ha(yield_t_ha + 0.005, loss_pct + 0.05, price)
    assert least <= printed <= most
