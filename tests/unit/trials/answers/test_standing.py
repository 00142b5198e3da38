"""Comparisons of a trial from rows of effects: which rows count, and in which direction."""

from __future__ import annotations

from datetime import datetime

import polars as pl
import pytest
from builders.trials import plan_of, stored
from chaffinch.dashboards.figures.trial_switches import switches_drawing
from chaffinch.dashboards.words.trial_words import heading, state_sentence, step_words
from chaffinch.pipelines.trials.answers.standing import standings
from chaffinch.pipelines.trials.written.trial_plan import TrialPlan
from chaffinch.schemas.tables import tables


def effects_of(
    *moves: tuple[str, str, float], scope: str = "field", setting: str = "fan_speed"
) -> pl.DataFrame:
    """Rows of a trial, each in a field of its own. moves : (from value, to value, log ratio with a range of 0.1)."""
    rows = [
        {
            "scope": scope, "machine": "A", "field": f"field {k}", "setting": setting, "trial": "Fan",
            "from_value": before, "to_value": after, "outcome": "cleaning_loss", "verdict": "less",
            "alone_log_ratio": ratio, "alone_log_ratio_low": ratio - 0.1, "alone_log_ratio_high": ratio + 0.1,
            "adjustments_pooled": 4,
        }
        for k, (before, after, ratio) in enumerate(moves)
    ]  # fmt: skip
    if not rows:
        return tables()["effects"].empty()
    known = {name: kind for name, kind in tables()["effects"].polars_schema().items() if name in rows[0]}
    return tables()["effects"].conform(pl.DataFrame(rows, schema=known))


@pytest.mark.parametrize("other", ["1015", "1020", "1100"])
def test_a_change_back_counts_the_other_way_however_near_the_values(other: str):
    trials = stored(plan_of(["1000", other, other, "1000"]))
    effects = effects_of(("1000", other, -0.3), (other, "1000", 0.3))
    (one,) = standings(trials, effects, ["A"])[0].comparisons
    assert (one.from_value, one.to_value) == ("1000", other)
    assert one.log_ratio == pytest.approx(-0.3)
    # Two fields of equal weight: half the variance of one.
    assert one.variance == pytest.approx((0.1 / 1.959964) ** 2 / 2, rel=1e-5)


def test_three_near_values_are_kept_apart():
    order = ["1000", "1015", "1030"]
    effects = effects_of(("1000", "1015", -0.1), ("1000", "1030", -0.3), ("1015", "1030", -0.2))
    found = standings(stored(plan_of([*order, *reversed(order)])), effects, ["A"])[0].comparisons
    assert [one.log_ratio for one in found] == pytest.approx([-0.1, -0.3, -0.2])


def test_values_that_a_display_rounded_are_compared_and_drawn():
    # A planned 12.4 mm shows as 12 on a display of whole millimetres, 3 % from it.
    trials = stored(plan_of(["12.4", "16.4", "16.4", "12.4"], setting="upper_sieve_opening"))
    mine = effects_of(("16", "12", 0.2), setting="upper_sieve_opening")
    found = standings(trials, mine, ["A"])[0]
    (one,) = found.comparisons
    assert one.log_ratio == pytest.approx(-0.2)
    switches = effects_of(
        ("16", "12", 0.2), ("12", "16", -0.2), scope="adjustment", setting="upper_sieve_opening"
    )
    drawing = switches_drawing(switches, one, found.values_of("upper_sieve_opening"))
    assert drawing.count("<circle") == 3
    assert drawing.count("→") == 2


@pytest.mark.parametrize(("others", "shown"), [(0, False), (6, True)])
def test_an_answer_with_all_other_logs_is_given_where_there_are_others(others: int, shown: bool):
    known = [
        pl.lit(-18.0).alias("percent"),
        pl.lit(-25.0).alias("percent_low"),
        pl.lit(-9.0).alias("percent_high"),
    ]
    effects = effects_of(("1000", "1050", -0.2)).with_columns(
        *known, pl.lit(others, pl.Int64).alias("shared_with")
    )
    trials = stored(plan_of(["1000", "1050", "1050", "1000"]))
    (one,) = standings(trials, effects, ["A"])[0].comparisons
    assert (one.shared is not None) is shown


