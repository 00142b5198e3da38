"""Money only from stated prices: what an effect on machine loss saves, worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from chaffinch.dashboards.words.money import loss_at_work, saved_in_words, saving_of
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.pipelines.agronomy.economics import (
    LossAtWork,
    cheapest_feed_t_h,
    cost_per_ha,
    saving,
    value_of_throughput_per_ha,
)
from chaffinch.pipelines.farm import Farm, parse_farm
from scipy.optimize import minimize_scalar

# Own arithmetic: 8 t/ha of which 1 % is lost at 40 t/h, slope 2; grain at 200 a tonne, the machine at 250 an hour.
WORK = LossAtWork(feed_t_h=40.0, yield_t_ha=8.0, loss_kg_ha=80.0, slope=2.0)
PRICED = parse_farm('[prices]\ncurrency = "EUR"\nper_t = { wheat = 200 }\nmachine_per_h = 250\n')
GRAIN_ONLY = parse_farm("[prices]\nper_t = { wheat = 200 }\n")
CURVE = {
    "feed_t_h": 40.0,
    "yield_t_ha": 8.0,
    "loss_kg_ha": 60.0,
    "loss_log_error": 0.1,
    "slope": 2.0,
    "slope_error": 0.3,
}


def test_machine_time_by_hand():
    # 4 ha/h at 300 an hour are 75/ha; a quarter faster, 5 ha/h, 60/ha: 15/ha saved. A fifth slower: 93.75.
    assert value_of_throughput_per_ha(4.0, 1.25, 300.0) == pytest.approx(15.0)
    assert value_of_throughput_per_ha(4.0, 0.8, 300.0) == pytest.approx(-18.75)
    assert math.isnan(value_of_throughput_per_ha(0.0, 1.25, 300.0))
    assert math.isnan(value_of_throughput_per_ha(4.0, 0.0, 300.0))


def test_the_cheapest_feed_rate_by_hand():
    """Own arithmetic. At 40 t/h: 250 x 8 / 40 + 200 x 8 x 1 % = 50 + 16 = 66. F* = (250 x 1600 / 4)^(1/3) = 46.4."""
    assert cost_per_ha(40.0, WORK, 200.0, 250.0) == pytest.approx(66.0)
    best = cheapest_feed_t_h(WORK, 200.0, 250.0)
    assert best == pytest.approx(46.416, abs=0.001)
    assert cost_per_ha(best, WORK, 200.0, 250.0) == pytest.approx(64.63, abs=0.005)


@pytest.mark.parametrize("effect", [-0.4, 0.0, 0.3])
def test_the_cheapest_feed_rate_is_that_of_a_general_minimiser(effect: float):
    found = minimize_scalar(
        lambda f: float(cost_per_ha(f, WORK, 200.0, 250.0, effect)), bounds=(20.0, 80.0), method="bounded"
    )
    assert cheapest_feed_t_h(WORK, 200.0, 250.0, effect) == pytest.approx(found.x, rel=1e-4)


def test_an_effect_is_worth_what_the_least_cost_falls():
    """Own arithmetic: the least cost scales by e^(-0.4 / 3) = 0.875, so -0.4 saves 64.63 x 0.125 = 8.07 a hectare."""
    found = saving((-0.4, -0.4, -0.4), WORK, 200.0, 250.0)
    assert (found.per_ha, found.low, found.high) == pytest.approx((8.07,) * 3, abs=0.005)
    assert (found.chance, found.by) == (1.0, "both")


def test_there_and_back_cancel_only_on_the_same_curve():
    """What -0.4 saves, +0.4 from there costs: the two least costs are the same two."""
    lower = LossAtWork(40.0, 8.0, 80.0 * math.exp(-0.4), slope=2.0)
    there, back = saving((-0.4, -0.4, -0.4), WORK, 200.0, 250.0), saving((0.4, 0.4, 0.4), lower, 200.0, 250.0)
    assert there.per_ha == pytest.approx(-back.per_ha)


def test_with_one_price_one_way_of_taking_the_gain():
    # Grain alone: 80 kg/ha x (1 - e^-0.4) = 26.4 kg/ha at 200 a tonne: 5.27. Time alone: e^(0.4 / 2) = 1.221 times as
    # fast at 5 ha/h and 250 an hour: 50 x (1 - 1 / 1.221) = 9.06.
    sure = (-0.4, -0.4, -0.4)
    grain, time = saving(sure, WORK, 200.0, None), saving(sure, WORK, None, 250.0)
    assert (grain.per_ha, grain.by) == (pytest.approx(5.27, abs=0.01), "grain")
    assert (time.per_ha, time.by) == (pytest.approx(9.06, abs=0.01), "time")
    assert saving(sure, WORK, None, None) is None
    assert saving(sure, LossAtWork(40.0, 8.0, None, slope=2.0), 200.0, None) is None
    assert saving(sure, LossAtWork(40.0, 8.0, None, slope=2.0), 200.0, 250.0).by == "time"
    assert saving(sure, LossAtWork(40.0, 8.0, 80.0), 200.0, 250.0).by == "grain"


def test_the_range_is_that_of_the_draws_together():
    """Grain alone is a product of two log-normal errors; its range by a million independent draws."""
    rng = np.random.default_rng(11)
    effect = -0.3 + 0.1 * rng.standard_normal(1_000_000)
    drawn = -80.0 * np.exp(0.2 * rng.standard_normal(1_000_000)) * np.expm1(effect) * 0.2
    at = LossAtWork(40.0, 8.0, 80.0, loss_error=0.2)
    found = saving((-0.3, -0.3 - 0.196, -0.3 + 0.196), at, 200.0, None)
    assert (found.low, found.high) == pytest.approx(np.quantile(drawn, [0.025, 0.975]), rel=0.06)
    assert found.chance == pytest.approx((drawn > 0).mean(), abs=0.005)


def loss(kg: tuple[float, float, float] | None, verdict: str = "less") -> Outcome:
    logs = (math.log(0.8), math.log(0.7), math.log(0.95))
    return Outcome("machine_loss", verdict, -20.0, -30.0, -5.0, *logs, None, (), kg)


def test_the_loss_before_is_that_of_the_effect():
    """-16 kg/ha by -20 % were 80 kg/ha; without kg/ha it is that of the curve."""
    assert loss_at_work(CURVE, loss((-16.0, -24.0, -4.0))).loss_kg_ha == pytest.approx(80.0)
    assert loss_at_work(CURVE, loss(None)).loss_kg_ha == 60.0
    assert loss_at_work(None, loss(None)) is None


def test_no_money_without_effect_price_or_curve():
    known = loss((-16.0, -24.0, -4.0))
    assert saving_of(known, CURVE, "wheat", Farm()) is None
    assert saving_of(known, CURVE, "barley", GRAIN_ONLY) is None
    assert saving_of(known, None, "wheat", PRICED) is None
    assert saving_of(loss(None, "cannot tell"), CURVE, "wheat", PRICED) is None
    assert saving_of(known, CURVE, "wheat", PRICED).by == "both"


def test_money_in_words():
    found = saving_of(loss((-16.0, -24.0, -4.0)), CURVE, "wheat", GRAIN_ONLY)
    # 80 kg/ha x 20 % = 16 kg/ha at 200 a tonne: 3.2.
    text = saved_in_words(found, "wheat", GRAIN_ONLY).replace("\u00a0", " ")
    assert text.startswith("saves 3.2 EUR/ha (+") and text.endswith("99 % sure")
