"""What the oracle is told of what no log knows, on bins made by hand and on a field whose loss is tampered with."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from chaffinch.pipelines.prove.oracle import Told, allowing_for, fading, oracle
from chaffinch.pipelines.prove.oracle_covariance import (
    Dense,
    binned_covariance,
    dense_covariance,
    time_scales,
)
from chaffinch.pipelines.simulate import SCENARIOS, Noise, simulate_season
from chaffinch.pipelines.simulate.ground import random_surface
from chaffinch.pipelines.simulate.noise import bursts

BINS = 300
TIME_S = 10.0 * np.arange(BINS)
LOGGED = (np.arange(BINS) >= 150).astype(float)
COLUMNS = np.column_stack([LOGGED, np.ones(BINS)])
NO_NOISE = Noise(fast_sd=0.0, slow_sd=0.0, white_sd=0.0)


@pytest.mark.parametrize(
    ("moment_s", "added"),
    [
        (750.0, 1),  # half-way before the logged change
        (1500.0, 0),  # at the logged change itself
        (-60.0, 0),  # before the first bin: nothing changes within the log
        (4000.0, 0),  # after the last one
    ],
)
def test_a_change_that_no_log_knows_is_a_step_where_it_can_be_told(moment_s, added):
    columns = allowing_for(COLUMNS, TIME_S, [moment_s])
    assert columns.shape == (BINS, 2 + added)
    if added:
        assert np.array_equal(columns[:, -1], (moment_s <= TIME_S).astype(float))


def test_an_effect_that_fades_in_is_two_thirds_there_after_its_time_constant():
    design = SimpleNamespace(use=np.ones(BINS, dtype=bool), columns=COLUMNS, steps=(0,))
    binned = SimpleNamespace(time_s=TIME_S, changes=[SimpleNamespace(first_s=1500.0)])
    coming = fading(design, binned, 150.0)[:, 0]
    assert np.all(coming[:151] == 0.0)
    assert coming[165] == pytest.approx(1 - np.exp(-1))
    assert coming[-1] == pytest.approx(1.0, abs=1e-4)


@pytest.fixture(scope="module")
def quiet_field():
    """A field of which no change did anything, and what there is to know of its separation loss."""
    from chaffinch.pipelines.estimate import prepare, real_adjustments

    scenario = SCENARIOS["no_effect"]
    made = simulate_season(scenario, 3).machine_field(0)
    binned, _ = prepare(made.readings, real_adjustments(made.adjustments.with_row_index("row")))
    return binned, Told.of(made, scenario, "separation_loss")


def test_told_of_a_hidden_step_the_oracle_is_no_longer_misled_by_it(quiet_field):
    """Separation loss doubles without a word, twenty minutes before a logged change."""
    binned, told = quiet_field
    hidden_s = binned.changes[1].first_s - 1200.0
    doubled = binned.outcomes["separation_loss"] + np.log(2) * (binned.time_s >= hidden_s)
    misled = replace(binned, outcomes={**binned.outcomes, "separation_loss": doubled})
    known = replace(told, steps_s=(hidden_s,))
    one, other = (oracle(misled, "separation_loss", what)[1] for what in (told, known))
    assert abs(other.log_ratio) < abs(one.log_ratio)
    assert other.high - other.low > one.high - one.low


def test_the_short_way_over_time_and_the_whole_matrix_answer_alike(quiet_field):
    """Ground that moves nothing makes the oracle take the long way."""
    binned, told = quiet_field
    short = oracle(binned, "separation_loss", told)
    long = oracle(binned, "separation_loss", replace(told, ground=((1e-12, 60.0),)))
    np.testing.assert_allclose(short, long, atol=1e-6)


def test_both_ways_hold_the_same_covariance():
    noise = Noise(many_scales_sd=0.4)
    time_s, seconds = TIME_S[:40], np.linspace(4.0, 10.0, 40)
    whole = dense_covariance(time_s, np.zeros((40, 2)), seconds, noise, ())
    by_matrix = Dense(np.linalg.cholesky(whole + np.diag(0.05 / seconds)))
    by_scales = binned_covariance(time_s, seconds, time_scales(noise), 0.05)
    assert by_matrix.log_determinant == pytest.approx(by_scales.log_determinant, abs=1e-8)
    columns = np.random.default_rng(1).standard_normal((40, 2))
    np.testing.assert_allclose(
        *(w.T @ w for w in (by_matrix.whiten(columns), by_scales.whiten(columns))), rtol=1e-8
    )


def test_the_stated_covariance_of_bursts_is_that_of_bursts_made():
    """Four thousand hours; the heaviest of tails, so within a tenth."""
    rng = np.random.default_rng(5)
    noise = replace(NO_NOISE, bursts_per_hour=3.0, burst_log=0.8)
    made = bursts(rng, 3600 * 4000, noise.bursts_per_hour, noise.burst_log)
    lags = np.array([0, 60, 120, 200])
    found = [np.mean(made[: made.size - lag] * made[lag:]) - made.mean() ** 2 for lag in lags]
    stated = dense_covariance(lags.astype(float), np.zeros((4, 2)), np.ones(4), noise, ())[0]
    np.testing.assert_allclose(stated, found, rtol=0.1)


def test_the_stated_covariance_of_ground_is_that_of_ground_made():
    """Forty squares of two kilometres; within a fiftieth of the variance."""
    rng = np.random.default_rng(6)
    surfaces = np.array([random_surface(rng, (250, 250), 8.0, 60.0) for _ in range(40)])
    places_m = np.array([[0.0, 0.0], [0.0, 80.0], [48.0, 64.0]])
    stated = dense_covariance(np.zeros(3), places_m, np.ones(3), NO_NOISE, ((1.0, 60.0),))[0]
    found = [1.0, np.mean(surfaces[:, :, 10:] * surfaces[:, :, :-10])]
    found.append(np.mean(surfaces[:, 6:, 8:] * surfaces[:, :-6, :-8]))
    np.testing.assert_allclose(stated, found, atol=0.02)


def test_the_oracle_is_told_when_a_sensor_s_gain_jumped():
    """In the log itself: the signal over the true loss, smeared and late, is another from that second on."""
    scenario = SCENARIOS["gain_step"]
    season = simulate_season(scenario, 2)
    made = next(one for one in season.iter() if "cleaning" in one.noise.gain_jump_s)
    (moment,) = Told.of(made, scenario, "cleaning_loss").steps_s
    course, lost = made.noise.course, made.noise.course["cleaning_lost_kg_s"].to_numpy()
    late = round(made.machine.instruments.cleaning_delay_s + made.machine.instruments.loss_smear_s)
    signal = made.readings["cleaning_loss_signal"].fill_null(0.0).to_numpy()
    entered = np.arange(lost.size) - late
    at_work = (entered >= 0) & (signal > 0) & (lost[entered] > 0)
    ratio = np.log(signal[at_work] / lost[entered[at_work]])
    second = moment - course["time"][0].timestamp()
    # The sensor shows crop of that second a delay later.
    after = entered[at_work] >= second
    jumped = np.median(ratio[after]) - np.median(ratio[~after])
    assert abs(jumped) == pytest.approx(scenario.sensors.gain_step_log, abs=0.03)
    near = (np.abs(entered[at_work] - second) < 600) & (np.abs(entered[at_work] - second) > 5)
    beside = np.median(ratio[near & after]) - np.median(ratio[near & ~after])
    assert beside == pytest.approx(jumped, abs=0.1)


def test_the_oracle_is_told_what_unseen_straw_does_to_the_loss():
    """Under a loss curve that is a power, straw acts by the curve's exponent."""
    scenario = SCENARIOS["straw_varies"]
    made = simulate_season(scenario, 2).machine_field(0)
    ((variance, length_m),) = Told.of(made, scenario, "separation_loss").ground
    exponent = made.noise.curves["separation"].steepness
    assert variance == pytest.approx((exponent * scenario.straw_sd) ** 2, rel=1e-6)
    assert length_m == 60.0