def test_steps_of_two_settings_are_told_with_their_units():
    plan = plan_of(["1000", "1050"], 5).model_dump()
    plan |= {"second_setting": "upper_sieve_opening", "second_values": ("14", "16")}
    for step, value in zip(plan["steps"], ("14", "16"), strict=True):
        step["second_value"] = value
    rows = stored(TrialPlan.model_validate(plan)).to_dicts()
    assert [step_words(row) for row in rows] == ["1000 rpm, 14 mm for 5 min", "1050 rpm, 16 mm for 5 min"]


def test_a_trial_over_the_new_year_belongs_to_both_years():
    trials = stored(plan_of(["1000", "1050", "1050", "1000"]))
    moments = [datetime(2026, 12, 31, 21), datetime(2026, 12, 31, 22), None, datetime(2027, 1, 1, 5)]
    trials = trials.with_columns(
        pl.Series("done_at", moments).dt.replace_time_zone("UTC").cast(trials.schema["done_at"]),
        pl.lit("finished").alias("status"),
    )
    (one,) = standings(trials, effects_of(), ["A"])
    assert [one.worked_on_in(year) for year in (2025, 2026, 2027, 2028)] == [False, True, True, False]


def test_a_trial_that_was_not_started_belongs_to_no_year():
    (one,) = standings(stored(plan_of(["1000", "1050", "1050", "1000"])), effects_of(), ["A"])
    assert not one.worked_on_in(2026)


def over(trials: pl.DataFrame, status: str = "finished") -> pl.DataFrame:
    return trials.with_columns(pl.lit(status).alias("status"), pl.lit("done").alias("step_status"))


# The half range of 0.1 is 1.96 standard errors: at the end of a plan 2.11 of them are clear, at another look 3.9.
@pytest.mark.parametrize(
    ("effect", "status", "state", "said"),
    [
        (-0.12, "finished", "enough", "1050 loses less"),
        (-0.12, "abandoned", "will not settle", "did not settle it"),
        (-0.25, "abandoned", "enough", "1050 loses less"),
        (-0.09, "finished", "will not settle", "did not settle it"),
        (0.01, "finished", "enough", "can be ruled out"),
    ],
)
def test_what_is_clear_when_a_plan_is_over_is_settled(effect: float, status: str, state: str, said: str):
    trials = over(stored(plan_of(["1000", "1050", "1050", "1000"])), status)
    found = standings(trials, effects_of(("1000", "1050", effect)), ["A"])[0]
    assert found.state == state
    assert said in state_sentence(found)
    assert heading(found) == ("not settled" if state == "will not settle" else state)


def test_of_three_values_the_best_is_enough_whatever_the_others_do():
    order = ["1000", "1050", "1100"]
    trials = over(stored(plan_of([*order, *reversed(order)])))
    effects = effects_of(("1000", "1050", -0.4), ("1000", "1100", -0.1), ("1050", "1100", 0.3))
    found = standings(trials, effects, ["A"])[0]
    assert found.state == "enough"
    assert "1050 loses least" in state_sentence(found)


def test_of_three_values_one_that_is_worse_than_the_others_settles_a_part():
    order = ["1000", "1050", "1100"]
    trials = over(stored(plan_of([*order, *reversed(order)])))
    effects = effects_of(("1000", "1050", -0.1), ("1000", "1100", 0.3), ("1050", "1100", 0.4))
    found = standings(trials, effects, ["A"])[0]
    assert (found.state, heading(found)) == ("will not settle", "partly settled")
    assert "1000 loses less than 1100" in state_sentence(found)
