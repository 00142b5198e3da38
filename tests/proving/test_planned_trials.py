"""What plans of trials promise, against simulated trials that were driven and answered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from builders.planned_trials import OUTCOME, answered_trials, scored_trials
from builders.trials import plan_of, stored
from chaffinch.dashboards.words.trial_words import interaction_sentence, state_sentence
from chaffinch.pipelines.estimate import estimate_effects, prepare
from chaffinch.pipelines.estimate.data.changes import real_adjustments
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.simulate.scenario import Effects, FieldPlan, Operator
from chaffinch.pipelines.trials.answers.standing import Standing, standings
from chaffinch.pipelines.trials.design.random_order import random_order
from chaffinch.pipelines.trials.done.matching import match_trials
from chaffinch.pipelines.trials.written.trial_plan import PlannedStep, TrialPlan
from scipy.stats import binom, chi2

EFFECT = 0.16


@pytest.mark.proof
@pytest.mark.parametrize("scenario", ["plain", "heavy_tails"])
def test_trials_are_as_precise_as_planned(scenario):
    """A fresh seed. Of 384 trials over twelve noise scenarios 98 % came within 15 % of the plan, and 96.1 % of the
    ranges held; 54.7 % called an effect where plans promised 53.1 %. The test fails where so few of 16 would be seen
    in one run of a thousand if nine of ten were the truth; so too for coverage.
    """
    (seed,) = np.random.SeedSequence().generate_state(1)
    found = scored_trials(answered_trials(scenario, int(seed), EFFECT))
    print(f"{scenario}, seed {seed}: {found}")
    assert found["trials"] == 16
    assert found["within_15_percent"] >= binom.ppf(0.001, 16, 0.9) / 16
    assert 0.85 < found["ratio"] < 1.15
    assert found["coverage"] >= binom.ppf(0.001, 16, 0.95) / 16


@pytest.mark.proof
def test_ranges_of_trials_are_neither_too_narrow_nor_too_wide():
    """96 trials on fresh seeds; in "dropouts" a sensor may show zero too often to be answered from (1 of 400 trials:
    two in one run, once in a thousand runs). Errors as stated have a chi square; once in a thousand one is as large
    as the upper bound. Ranges are stated a little wide (0.87 of 384 trials), so the lower bound lies further out."""
    names = ("plain", "strong_drift", "one_over_f", "heavy_tails", "straw_varies", "dropouts")
    seeds = np.random.SeedSequence().generate_state(len(names)).tolist()
    rows = pl.concat(answered_trials(*one, EFFECT) for one in zip(names, seeds, strict=True))
    found = scored_trials(rows)
    print(f"seeds {seeds}: {found}")
    n = int(found["trials"])
    assert n + found["refused"] == 96
    assert rows.filter("refused", pl.col("scenario") != "dropouts").is_empty()
    assert found["refused"] <= 2
    assert chi2.ppf(1e-5, n) < n * found["square_by_noise"] < chi2.ppf(0.999, n)
    assert found["coverage_if_gains_move"] >= binom.ppf(0.001, n, 0.95) / n


@pytest.mark.proof
def test_without_effect_trials_seldom_call_one():
    rows = answered_trials("plain", 2603, 0.0)
    assert scored_trials(rows)["called"] <= 0.25


def driven(plan: TrialPlan, operator: Operator, effects: Effects, hours: float, seed: int) -> Standing:
    """A trial on the one machine of a quiet season, driven and answered."""
    made = replace(SCENARIOS["plain"], fields=1, machines=1, hours=hours, operator=operator, effects=effects)
    one = simulate_season(made, seed).machine_field(0)
    log = {one.machine.name: real_adjustments(one.adjustments.with_row_index("row"))}
    trials, marked = match_trials(stored(plan), log, {})
    binned, _ = prepare(one.readings, marked[one.machine.name], one.loss_checks)
    assert binned is not None
    effects_found = estimate_effects([replace(binned, outcomes={OUTCOME: binned.outcomes[OUTCOME]})])
    return standings(trials, effects_found, [one.machine.name])[0]


@pytest.mark.proof
def test_three_values_are_compared_with_each_other():
    """Three seasons: every range holds, and the widest comparison is clear in most of them."""
    order = [value for (value,) in random_order(np.random.default_rng(5), 3, 2)]
    values, levels, per_step = ("1050", "1000", "1100"), {0: 0, 1: -1, 2: 1}, 0.3
    trial = FieldPlan("fan_speed", tuple(levels[v] for v in order), 12.0)
    plan = plan_of([values[v] for v in order], 12.0, machine="Combine A")
    effects = Effects(stated=(("fan_speed", "cleaning", per_step),), between_fields_sd=0.0)
    sentences = []
    for seed in (2611, 2612, 2613):
        found = driven(plan, Operator(trials=(trial,)), effects, 2.5, seed)
        assert len(found.comparisons) == 3
        for one in found.comparisons:
            steps = (float(one.to_value) - float(one.from_value)) / 50
            assert abs(one.log_ratio - per_step * steps) < one.anytime, (one.from_value, one.to_value)
        sentences.append(state_sentence(found))
    assert (
        sum("1000 loses less than 1100" in said or "1000 rpm loses least" in said for said in sentences) >= 2
    ), sentences


@pytest.mark.proof
@pytest.mark.parametrize("minutes", [9.0, 5.0])
def test_two_settings_are_answered_in_one_trial(minutes):
    """In steps of five minutes, written to the minute, no switch has three minutes of work on both sides."""
    order = random_order(np.random.default_rng(5), 2, 2, settings=2)
    true = {"fan_speed": 0.3, "upper_sieve_opening": -0.2}
    ways, level = {"fan_speed": -1, "upper_sieve_opening": 1}, dict.fromkeys(true, 0)
    moves = []
    for k, state in enumerate(order):
        wanted = {name: ways[name] * value for name, value in zip(true, state, strict=True)}
        changes = tuple((name, wanted[name] - level[name]) for name in true if wanted[name] != level[name])
        level = wanted
        if changes:
            moves.append((6.4 + minutes * k, changes))
    steps = tuple(
        PlannedStep(value=("1050", "1000")[a], second_value=("14", "16")[b], minutes=minutes)
        for a, b in order
    )
    plan = TrialPlan(
        name="both", machine="Combine A", setting="fan_speed", unit="rpm", values=("1050", "1000"),
        second_setting="upper_sieve_opening", second_values=("14", "16"), steps=steps,
    )  # fmt: skip
    effects = Effects(stated=tuple((n, "cleaning", e) for n, e in true.items()), between_fields_sd=0.0)
    found = driven(plan, Operator(script=(tuple(moves),)), effects, 2.6, 2612)
    assert found.counts["done"] == len(steps)
    for one in found.comparisons:
        # Fan speed goes a step down, the sieve a step up.
        assert abs(one.log_ratio - ways[one.setting] * true[one.setting]) < one.anytime, one.setting
    assert [one.setting for one in found.comparisons] == list(true)
    # Effects of the simulator add up: no interaction.
    together = found.interaction
    assert together is not None and not together.is_clear
    assert (together.other, together.low, together.high) == ("upper_sieve_opening", "14", "16")
    assert "no clear sign that one depends on the other" in interaction_sentence(together)
