"""What loss checks say of a signal's gain: against the local level model of a general-purpose library."""

from __future__ import annotations

import time

import numpy as np
import pytest
from chaffinch.pipelines.estimate.results import gain_drift
from chaffinch.pipelines.estimate.results.calibration import calibrate
from chaffinch.pipelines.estimate.results.gain_drift import (
    DAY_S,
    DRIFT_PRIOR,
    DRIFTS,
    USUAL_DRIFT,
    GainCourse,
    gain_course,
)

LOGS = np.array([0.1, 0.3, -0.2, 0.25, 0.5, 0.4, 0.9])
DAYS = np.array([0.0, 1.0, 2.0, 4.0, 5.0, 8.0, 9.0])


@pytest.mark.seconds
@pytest.mark.parametrize("drift", [0.04, 0.16])
@pytest.mark.parametrize("day", [0, 3, 6, 9, 14])
def test_the_predicted_gain_is_the_library_s_smoothed_level(drift, day):
    """statsmodels' local level with known variances, days without a check missing, its start unknown."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    daily = np.full(15, np.nan)
    daily[DAYS.astype(int)] = LOGS
    model = UnobservedComponents(daily, "local level", use_exact_diffuse=True)
    # Parameters: variance of the irregular, then of the level.
    theirs = model.smooth([0.2**2, drift**2])
    mean, variance = gain_drift._Course.of(DAYS, LOGS, 0.2, drift).at(float(day))
    assert mean == pytest.approx(theirs.smoothed_state[0, day], abs=1e-8)
    assert variance == pytest.approx(theirs.smoothed_state_cov[0, 0, day], abs=1e-8)


def test_the_deviance_is_the_library_s_up_to_a_constant():
    """statsmodels' diffuse log likelihood of the same model, for two drifts."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    daily = np.full(10, np.nan)
    daily[DAYS.astype(int)] = LOGS
    model = UnobservedComponents(daily, "local level", use_exact_diffuse=True)
    theirs = [-2 * model.loglike([0.3**2, drift**2]) for drift in (0.02, 0.16)]
    ours = [gain_drift._filtered(DAYS, LOGS, 0.3, drift).deviance for drift in (0.02, 0.16)]
    assert ours[1] - ours[0] == pytest.approx(theirs[1] - theirs[0], abs=1e-6)


def test_checks_close_to_an_adjustment_know_its_gain_best():
    """Checks every day of a week: the day in their midst is known better than a day two months on."""
    course = gain_course(np.arange(7) * DAY_S, np.zeros(7))
    near, far = course.at(3 * DAY_S)[1], course.at(60 * DAY_S)[1]
    assert near < 0.12
    assert far > 1.3 * near


def test_a_gain_that_drifts_is_followed():
    """A gain that falls by a factor e over 60 days, a check a day with errors of a twentieth: within 0.2 of it
    at the season's start and end, where the mean of all checks is half a unit off."""
    rng = np.random.default_rng()
    days = np.arange(60.0)
    course = gain_course(days * DAY_S, -days / 60 + 0.05 * rng.standard_normal(60))
    assert course.at(0.0)[0] == pytest.approx(0.0, abs=0.2)
    assert course.at(59 * DAY_S)[0] == pytest.approx(-59 / 60, abs=0.2)


def test_the_prior_mean_of_the_drift_is_the_usual_one():
    assert DRIFT_PRIOR.sum() == pytest.approx(1.0)
    assert pytest.approx(USUAL_DRIFT, rel=0.05) == DRIFT_PRIOR @ DRIFTS


@pytest.mark.seconds
def test_ranges_of_the_gain_hold_the_truth_as_often_as_they_say():
    """120 made-up seasons, fresh seed: a walk of 3 % per root day, six checks within a fifth, asked at any day.
    Held as often as ranges that hold exactly 95 % are in all but one case in two thousand (104 of 120, binomial),
    and no wider than a single check's."""
    rng = np.random.default_rng()
    held, errors = 0, []
    for _ in range(120):
        walk = np.cumsum(0.03 * rng.standard_normal(40))
        days = np.sort(rng.choice(40, 6, replace=False))
        course = gain_course(days * DAY_S, walk[days] + 0.2 * rng.standard_normal(6))
        day = int(rng.integers(40))
        mean, error = course.at(day * DAY_S)
        held += abs(walk[day] - mean) < 1.96 * error
        errors.append(error)
    assert held >= 104
    assert np.mean(errors) < 0.2


def test_a_check_without_neighbours_is_right_within_a_fifth_on_its_day():
    course = gain_course(np.array([0.0]), np.array([0.4]))
    assert course.at(0.0) == pytest.approx((0.4, 0.2))
    # A month on, what is usual has been added.
    assert 0.2 < course.at(30 * DAY_S)[1] < 0.5


def test_weights_say_how_far_checks_speak_for_each_drift():
    steady = gain_course(np.arange(30) * DAY_S, np.tile([0.1, -0.1], 15))
    moving = gain_course(np.arange(30) * DAY_S, np.linspace(0, 3, 30))
    for course in (steady, moving):
        assert course.weights.sum() == pytest.approx(1.0)
    assert steady.weights @ DRIFTS < 0.03 < 0.08 < moving.weights @ DRIFTS


def test_a_calibration_is_asked_for_its_moment():
    """Checks on sixty days, over which the gain rises by a factor e: each moment has its own weight."""
    pairs = np.array([[np.exp(level) * 0.2, 20.0, day * DAY_S] for day in range(60) for level in [day / 60]])
    found = calibrate(pairs)
    assert isinstance(found.course, GainCourse)
    assert found.at(0.0).log_kg_s_per_unit == pytest.approx(np.log(0.01), abs=0.2)
    assert found.at(59 * DAY_S).log_kg_s_per_unit == pytest.approx(np.log(0.01) + 1, abs=0.2)
    assert found.log_kg_s_per_unit == found.at(59 * DAY_S).log_kg_s_per_unit


@pytest.mark.seconds
def test_the_cost_of_a_season_of_checks_grows_in_proportion():
    """Ten times as many checks, asked ten times as often, take some ten times as long, not a hundred."""

    def seconds(checks: int) -> float:
        days = np.linspace(0.0, 60.0, checks)
        course = gain_course(days * DAY_S, np.sin(days))
        start = time.process_time()
        for day in days:
            course.at(day * DAY_S)
        return time.process_time() - start

    few = min(seconds(200) for _ in range(3))
    assert min(seconds(2000) for _ in range(3)) < 25 * few
