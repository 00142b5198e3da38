"""What is left open of machine loss where a unit of one signal may weigh more than one of the other."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.data.design import Design
from chaffinch.pipelines.estimate.model.fit import Fit
from chaffinch.pipelines.estimate.model.placebo import Placebos
from chaffinch.pipelines.estimate.model.season import FieldOutcome, SeasonOutcome
from chaffinch.pipelines.estimate.results.signal_weights import (
    OPEN,
    allowing_for_weights,
    in_likely_units,
    separation_shares,
)

# Two changes of a machine that lost three parts by separation to one by cleaning: the first doubles separation loss,
# the second halves both.
SEPARATION = np.array([3.0, 6.0, 3.0])
CLEANING = np.array([1.0, 1.0, 0.5])


def machine_field(calibrated: bool) -> SimpleNamespace:
    step = np.repeat([0, 1, 2], 20)
    losses = {
        "separation_loss": SEPARATION,
        "cleaning_loss": CLEANING,
        "machine_loss": SEPARATION + CLEANING,
    }
    return SimpleNamespace(
        step=step, outcomes={k: np.log(v)[step] for k, v in losses.items()}, calibrated=calibrated
    )


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
    np.testing.assert_allclose(steps, OPEN**2 * np.outer(slope, slope), rtol=2e-3, atol=1e-9)


def test_a_change_that_moves_both_losses_alike_is_estimated_as_well_as_before():
    assert added(machine_field(calibrated=False))[1, 1] == pytest.approx(0.0, abs=1e-12)


def test_signals_in_kilograms_weigh_what_they_say():
    assert not added(machine_field(calibrated=True)).any()


def test_one_loss_alone_leaves_the_season_as_it_is():
    one = {name: s for name, s in season(machine_field(False)).items() if name != "cleaning_loss"}
    assert allowing_for_weights(one) == one


@dataclass(frozen=True)
class Logged:
    """As much of a field job as its losses' units ask for."""

    outcomes: dict[str, np.ndarray]
    machine: str = "North"
    crop: str = "wheat"
    calibrated: bool = False


def logged(separation: np.ndarray, cleaning: np.ndarray) -> dict[str, np.ndarray]:
    return {
        "separation_loss": np.log(separation),
        "cleaning_loss": np.log(cleaning),
        "machine_loss": np.log(separation + cleaning),
    }


CUT = np.array([1.0, 2.0, 3.0])


def test_signals_far_apart_are_brought_half_way_together_and_their_sum_stays():
    """Separation reads e^3 times cleaning: as likely the sensors as the losses, half of it each."""
    (result,) = in_likely_units([Logged(logged(np.exp(3.0) * CUT, CUT))])
    losses = {name: np.exp(values) for name, values in result.outcomes.items()}
    np.testing.assert_allclose(losses["separation_loss"] / losses["cleaning_loss"], np.exp(1.5))
    np.testing.assert_allclose(losses["separation_loss"] + losses["cleaning_loss"], losses["machine_loss"])
    np.testing.assert_allclose(losses["machine_loss"], (np.exp(3.0) + 1) * CUT)


def test_effects_on_either_loss_are_as_they_were():
    before = Logged(logged(np.array([8.0, 4.0, 2.0]), np.array([1.0, 3.0, 2.0])))
    (result,) = in_likely_units([before])
    for place in ("separation_loss", "cleaning_loss"):
        np.testing.assert_allclose(np.diff(result.outcomes[place]), np.diff(before.outcomes[place]))


def test_a_bin_that_knows_one_loss_alone_is_weighed_by_what_the_sum_says_of_the_other():
    nothing_lost = logged(np.array([6.0, 6.0, 1e-300]), np.array([2.0, 2.0, 4.0]))
    nothing_lost["separation_loss"][2] = np.nan
    (result,) = in_likely_units([Logged(nothing_lost)])
    np.testing.assert_allclose(result.outcomes["machine_loss"][2], result.outcomes["cleaning_loss"][2])


def test_kilograms_and_single_losses_keep_their_units():
    kilograms = Logged(logged(np.exp(3.0) * CUT, CUT), calibrated=True)
    alone = Logged({"separation_loss": np.log(CUT)})
    assert in_likely_units([kilograms, alone]) == [kilograms, alone]


@pytest.mark.parametrize(("logged_place", "share"), [("separation_loss", 1.0), ("cleaning_loss", 0.0)])
def test_a_log_with_one_of_the_two_signals_has_no_share_of_the_other(logged_place, share):
    field = SimpleNamespace(time_s=np.arange(3.0), outcomes={logged_place: np.zeros(3)})
    np.testing.assert_array_equal(separation_shares(field), np.full(3, share))


def test_without_the_sum_the_share_follows_from_both_signals():
    field = SimpleNamespace(
        time_s=np.arange(1.0), outcomes={"separation_loss": np.log([3.0]), "cleaning_loss": np.log([1.0])}
    )
    assert separation_shares(field) == pytest.approx([0.75])
