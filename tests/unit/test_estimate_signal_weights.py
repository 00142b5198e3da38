"""What is left open of machine loss where a unit of one signal may weigh more than one of the other."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.design import Design
from chaffinch.pipelines.estimate.fit import Fit
from chaffinch.pipelines.estimate.placebo import Placebos
from chaffinch.pipelines.estimate.season import FieldOutcome, SeasonOutcome
from chaffinch.pipelines.estimate.signal_weights import UNLIKE, allowing_for_weights

# Two changes of a machine that lost three parts by separation to one by cleaning: the first doubles separation loss,
# the second halves both.
SEPARATION = np.array([3.0, 6.0, 3.0])
CLEANING = np.array([1.0, 1.0, 0.5])


def machine_field(calibrated: bool) -> SimpleNamespace:
    step = np.repeat([0, 1, 2], 20)
    outcomes = {"separation_loss": np.log(SEPARATION)[step], "cleaning_loss": np.log(CLEANING)[step]}
    return SimpleNamespace(step=step, outcomes=outcomes, calibrated=calibrated)


def season(binned: SimpleNamespace) -> dict[str, SeasonOutcome]:
    found = {
        "separation_loss": np.diff(np.log(SEPARATION)),
        "cleaning_loss": np.diff(np.log(CLEANING)),
        "machine_loss": np.diff(np.log(SEPARATION + CLEANING)),
    }
    names = ("step 0", "step 1", "intercept")
    design = Design(np.ones(60, dtype=bool), np.ones((60, 3)), names, (0, 1), 20.0)
    return {
        name: SeasonOutcome(
            name,
            [FieldOutcome(binned, name, design, Fit(np.r_[steps, 0.0], 0.01 * np.eye(3), np.full(3, 50.0)))],
            None,
            Placebos.none(),
            False,
        )
        for name, steps in found.items()
    }


def added(binned: SimpleNamespace) -> np.ndarray:
    fitted = allowing_for_weights(season(binned))["machine_loss"].fields[0].fit
    return fitted.covariance - 0.01 * np.eye(3)


def test_it_is_what_a_sensor_of_another_sensitivity_would_have_shown():
    """Against the same two changes seen by sensors of which one is a thousandth more sensitive."""
    little = 1e-3
    apart = np.log(SEPARATION * np.exp(little / 2) + CLEANING * np.exp(-little / 2))
    slope = (np.diff(apart) - np.diff(np.log(SEPARATION + CLEANING))) / little
    steps = added(machine_field(calibrated=False))[:2, :2]
    np.testing.assert_allclose(steps, UNLIKE**2 * np.outer(slope, slope), rtol=2e-3, atol=1e-9)


def test_a_change_that_moves_both_losses_alike_is_told_as_well_as_before():
    assert added(machine_field(calibrated=False))[1, 1] == pytest.approx(0.0, abs=1e-12)


def test_signals_in_kilograms_weigh_what_they_say():
    assert not added(machine_field(calibrated=True)).any()


def test_one_loss_alone_leaves_the_season_as_it_is():
    one = {name: s for name, s in season(machine_field(False)).items() if name != "cleaning_loss"}
    assert allowing_for_weights(one) == one
