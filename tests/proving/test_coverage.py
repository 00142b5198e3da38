"""What is claimed, on fresh seeds: minutes each, and other seasons every time."""

from __future__ import annotations

import pytest
from chaffinch.pipelines.prove import run_proof
from chaffinch.pipelines.prove.limits import coverage_limits, failings
from chaffinch.pipelines.prove.trial import ALONE, OURS
from scipy.stats import binom

pytestmark = pytest.mark.proof


def proof_of(scenario: str, seasons: int) -> dict:
    proof = run_proof([scenario], seasons, print, lambda *_: None, peers=())
    print("\n".join(proof["sentences"]))
    assert list(failings(proof["scores_by_scope"])) == []
    return proof["scores"][0]


@pytest.mark.parametrize("scenario", ["plain", "strong_drift", "reactive"])
def test_ranges_hold_the_truth_as_often_as_they_say(scenario):
    """At least 91 % of both losses together is claimed; the run is printed.

    Three seasons of 16 fields and 4 adjustments are 384 effects. The test fails where so few hits would
    be seen in one run of a thousand if that were the truth: fresh seeds every time must not fail by
    chance, and an estimator that covers 84 % fails nearly always.
    """
    found = proof_of(scenario, 3)
    assert found["effects"] == 384
    assert coverage_limits(found["answered"]) == (0.91, 0.98)
    worth = found["answered"]
    # Holding more than 95 % is no fault where sharing narrows ranges.
    assert binom.ppf(0.001, worth, 0.91) / worth <= found["coverage"]
    assert found["width_to_alone"] < 1
    assert found["share_answered"] >= 0.9
    # A wrong sign in 2 % of verdicts; so many of these few can be wrong in all but one run of a thousand.
    assert found["wrong_sign"] <= binom.ppf(0.999, found["verdicts_on_effects"], 0.02)


@pytest.mark.parametrize("scenario", ["by_hand", "written_later", "slow_ramp", "wrong_clock"])
def test_effects_are_not_lost_where_times_are_known_to_minutes(scenario):
    """What each log says alone is not shrunk. Entered at the logged times, 0.55 to 0.65 of the effects were left."""
    proof = run_proof([scenario], 2, print, lambda *_: None, peers=())
    by_method = {one["method"]: one for one in proof["scores"]}
    ours, alone = by_method[OURS], by_method[ALONE]
    assert 0.85 <= alone["slope"] <= 1.15
    for one in (ours, alone):
        assert one["coverage"] >= binom.ppf(0.001, one["answered"], 0.92) / one["answered"]
    assert ours["share_answered"] >= 7 / 8


def test_checks_at_different_levels_put_a_bent_signal_right():
    """Two seasons of signals that go with loss^0.7. Without it 0.64 to 0.68 of the effects were left, 0.81 held."""
    proof = run_proof(["bent"], 2, print, lambda *_: None, peers=())
    by_method = {one["method"]: one for one in proof["scores"]}
    assert 0.85 <= by_method[ALONE]["slope"] <= 1.15
    ours = by_method[OURS]
    assert ours["coverage"] >= binom.ppf(0.001, ours["answered"], 0.92) / ours["answered"]


def test_checks_on_both_sides_tell_a_gain_that_moved_from_an_effect():
    """Fan and sieve move the gain of the cleaning sensor. Without it 0.73 of all ranges held, 0.34 were called."""
    proof = run_proof(["gain_moves"], 2, print, lambda *_: None, peers=())
    ours = proof["scores"][0]
    assert ours["coverage"] >= binom.ppf(0.001, ours["answered"], 0.92) / ours["answered"]
    assert ours["called_without_effect"] <= binom.ppf(0.999, ours["without_effect"], 0.05)


def test_a_loss_signal_with_a_dead_band_is_refused():
    proof = run_proof(["dead_band"], 1, print, lambda *_: None, peers=())
    assert proof["scores"][0]["share_answered"] <= 0.1


def test_changes_made_as_the_machine_runs_into_a_bad_patch_are_refused():
    """Before, 0.83 of the ranges held and one change in ten without an effect was called."""
    proof = run_proof(["bad_patch"], 1, print, lambda *_: None, peers=())
    assert proof["scores"][0]["share_answered"] <= 0.1


@pytest.mark.parametrize("scenario", ["headland_rounds", "evening_dew", "slope_direction", "steers_by_loss"])
def test_regimes_and_steering_do_not_pass_for_effects(scenario):
    """One season; of the changes made as a regime begins, those that are answered count too."""
    found = proof_of(scenario, 1)
    assert found["coverage"] >= binom.ppf(0.001, found["answered"], 0.92) / found["answered"]
    assert found["share_answered"] >= 0.5


def test_changes_are_seldom_called_where_there_is_none():
    found = proof_of("no_effect", 3)
    assert found["without_effect"] >= 350
    worth = found["without_effect"]
    assert found["share_called_without_effect"] <= binom.ppf(0.999, worth, 0.05) / worth
