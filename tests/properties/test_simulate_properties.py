"""What must hold of any season, field or flow, whatever the numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.simulate import SCENARIOS, Effects, Operator, simulate_season
from chaffinch.pipelines.simulate.loss_model import Conditions, LossCurve, capacity_log_ratio
from chaffinch.pipelines.simulate.operators import (
    by_steps,
    effect_course,
    plan_moves,
    plan_times,
    spike_times,
)
from chaffinch.pipelines.simulate.sensors import transported
from chaffinch.pipelines.simulate.simulated_crops import ADJUSTABLES
from hypothesis import given, settings
from hypothesis import strategies as st

seeds = st.integers(0, 2**32 - 1)


@given(seeds, st.floats(0.0, 25.0), st.floats(0.1, 6.0), st.floats(0.0, 8.0))
def test_transport_makes_no_mass_and_looks_not_ahead(seed, delay_s, smear_s, wobble_s):
    rng = np.random.default_rng(seed)
    rate = rng.uniform(0.0, 12.0, 120) * (rng.random(120) < 0.8)
    rate[100:] = 0.0
    delay = delay_s + wobble_s * rng.random(120)
    arriving = transported(rate, delay, smear_s)
    assert (arriving >= -1e-9).all()
    assert (np.cumsum(arriving) <= np.cumsum(rate) + 1e-9).all()
    waiting = transported(
        np.concatenate([rate, np.zeros(400)]), np.pad(delay, (0, 400), mode="edge"), smear_s
    )
    assert waiting.sum() == pytest.approx(rate.sum(), rel=1e-6)


@given(seeds, st.integers(1, 20), st.floats(1.0, 8.0), st.floats(1.0, 30.0))
def test_times_keep_their_gap_and_lie_inside(seed, events, hours, gap_minutes):
    seconds = hours * 3600
    times = plan_times(
        np.random.default_rng(seed), Operator(gap_minutes=(gap_minutes, None)), events, seconds
    )
    assert times.size == events
    assert times[0] > 0 and times[-1] < seconds
    edge = min(900.0, 0.12 * seconds)
    least = min(60 * gap_minutes, 0.8 * (seconds - 2 * edge) / events)
    assert (np.diff(times) >= least - 1e-6).all()


@given(seeds, st.integers(1, 12))
def test_spikes_are_found_one_in_each_span(seed, events):
    seen = np.random.default_rng(seed).exponential(1.0, 7200)
    times = spike_times(Operator(), events, seen)
    assert times.size == events
    assert (np.diff(times) > 0).all()
    assert times[0] > 0 and times[-1] < 7200


@pytest.mark.seconds
@given(seeds, st.integers(1, 20), st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.integers(0, 5))
def test_moves_chain_and_stay_within_their_limits(seed, events, joint_share, back_share, unlogged):
    """Each move starts where the setting's last one ended, changes something, and is a possible value."""
    operator = Operator(joint_share=joint_share, there_and_back_share=back_share, unlogged=unlogged)
    moves = plan_moves(np.random.default_rng(seed), operator, np.arange(1, events + 1) * 1200.0, None)
    assert {move.event for move in moves} == set(range(events))
    assert len({move.event for move in moves if not move.logged}) == min(unlogged, events)
    assert [move.time_s for move in moves] == sorted(move.time_s for move in moves)
    now: dict[str, str] = {}
    for move in moves:
        assert move.from_value == now.get(move.setting, move.from_value)
        assert move.from_value != move.to_value
        assert move.joint == (sum(other.event == move.event for other in moves) > 1)
        adjustable = ADJUSTABLES[move.setting]
        if adjustable.positions:
            assert move.to_value in adjustable.positions
        else:
            assert adjustable.low <= float(move.to_value) <= adjustable.high
            change = float(move.to_value) - float(move.from_value)
            assert change == pytest.approx(move.steps * adjustable.step)
        now[move.setting] = move.to_value


