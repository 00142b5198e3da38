"""Planned steps found in what was logged: as planned, late, skipped, added, abandoned."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest
from builders.trials import START, logged, plan_of, stored
from chaffinch.pipelines.trials.done.matching import match_trials
from chaffinch.pipelines.trials.written.trial_plan import TrialPlan
from hypothesis import given
from hypothesis import strategies as st

A, B = "1000", "1050"
ABBAB = [A, B, B, A, A, B]
AS_PLANNED = [(0, A), (10, B), (30, A), (50, B)]
"""Minute and value of the switches of ``ABBAB`` in steps of ten minutes."""


def match(plan: TrialPlan, moves, before=None, last_minute: float = 70.0):
    log = logged([(m, "fan_speed", v) if isinstance(v, str) else (m, *v) for m, v in moves], before)
    found, marked = match_trials(stored(plan), {"A": log}, {"A": START + timedelta(minutes=last_minute)})
    return found, marked["A"]


def test_a_trial_as_planned():
    found, marked = match(plan_of(ABBAB), AS_PLANNED)
    assert found["step_status"].to_list() == ["done"] * 6
    assert found["status"].unique().to_list() == ["finished"]
    assert found["extra"].unique().to_list() == [0]
    minutes = [(t - START).total_seconds() / 60 for t in found["done_at"]]
    assert minutes == [0, 10, 20, 30, 40, 50]
    assert found["deviation"].to_list() == [None] * 6
    # The first change only puts the first value in force.
    assert marked["trial"].to_list() == [None, "Fan", "Fan", "Fan"]
    assert marked.select("trial_from", "trial_to").rows()[1:] == [(A, B), (B, A), (A, B)]


def test_the_first_value_may_be_in_force_already():
    found, marked = match(plan_of(ABBAB), AS_PLANNED[1:], before={"fan_speed": A})
    assert found["step_status"].to_list() == ["done"] * 6
    assert found["done_at"][0] is None
    assert marked["trial"].to_list() == ["Fan"] * 3


def test_where_no_log_knows_the_value_before_the_plan_says_it():
    found, marked = match(plan_of(ABBAB), AS_PLANNED[1:])
    assert found["step_status"].to_list()[1:] == ["done"] * 5
    assert marked["trial_from"][0] == A


def test_a_late_switch_is_said():
    found, _ = match(plan_of(ABBAB), [(0, A), (10, B), (45, A), (65, B)], last_minute=80)
    late = found.filter(pl.col("step_status") == "late")
    assert late["step"].to_list() == [4]
    assert late["deviation"].to_list() == ["switched 15 minutes later than planned"]
    assert found["status"][0] == "finished"


def test_an_early_switch_is_done_and_said():
    found, _ = match(plan_of(ABBAB), [(0, A), (10, B), (15, A), (35, B)])
    assert found["step_status"].to_list() == ["done"] * 6
    assert found["deviation"][3] == "switched 15 minutes earlier than planned"


def test_half_of_a_trial():
    found, _ = match(plan_of(ABBAB), AS_PLANNED[:3])
    assert found["step_status"].to_list() == ["done"] * 5 + ["planned"]
    assert found["status"][0] == "running"


def test_a_trial_is_abandoned_after_days_of_other_work():
    found, _ = match(plan_of(ABBAB), AS_PLANNED[:3], last_minute=5 * 24 * 60)
    assert found["status"][0] == "abandoned"


def test_skipped_steps():
    # A B A B A B with the third and fourth step left out: B stays in force.
    plan = plan_of([A, B, A, B, A, B])
    found, _ = match(plan, [(0, A), (10, B), (40, A), (50, B)])
    assert found["step_status"].to_list() == ["done", "done", "skipped", "skipped", "done", "done"]


def test_changes_in_between_are_counted():
    moves = [(0, A), (10, B), (20, ("rotor_speed", "900")), (30, A), (34, "1100"), (36, A), (50, B)]
    found, marked = match(plan_of(ABBAB), moves)
    assert found["extra"].unique().to_list() == [3]
    assert found["step_status"].to_list() == ["done"] * 6
    inside = marked.filter(pl.col("trial").is_not_null())
    assert inside["to_value"].to_list() == [B, A, B]


def test_an_unplanned_switch_between_the_values_is_part_of_the_trial():
    found, marked = match(plan_of(ABBAB), [(0, A), (10, B), (30, A), (37, B), (44, A), (50, B)])
    assert marked["trial"].to_list() == [None] + ["Fan"] * 5
    assert found["extra"][0] == 2


def test_displays_round():
    found, marked = match(plan_of(ABBAB), [(0, "1001"), (10, "1048"), (30, "998"), (50, "1052")])
    assert found["step_status"].to_list() == ["done"] * 6
    assert marked["trial_to"].to_list() == [None, B, A, B]


def test_no_log_of_the_machine():
    found, _ = match_trials(stored(plan_of(ABBAB)), {}, {})
    assert found["step_status"].unique().to_list() == ["planned"]
    assert found["status"].unique().to_list() == ["planned"]


def test_other_values_are_no_trial():
    found, marked = match(plan_of(ABBAB), [(0, "900"), (10, "950"), (30, "900")])
    assert found["status"][0] == "planned"
    assert marked["trial"].null_count() == 3


def test_earlier_work_with_one_of_the_changes_is_not_the_trial():
    # A week before, somebody went from A to B once; the trial followed later.
    moves = [(-7 * 1440, B), *AS_PLANNED]
    found, _ = match(plan_of(ABBAB), moves, before={"fan_speed": A})
    assert found["done_at"][1] == START + timedelta(minutes=10)


def test_two_trials_of_one_machine_share_no_change():
    first, second = plan_of(ABBAB, name="first"), plan_of([A, B, A, B, A, B], minutes=5, name="second")
    moves = [*AS_PLANNED, *[(200 + 5 * k, [A, B][k % 2]) for k in range(6)]]
    log = logged([(m, "fan_speed", v) for m, v in moves])
    found, marked = match_trials(stored(first, second), {"A": log}, {})
    assert found["status"].unique().to_list() == ["finished"]
    assert found.height == 12
    assert marked["A"]["trial"].to_list() == [None, *["first"] * 3, None, *["second"] * 5]


def test_two_plans_for_the_same_changes_the_better_fit_has_them():
    good, other = plan_of(ABBAB, name="good"), plan_of([B, A, B], minutes=20, name="other")
    log = logged([(m, "fan_speed", v) for m, v in AS_PLANNED])
    found, marked = match_trials(stored(other, good), {"A": log}, {})
    assert dict(found.select("trial", "status").unique().iter_rows()) == {
        "good": "finished",
        "other": "planned",
    }
    assert set(marked["A"]["trial"].drop_nulls()) == {"good"}


def test_matching_again_changes_nothing():
    log = {"A": logged([(m, "fan_speed", v) for m, v in AS_PLANNED])}
    once, _ = match_trials(stored(plan_of(ABBAB)), log, {})
    assert match_trials(once, log, {})[0].equals(once)
    undone, _ = match_trials(once, {}, {})
    assert undone.equals(stored(plan_of(ABBAB)))


def test_two_settings_in_turn():
    plan = TrialPlan.model_validate(
        {
            "name": "both", "machine": "A", "setting": "fan_speed", "values": (A, B),
            "second_setting": "upper_sieve_opening", "second_values": ("12", "14"),
            "steps": [
                {"value": a, "second_value": b, "minutes": 10}
                for a, b in ((A, "12"), (B, "12"), (B, "14"), (A, "14"), (A, "12"))
            ],
        }
    )  # fmt: skip
    moves = [(10, ("fan_speed", B)), (20, ("upper_sieve_opening", "14")), (30, ("fan_speed", A)),
             (40, ("upper_sieve_opening", "12"))]  # fmt: skip
    found, marked = match(plan, moves, before={"fan_speed": A, "upper_sieve_opening": "12"})
    assert found["step_status"].to_list() == ["done"] * 5
    assert marked["trial"].to_list() == ["both"] * 4
    assert marked["trial_to"].to_list() == [B, "14", A, "12"]


@given(
    st.lists(st.tuples(st.floats(0, 500), st.sampled_from([A, B, "1100"])), max_size=25), st.integers(2, 12)
)
def test_no_step_is_lost_whatever_was_done(moves, steps):
    plan = plan_of([[A, B][k % 2] for k in range(steps)])
    found, marked = match(plan, sorted((m, v) for m, v in moves))
    assert found["step"].to_list() == list(range(1, steps + 1))
    assert set(found["step_status"]) <= {"planned", "done", "late", "skipped"}
    assert (
        found.filter(pl.col("step_status") == "planned")["done_at"].null_count()
        == (found["step_status"] == "planned").sum()
    )
    assert marked.height <= len(moves)
    assert set(marked["trial"]) <= {None, "Fan"}


@pytest.mark.parametrize("pause_hours", [15, 40])
def test_a_trial_may_go_on_the_next_day(pause_hours: float):
    later = 60.0 * pause_hours
    found, _ = match(
        plan_of(ABBAB), [(0, A), (10, B), (30 + later, A), (50 + later, B)], last_minute=70 + later
    )
    assert found["status"][0] == "finished"


def test_steps_of_whole_minutes_do_not_make_times_inexact():
    # All switches lie on a grid of ten minutes because the plan does; a log by hand would be taken for late.
    order = [A, B, A, B, A, B, A, B, A, B]
    moves = [(10 * k, value) for k, value in enumerate(order)]
    log = logged([(m, "fan_speed", v) for m, v in moves])
    assert log["later_s"].max() == 600
    _, marked = match_trials(stored(plan_of(order)), {"A": log}, {})
    inside = marked["A"].filter(pl.col("trial").is_not_null())
    assert inside.select("earlier_s", "later_s").unique().rows() == [(30.0, 60.0)]


def test_only_switches_that_came_on_plan_need_no_other_witness_of_their_time():
    order = [A, B, A, B, A, B, A, B, A, B]
    kept = [(10.0 * k + 0.3 * (k % 3), value) for k, value in enumerate(order)]
    _, marked = match(plan_of(order), [*kept[:4], (33.0, ("rotor_speed", "900")), *kept[4:]], last_minute=120)
    assert marked.filter(pl.col("setting") == "fan_speed")["on_time"].to_list() == [False] + [True] * 9
    assert marked.filter(pl.col("setting") == "rotor_speed")["on_time"].to_list() == [False]
    # Written down to five minutes, up to seven minutes after each switch: by hand.
    by_hand = [
        (m, value) for m, (_, value) in zip((0, 15, 25, 30, 45, 50, 65, 75, 80, 95), kept, strict=True)
    ]
    _, marked = match(plan_of(order), by_hand, last_minute=120)
    assert marked["trial"].is_not_null().sum() == 9
    assert not marked["on_time"].any()
    assert marked["later_s"].min() >= 300
