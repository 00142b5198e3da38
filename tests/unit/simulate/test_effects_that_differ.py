"""Effects that differ by machine, field, change, conditions or value: as stated, as they happen, and in the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.simulate.operators import by_steps, move_effects, plan_moves, spread_effects
from chaffinch.pipelines.simulate.scenario import Effects, Operator

STEPS = {"rotor_speed": {"separation": 0.2, "cleaning": 0.0}}


def test_spreads_are_as_wide_as_stated_and_what_is_nothing_stays_nothing():
    """4000 draws of 0.2 with a standard deviation of 0.25, within four of their standard errors."""
    rng = np.random.default_rng()
    drawn = [spread_effects(rng, STEPS, 0.25)["rotor_speed"] for _ in range(4000)]
    separation = np.array([one["separation"] for one in drawn])
    assert separation.mean() == pytest.approx(0.2, abs=4 * 0.25 / np.sqrt(4000))
    assert separation.std() == pytest.approx(0.25, rel=4 / np.sqrt(8000))
    assert {one["cleaning"] for one in drawn} == {0.0}


@pytest.mark.seconds
def test_each_scope_lies_about_the_wider_one():
    """The truth of a change less that of its field, of a field less its machine's: spreads of 0.10, 0.25, 0.15."""
    scenario = replace(
        SCENARIOS["effects_differ"],
        fields=40,
        machines=20,
        hours=0.5,
        adjustments=3,
        operator=Operator(gap_minutes=(1.0, None)),
        effects=replace(SCENARIOS["effects_differ"].effects, zero_share=0.0),
    )
    truth = pl.concat(field.truth for field in simulate_season(scenario, 5).iter()).filter(
        pl.col("outcome") == "cleaning_loss", pl.col("season_log_ratio") != 0
    )
    assert truth.height > 60
    per_step = [
        (truth[a] - truth[b]) / truth["steps"]
        for a, b in (
            ("own_log_ratio", "field_log_ratio"),
            ("field_log_ratio", "machine_log_ratio"),
            ("machine_log_ratio", "season_log_ratio"),
        )
    ]
    for apart, sd in zip(per_step, (0.10, 0.25, 0.15), strict=True):
        # Changes of a machine share its own: the least certain spread is that of twenty machines.
        assert apart.std() == pytest.approx(sd, rel=0.4)


def test_a_best_value_is_a_parabola_over_the_levels():
    """From the start to level L a parabola with its best two steps up adds 0.1 ((L - 2)^2 - 4)."""
    effects = Effects(bowls=(("rotor_speed", "separation", 2.0, 0.1),))
    rng = np.random.default_rng()
    moves = plan_moves(rng, Operator(), np.arange(20) * 600.0, None)
    nothing = {move.setting: {"separation": 0.0} for move in moves}
    sizes = by_steps(moves, nothing, effects)
    level = sum(m.steps for m in moves if m.setting == "rotor_speed")
    assert sum(one["separation"] for one in sizes) == pytest.approx(0.1 * ((level - 2) ** 2 - 4), abs=1e-12)
    assert move_effects(rng, moves, nothing, effects) == sizes


def test_two_settings_together_do_the_product_of_their_levels_more():
    effects = Effects(interactions=(("fan_speed", "rotor_speed", "separation", 0.1),))
    moves = plan_moves(np.random.default_rng(5), Operator(), np.arange(40) * 600.0, None)
    nothing = {move.setting: {"separation": 0.0} for move in moves}
    fan, rotor = (sum(m.steps for m in moves if m.setting == name) for name in ("fan_speed", "rotor_speed"))
    assert fan and rotor
    total = sum(one["separation"] for one in by_steps(moves, nothing, effects))
    assert total == pytest.approx(0.1 * fan * rotor, abs=1e-12)


def test_effects_grow_with_feed_rate_as_stated_and_the_truth_is_at_mean_conditions():
    """By the course of the effect at every second: 1 + 0.8 ln(feed / rated) times what it is at the rated feed."""
    scenario = replace(SCENARIOS["effects_by_conditions"], hours=1.0, adjustments=1)
    scenario = replace(scenario, effects=replace(scenario.effects, by_moisture=0.0, zero_share=0.0))
    for made in simulate_season(scenario, 3).iter():
        told = made.truth.filter(pl.col("outcome").is_in(["separation_loss", "cleaning_loss"]))
        told = told.filter(pl.col("log_ratio") != 0)
        if told.height:
            break
    loss, told = told["outcome"][0].removesuffix("_loss"), told["log_ratio"][0]
    course = made.noise.course
    load, effect = course["load_kg_s"].to_numpy(), course[f"{loss}_effect"].to_numpy()
    late = np.arange(load.size) > load.size * 0.9
    late &= (load > 0.3 * load.max()) & (course["entered_kg_s"].to_numpy() > 0)
    rated = made.noise.curves[loss].rated_feed_kg_s
    at_rated = effect[late] / (1 + 0.8 * np.log(load[late] / rated))
    assert np.ptp(load[late]) > 0.05 * rated
    assert at_rated == pytest.approx(at_rated[0], rel=1e-9)
    mean = made.noise.conditions.feed_kg_s
    assert told == pytest.approx(at_rated[0] * (1 + 0.8 * np.log(mean / rated)), rel=1e-9)


def test_one_odd_field_differs_more_than_the_others():
    season = simulate_season(replace(SCENARIOS["odd_field"], hours=0.5), 4)
    apart = [
        np.mean(
            [
                abs(size - season.effects[setting][o])
                for setting, by in season.machine_field(i).noise.per_step.items()
                for o, size in by.items()
                if season.effects[setting][o]
            ]
        )
        for i in range(4)
    ]
    assert apart[0] > 3 * max(apart[1:])