@given(seeds)
def test_effects_end_at_the_sum_of_their_steps(seed):
    rng = np.random.default_rng(seed)
    moves = plan_moves(rng, Operator(joint_share=0.3), np.array([100.0, 300.0, 500.0]), None)
    outcomes = ("separation", "cleaning", "broken", "returns", "fuel")
    per_step = {name: dict(zip(outcomes, rng.normal(0, 0.3, 5), strict=True)) for name in ADJUSTABLES}
    course = effect_course(moves, by_steps(moves, per_step, Effects()), 700, Effects(ramp_minutes=2.0))
    for outcome in outcomes:
        assert course[outcome][0] == 0.0
        expected = sum(move.steps * per_step[move.setting][outcome] for move in moves)
        assert course[outcome][-1] == pytest.approx(expected)


@pytest.mark.seconds
@given(
    st.sampled_from(["power", "exponential"]),
    st.floats(0.8, 4.0),
    st.floats(0.8, 4.0),
    st.floats(-1.2, 1.2),
    st.floats(-1.2, 1.2),
    st.floats(0.5, 1.5),
)
def test_capacity_there_and_back_at_one_share(kind, steep_one, steep_two, one, two, load):
    """Machine share after, at the feed rate times exp(capacity), is the share before: the definition."""
    curves = {
        "separation": LossCurve(kind, 0.01, 10.0, steep_one, 14.0, 0.07, 0.0),
        "cleaning": LossCurve(kind, 0.006, 10.0, steep_two, 14.0, 0.04, 0.0),
    }
    before = {loss: np.zeros(1) for loss in curves}
    after = {"separation": np.array([one]), "cleaning": np.array([two])}
    found = capacity_log_ratio(curves, Conditions(10.0 * load, 14.0, 0.0), before, after)[0]

    def share(feed: float, effects: dict[str, np.ndarray]) -> float:
        r = feed / 10.0
        return sum(
            c.base_share
            * (r**c.steepness if kind == "power" else np.exp(c.steepness * (r - 1)))
            * np.exp(effects[k][0])
            for k, c in curves.items()
        )

    if np.isfinite(found):
        assert share(10.0 * load * np.exp(found), after) == pytest.approx(
            share(10.0 * load, before), rel=1e-6
        )
    else:
        # Only an exponential curve has a floor (at no feed at all) below which no loss share lies.
        assert kind == "exponential"
        assert share(10.0 * load * np.exp(-3.0), after) > share(10.0 * load, before)


@pytest.mark.seconds
@given(st.sampled_from(sorted(SCENARIOS)), seeds)
@settings(max_examples=25, deadline=None)
def test_any_season_is_whole_and_repeatable(name, seed):
    scenario = replace(SCENARIOS[name], fields=2, machines=2, hours=0.75, adjustments=2)
    field = simulate_season(scenario, seed).machine_field(1)
    again = simulate_season(scenario, seed).machine_field(1)
    assert field.readings.equals(again.readings)
    assert field.truth.equals(again.truth)
    course = field.noise.course
    out = course["kept_kg_s"] + course["separation_lost_kg_s"] + course["cleaning_lost_kg_s"]
    assert np.allclose(out, course["entered_kg_s"])
    assert course["kept_kg_s"].min() >= 0.0
    assert field.readings["time"].is_sorted()
    assert field.truth["log_ratio"].drop_nulls().is_finite().all()
    assert set(field.truth.filter(pl.col("log_ratio").is_null())["outcome"]) <= {"capacity"}


def test_who_rounds_times_writes_round_times_of_the_clock():
    """Work from 09:38: the nearest ten minutes are those of the clock, not of the work."""
    start_s, operator = 9 * 3600.0 + 38 * 60, Operator(rounded_to_minutes=10)
    moves = plan_moves(np.random.default_rng(1), operator, np.arange(1, 9) * 1234.0, None, start_s)
    written = np.array([m.written_s + start_s for m in moves])
    assert (written % 600 == 0).all()
    assert (np.abs(written - start_s - [m.time_s for m in moves]) <= 300).all()
