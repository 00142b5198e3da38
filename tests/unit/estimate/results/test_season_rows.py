"""Rows of a season: bends, capacity pooled and at the reference loss, moisture that moved, plain comparisons."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.data.design import Design
from chaffinch.pipelines.estimate.model.fit import Fit
from chaffinch.pipelines.estimate.model.season import FieldOutcome
from chaffinch.pipelines.estimate.results.calibration import Calibration, capacity_at_share
from chaffinch.pipelines.estimate.results.capacity import capacity_field
from chaffinch.pipelines.estimate.results.pooling import Block, bend
from chaffinch.pipelines.estimate.results.verdicts import moisture_moved


def blocks(per_step: float, growth: float, seed: int) -> list[Block]:
    """Six fields of four one-step changes at midpoints 800 to 1100, errors of 0.05."""
    rng = np.random.default_rng(seed)
    middle = np.array([800.0, 900.0, 1000.0, 1100.0])
    truth = per_step + growth * (middle - middle.mean()) / 100
    return [
        Block(truth + 0.05 * rng.standard_normal(4), np.eye(4) * 0.05**2, np.ones(4), middle)
        for _ in range(6)
    ]


def test_a_setting_that_does_more_at_one_end_bends_and_a_straight_one_does_not():
    assert bend(blocks(0.1, 0.1, 1), 0.0) < 0.001
    # By chance one in a hundred straight ones is below 0.01; of 200 more than 9 has a chance below 1e-4.
    straight = [bend(blocks(0.1, 0.0, seed), 0.0) for seed in range(200)]
    assert sum(p < 0.01 for p in straight) <= 9
    assert 0.4 < np.mean(straight) < 0.6


def test_too_few_adjustments_tell_no_bend():
    assert np.isnan(bend([Block(np.ones(3), np.eye(3), np.ones(3), np.arange(3.0))], 0.0))
    assert np.isnan(bend([Block(np.ones(4), np.eye(4), np.ones(4), np.full(4, 900.0))], 0.0))


def fitted(effects: list[float], slope: float = 2.0) -> FieldOutcome:
    """ln(lost / entered) = -4.6 + slope ln(feed / 30 t/h) + effects so far; errors small and independent."""
    names = (*(f"step {k}" for k in range(len(effects))), "intercept", "log feed")
    design = Design(
        np.ones(9, dtype=bool), np.zeros((9, len(names))), names, tuple(range(len(effects))), 30.0
    )
    covariance = np.diag([0.02**2] * len(effects) + [0.01**2, 1e-8])
    fit = Fit(np.array([*effects, -4.6, slope]), covariance, np.full(len(names), 1e9))
    return FieldOutcome(SimpleNamespace(), "machine_loss", design, fit)


def test_capacities_pool_with_the_errors_of_effects_over_the_slope():
    """On a power curve r = -effect / slope, so errors are those of the effects over the slope."""
    found = capacity_field(fitted([0.4, -0.2]), 1.0)
    np.testing.assert_allclose(found.fit.coefficients, [-0.2, 0.1], atol=2e-3)
    np.testing.assert_allclose(np.sqrt(np.diag(found.fit.covariance)), [0.01, 0.01], rtol=0.02)
    assert found.design.steps == (0, 1)


def test_capacity_at_one_percent_by_hand():
    """One in a hundred of F entering is lost where -4.6 + 2 ln(F / 30) = ln 0.01, and 0.99 F is kept.

    A change of ln 0.8 takes F up by 0.8^-0.5.
    """
    exact = Calibration(0.0, 0.0, 4)
    change, low, high = capacity_at_share(fitted([np.log(0.8)]), 0, exact, 0.01)
    before = 0.99 * 30 * np.exp((np.log(0.01) + 4.6) / 2)
    assert change == pytest.approx(before * (0.8**-0.5 - 1), rel=1e-3)
    # The effect's error 0.02 moves F by 1 % of its level after the change; 2 * 1.96 of it is the range.
    assert high - low == pytest.approx(2 * 1.96 * 0.01 * before * 0.8**-0.5, rel=0.06)


def test_capacity_beyond_the_feed_rates_driven_is_no_answer():
    assert capacity_at_share(fitted([-0.2]), 0, Calibration(np.log(30.0), 0.0, 4), 0.01) is None


def test_an_unsure_calibration_widens_the_range():
    sure = capacity_at_share(fitted([-0.2]), 0, Calibration(0.0, 0.0, 4), 0.01)
    unsure = capacity_at_share(fitted([-0.2]), 0, Calibration(0.0, 0.3, 4), 0.01)
    assert unsure[2] - unsure[1] > 1.1 * (sure[2] - sure[1])


def test_moisture_that_moved_with_the_change_is_noticed():
    half = np.repeat([0, 1], 50)
    wander = np.tile(np.linspace(-0.2, 0.2, 50), 2)
    apart = SimpleNamespace(moisture_pct=14 - 1.2 * half + wander, step=half)
    alike = SimpleNamespace(moisture_pct=14 - 0.1 * half + wander, step=half)
    assert moisture_moved(apart, 0)
    assert not moisture_moved(alike, 0)
    assert not moisture_moved(replace_moisture(apart, np.nan), 0)


def replace_moisture(binned: SimpleNamespace, value: float) -> SimpleNamespace:
    return SimpleNamespace(moisture_pct=np.full(binned.step.size, value), step=binned.step)
