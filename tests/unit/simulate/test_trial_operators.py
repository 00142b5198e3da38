"""Operators with a plan, as the matching of plan and log sees them."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from builders.trials import START, logged, plan_of, stored
from chaffinch.pipelines.estimate.data.changes import real_adjustments
from chaffinch.pipelines.simulate import SCENARIOS, FieldPlan, simulate_season
from chaffinch.pipelines.simulate.scenario import Keeping
from chaffinch.pipelines.simulate.trial_operators import trial_plan_of, trial_script
from chaffinch.pipelines.trials.done.matching import match_trials

VALUES = ("1050", "1000")
ORDER = (0, 1, 1, 0, 1, 0, 0, 1, 0, 1, 1, 0)
MINUTES = 12.0


def statuses(keeping: Keeping, seed: int, days_of_other_work: int = 0) -> pl.DataFrame:
    trial = FieldPlan("fan_speed", tuple(-k for k in ORDER), MINUTES, keeping=keeping)
    script = trial_script(np.random.default_rng(seed), trial)
    level = {"fan_speed": 0, "rotor_speed": 0}
    moves = []
    for minute, changes in script:
        for setting, steps in changes:
            level[setting] += steps
            value = VALUES[-level[setting]] if setting == "fan_speed" else str(850 + 50 * level[setting])
            moves.append((minute, setting, value))
    log = logged(moves, before={"fan_speed": VALUES[0], "rotor_speed": "850"})
    last = {"A": START + timedelta(days=days_of_other_work, hours=3)}
    found, _ = match_trials(stored(plan_of([VALUES[k] for k in ORDER], MINUTES)), {"A": log}, last)
    return found


@pytest.mark.parametrize("seed", range(10))
def test_who_follows_does_every_step_in_time(seed):
    found = statuses("follows", seed)
    assert found["step_status"].to_list() == ["done"] * len(ORDER)
    assert (found["status"][0], found["extra"][0]) == ("finished", 0)


def test_who_drifts_is_late_skips_and_touches_something_else():
    found = [statuses("drifts", seed) for seed in range(20)]
    assert all(one.height == len(ORDER) for one in found)
    kinds = pl.concat(found)["step_status"].value_counts()
    counts = dict(kinds.iter_rows())
    assert counts["late"] > 0 and counts["skipped"] > 0
    # Most of what was done is recognised all the same.
    assert counts["done"] + counts["late"] > 0.6 * sum(counts.values())
    assert sum(one["extra"][0] for one in found) > 10


@pytest.mark.parametrize("seed", range(10))
def test_who_abandons_stops_half_way(seed):
    running, abandoned = statuses("abandons", seed), statuses("abandons", seed, days_of_other_work=5)
    assert running["status"][0] == "running" and abandoned["status"][0] == "abandoned"
    planned = running.filter(pl.col("step_status") == "planned")["step"].to_list()
    assert planned == list(range(planned[0], len(ORDER) + 1))


def test_a_season_with_trials_is_matched_with_its_plans():
    """Fields in turn: followed, drifted from, abandoned; ten seasons of three fields, no estimate."""
    scenario = SCENARIOS["trials"]
    found: dict[str, list[pl.DataFrame]] = {"follows": [], "drifts": [], "abandons": []}
    for seed in range(61, 71):
        season = simulate_season(scenario, seed)
        for index in range(3):
            trial, one = season.trial_of(index), season.machine_field(index)
            log = {one.machine.name: real_adjustments(one.adjustments.with_row_index("row"))}
            later = {one.machine.name: one.readings["time"][-1] + timedelta(days=4)}
            plan = stored(trial_plan_of(trial, one.machine.name, one.crop))
            found[trial.keeping].append(match_trials(plan, log, later)[0])
    for steps in found["follows"]:
        assert steps["step_status"].to_list() == ["done"] * steps.height
        assert (steps["status"][0], steps["extra"][0]) == ("finished", 0)
    drifted = pl.concat(found["drifts"])
    assert {"late", "skipped"} <= set(drifted["step_status"])
    assert drifted["extra"].max() > 0
    for steps in found["abandons"]:
        assert steps["status"][0] == "abandoned"
        assert steps["step_status"].to_list().count("planned") >= 3
