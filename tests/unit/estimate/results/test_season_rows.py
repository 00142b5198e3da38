"""Rows of a season: capacity shared and at the reference loss, moisture that moved, plain comparisons."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.data.design import Design
from chaffinch.pipelines.estimate.model.fit import Fit
from chaffinch.pipelines.estimate.model.season import FieldOutcome
from chaffinch.pipelines.estimate.results.calibration import Calibration, capacity_at_share
from chaffinch.pipelines.estimate.results.capacity import capacity_field
from chaffinch.pipelines.estimate.results.verdicts import Answer, moisture_moved


def fitted(effects: list[float], slope: float = 2.0) -> FieldOutcome:
    """ln(lost / entered) = -4.6 + slope ln(feed / 30 t/h) + effects so far; errors small and independent."""
    names = (*(f"step {k}" for k in range(len(effects))), "intercept", "log feed")
    design = Design(
        np.ones(9, dtype=bool), np.zeros((9, len(names))), names, tuple(range(len(effects))), 30.0
    )
    covariance = np.diag([0.02**2] * len(effects) + [0.01**2, 1e-8])
    fit = Fit(np.array([*effects, -4.6, slope]), covariance, np.full(len(names), 1e9))
    return FieldOutcome(SimpleNamespace(), "machine_loss", design, fit)


def effect(middle: float) -> Answer:
    """An effect on machine loss with a standard error of 0.02."""
    return Answer(middle, middle - 1.96 * 0.02, middle + 1.96 * 0.02, "less")


def test_capacities_are_shared_with_the_errors_of_effects_over_the_slope():
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
    change, low, high = capacity_at_share(fitted([np.log(0.8)]), 0, effect(np.log(0.8)), exact, 0.01)
    before = 0.99 * 30 * np.exp((np.log(0.01) + 4.6) / 2)
    assert change == pytest.approx(before * (0.8**-0.5 - 1), rel=1e-3)
    # The effect's error 0.02 moves F by 1 % of its level after the change; 2 * 1.96 of it is the range.
    assert high - low == pytest.approx(2 * 1.96 * 0.01 * before * 0.8**-0.5, rel=0.06)


def test_capacity_beyond_the_feed_rates_driven_is_no_answer():
    assert capacity_at_share(fitted([-0.2]), 0, effect(-0.2), Calibration(np.log(30.0), 0.0, 4), 0.01) is None


def test_an_unsure_calibration_widens_the_range():
    sure = capacity_at_share(fitted([-0.2]), 0, effect(-0.2), Calibration(0.0, 0.0, 4), 0.01)
    unsure = capacity_at_share(fitted([-0.2]), 0, effect(-0.2), Calibration(0.0, 0.3, 4), 0.01)
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
