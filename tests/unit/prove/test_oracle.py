"""What the oracle knows and what it answers, on bins made by hand and on a field of the simulator."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from chaffinch.pipelines.prove.drawn_effects import wandering
from chaffinch.pipelines.prove.oracle import OracleKnowledge, coming_in, oracle
from chaffinch.pipelines.prove.oracle_covariance import (
    Dense,
    binned_covariance,
    dense_covariance,
    time_scales,
)
from chaffinch.pipelines.simulate import SCENARIOS, LossNoise, Scenario, simulate_season
from chaffinch.pipelines.simulate.loss_noise import bursts
from chaffinch.pipelines.simulate.operators import draw_effects, plan_moves, plan_times, spread_effects
from chaffinch.pipelines.simulate.sensors import loss_signal
from chaffinch.pipelines.simulate.surface import random_surface

BINS = 300
TIME_S = 10.0 * np.arange(BINS)
LOGGED = (np.arange(BINS) >= 150).astype(float)
COLUMNS = np.column_stack([LOGGED, np.ones(BINS)])
ONE_CHANGE = SimpleNamespace(
    time_s=TIME_S, seconds=np.full(BINS, 10.0), changes=[SimpleNamespace(first_s=1500.0)]
)
NO_NOISE = LossNoise(fast_sd=0.0, slow_sd=0.0, white_sd=0.0)


def test_an_effect_that_fades_in_is_two_thirds_there_after_its_time_constant():
    design = SimpleNamespace(use=np.ones(BINS, dtype=bool), columns=COLUMNS, steps=(0,))
    coming = coming_in(design, ONE_CHANGE, 150.0)[:, 0]
    assert np.all(coming[:151] == 0.0)
    assert coming[165] == pytest.approx(1 - np.exp(-1))
    assert coming[-1] == pytest.approx(1.0, abs=1e-4)


def test_the_oracle_finds_on_the_true_clock_what_it_finds_with_a_right_one(quiet_field):
    binned, knowledge = quiet_field
    late = [replace(c, first_s=c.first_s + 180, last_s=c.last_s + 180) for c in binned.changes]
    moved = oracle(replace(binned, changes=late), "separation_loss", replace(knowledge, clock_off_s=180.0))
    np.testing.assert_allclose(moved, oracle(binned, "separation_loss", knowledge), rtol=1e-6)


@pytest.fixture(scope="module")
def quiet_field():
    """A field of which no change did anything, and what there is to know of its separation loss."""
    from chaffinch.pipelines.estimate import prepare, real_adjustments

    scenario = SCENARIOS["no_effect"]
    made = simulate_season(scenario, 3).machine_field(0)
    binned, _ = prepare(made.readings, real_adjustments(made.adjustments.with_row_index("row")))
    return binned, OracleKnowledge.of(made, scenario, "separation_loss")


def test_an_oracle_that_allows_for_hidden_steps_is_less_sure(quiet_field):
    binned, result = quiet_field
    wary = replace(result, more_over_time=wandering(SCENARIOS["unlogged"], "separation"))
    one, other = (oracle(binned, "separation_loss", what) for what in (result, wary))
    assert all(b.high - b.low > a.high - a.low for a, b in zip(one, other, strict=True))


@pytest.mark.seconds
def test_the_short_way_over_time_and_the_whole_matrix_answer_alike(quiet_field):
    """Ground that moves nothing makes the oracle take the long way."""
    binned, result = quiet_field
    short = oracle(binned, "separation_loss", result)
    long = oracle(binned, "separation_loss", replace(result, ground=((1e-12, 60.0),)))
    np.testing.assert_allclose(short, long, atol=1e-6)


def test_both_ways_hold_the_same_covariance():
    noise = LossNoise(many_scales_sd=0.4)
    time_s, seconds = TIME_S[:40], np.linspace(4.0, 10.0, 40)
    whole = dense_covariance(time_s, np.zeros((40, 2)), seconds, noise, ())
    by_matrix = Dense(np.linalg.cholesky(whole + np.diag(0.05 / seconds)))
    by_scales = binned_covariance(time_s, seconds, time_scales(noise), 0.05)
    assert by_matrix.log_determinant == pytest.approx(by_scales.log_determinant, abs=1e-8)
    columns = np.random.default_rng(1).standard_normal((40, 2))
    np.testing.assert_allclose(
        *(w.T @ w for w in (by_matrix.whiten(columns), by_scales.whiten(columns))), rtol=1e-8
    )


@pytest.mark.seconds
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


@pytest.mark.seconds
@pytest.mark.parametrize("name", ["unlogged", pytest.param("gain_step", marks=pytest.mark.proof)])
def test_hidden_steps_vary_as_much_as_the_oracle_assumes(name):
    """Squared differences of what steps add up to, over half a field job, in 2,000 seasons' worth of draws."""
    scenario = SCENARIOS[name]
    ((variance, scale_s),) = wandering(scenario, "cleaning")
    half_s = 1800.0 * scenario.hours
    stated = 2 * variance * -np.expm1(-half_s / scale_s)
    rng = np.random.default_rng(8)
    drawn = [_hidden(rng, scenario) for _ in range(2000)]
    first_s = rng.uniform(0.0, half_s, len(drawn))
    moved = [
        size[(at >= since) & (at < since + half_s)].sum()
        for (at, size), since in zip(drawn, first_s, strict=True)
    ]
    assert np.mean(np.square(moved)) == pytest.approx(stated, rel=0.15)


def _hidden(rng: np.random.Generator, scenario: Scenario) -> tuple[np.ndarray, np.ndarray]:
    """Moments, s, and heights of steps of the cleaning loss that no log tells of, by the simulator's own drawing."""
    seconds = 3600.0 * scenario.hours
    if scenario.sensors.gain_step_share:
        exact = replace(scenario.sensors, counts_per_kg=1e9)
        signal = loss_signal(rng, exact, np.ones(int(seconds)), 0.0, 0.1, 300.0)
        heights = np.diff(np.log(signal))
        jumps = np.flatnonzero(np.abs(heights) > 0.1)
        return jumps.astype(float), heights[jumps]
    effects = spread_effects(rng, draw_effects(rng, scenario.effects), scenario.effects.between_fields_sd)
    times_s = plan_times(rng, scenario.operator, scenario.adjustments + scenario.operator.unlogged, seconds)
    moves = [m for m in plan_moves(rng, scenario.operator, times_s, None) if not m.logged]
    return np.array([m.time_s for m in moves]), np.array(
        [m.steps * effects[m.setting]["cleaning"] for m in moves]
    )


def test_the_oracle_knows_what_unseen_straw_does_to_the_loss():
    """Under a loss curve that is a power, straw acts by the curve's exponent."""
    scenario = SCENARIOS["straw_varies"]
    made = simulate_season(scenario, 2).machine_field(0)
    ((variance, length_m),) = OracleKnowledge.of(made, scenario, "separation_loss").ground
    exponent = made.noise.curves["separation"].steepness
    assert variance == pytest.approx((exponent * scenario.straw_sd) ** 2, rel=1e-6)
    assert length_m == 60.0
