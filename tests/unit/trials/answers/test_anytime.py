"""Ranges that hold at every look: the published formula, and what looking after every switch costs."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.trials.answers.anytime import (
    ENOUGH,
    GO_ON,
    USUAL_EFFECT,
    WILL_NOT_SETTLE,
    anytime_reach,
    is_settled,
    outlook,
    reach_of_look,
)
from chaffinch.pipelines.trials.design.precision import TrialNoise, WorkPattern
from chaffinch.pipelines.trials.design.random_order import random_order
from scipy.special import ndtr, ndtri

TELL = -np.log(0.85)


def test_against_a_value_computed_elsewhere():
    # v = 0.01, w = 0.2: +- 0.308 where the range of one look is +- 0.196 (normal mixture, Robbins 1970).
    assert anytime_reach(0.01) == pytest.approx(0.308, abs=0.0005)
    assert float(ndtri(0.975)) * 0.1 == pytest.approx(0.196, abs=0.0005)


def test_the_mixture_is_the_likelihood_ratio_of_ville():
    # At the end of the range the mixture's density of the estimate is 1 / a times that without effect (Ville 1939).
    v, w = 0.003, USUAL_EFFECT
    z = anytime_reach(v)
    density = [np.exp(-(z**2) / (2 * s)) / np.sqrt(s) for s in (v + w**2, v)]
    assert density[0] / density[1] == pytest.approx(20.0)


def test_looking_after_every_switch_costs_nothing_in_false_calls():
    # 2,000 trials without effect: 24 switches of se 0.25 each, looked at after every one.
    rng = np.random.default_rng(20261129)
    total = np.cumsum(rng.normal(0, 0.25, (2000, 24)), axis=1)
    many = np.arange(1, 25)
    effect, variance = total / many, 0.25**2 / many
    anytime = np.abs(effect) > [anytime_reach(v) for v in variance]
    # The last step is looked at when it has begun, and when it is done.
    by_look = np.abs(effect) > [reach_of_look(v, n >= 23) for v, n in zip(variance, many, strict=True)]
    fixed = np.abs(effect) > 1.96 * np.sqrt(variance)
    assert anytime.any(axis=1).mean() <= 0.05
    assert by_look.any(axis=1).mean() <= 0.05
    # What the usual range would have done.
    assert fixed.any(axis=1).mean() > 0.15


def test_a_clear_effect_is_enough():
    assert outlook(-0.5, 0.01, 4, 8, TELL).state == ENOUGH
    assert outlook(-0.5, 0.01, 4, 8, TELL).switches_left == 0


def test_no_effect_worth_telling_is_enough_too():
    assert outlook(0.01, 0.001, 20, 4, TELL).state == ENOUGH


def test_an_unclear_effect_goes_on_and_says_for_how_long():
    found = outlook(-0.35, 0.02, 4, 12, TELL)
    assert found.state == GO_ON
    assert 0 < found.switches_left < 12
    after = 0.02 * 4 / (4 + found.switches_left)
    before = 0.02 * 4 / (4 + found.switches_left - 1)
    assert is_settled(-0.35, after, TELL) and not is_settled(-0.35, before, TELL)


def test_an_effect_between_nothing_and_worth_telling_will_not_settle():
    # One switch more moves it by 0.012 (standard deviation); at the end 0.113 is clear and 0.050 too small to matter.
    found = outlook(-0.08, 0.003, 20, 1, TELL)
    assert found.state == WILL_NOT_SETTLE


def test_a_plan_that_is_over_and_open_did_not_settle_it():
    assert outlook(-0.1, 0.01, 8, 0, TELL).state == WILL_NOT_SETTLE


def test_at_its_end_a_plan_has_nearly_the_power_it_promised():
    # Planned for 80 % power with a 95 % range; with one of 96.5 % it is 76 % (normal tables: 2.802 - 2.108).
    error = TELL / (1.959964 + 0.841621)
    clear = float(ndtr(TELL / error - reach_of_look(error**2, True) / error))
    assert clear == pytest.approx(0.756, abs=0.001)


def test_the_chance_of_settling_is_what_simulation_says():
    effect, variance, switches, more = -0.25, 0.015, 6, 8
    found = outlook(effect, variance, switches, more, TELL)
    rng = np.random.default_rng(1)
    end = variance * switches / (switches + more)
    ends = rng.normal(effect, np.sqrt(variance - end), 20_000)
    assert found.chance == pytest.approx(
        np.mean([is_settled(e, end, TELL, over=True) for e in ends]), abs=0.01
    )


def test_correlated_noise_looked_at_after_every_switch_by_the_regression_itself():
    # 2,000 trials without effect, noise of 25 s, 20 min and white, six mirrored blocks in 4 h; after every switch the
    # effect is estimated again from all work so far by generalised least squares with the planned variance.
    noise = TrialNoise(np.array([0.09, 0.0625]), 0.09, own_scales_s=np.array([25.0, 1200.0]))
    order = [state[0] for state in random_order(np.random.default_rng(8), 2, 6)]
    ends = 600.0 * np.arange(1, len(order) + 1)
    driven = WorkPattern(300.0, 60.0).driven(4.0)
    t = driven.time_s
    lag = np.abs(t[:, None] - t[None, :])
    covariance = sum(v * np.exp(-lag / s) for v, s in zip(noise.scale_variances, noise.scales_s, strict=True))
    covariance = covariance + np.eye(t.size) * noise.second_variance / 10.0
    draws = np.linalg.cholesky(covariance) @ np.random.default_rng(20261130).standard_normal((t.size, 2000))
    step = np.searchsorted(ends, t, side="right")
    arm = np.array(order, dtype=float)[step]
    # Left out is what a change washes out.
    changed = np.append(False, np.diff(arm) != 0)
    since = t - np.maximum.accumulate(np.where(changed, t, -np.inf))
    kept = ~(since < 36.0)
    called = np.zeros((2, 2000), dtype=bool)
    looks = 0
    for end in ends[3:]:
        use = kept & (t < end)
        x = np.column_stack([arm[use], np.ones(use.sum())])
        solved = np.linalg.solve(covariance[np.ix_(use, use)], x)
        inverse = np.linalg.inv(x.T @ solved)
        effect = (inverse @ solved.T @ draws[use])[0]
        reaches = anytime_reach(inverse[0, 0]), reach_of_look(inverse[0, 0], end >= ends[-2])
        called |= np.abs(effect) > np.array(reaches)[:, None]
        looks += 1
    assert looks == len(order) - 3
    assert (called.mean(axis=1) <= 0.05).all()
