"""What to do next season: by the better value, never beyond those tried, with the numbers of every page."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from chaffinch.dashboards.words.begun_trials import begun_trials
from chaffinch.dashboards.words.machine_lines import MachineLines
from chaffinch.dashboards.words.next_season import CHANGE_IT, IN_TRIAL, KEEP_IT, STILL_OPEN, advice_of
from chaffinch.dashboards.words.settings_now import SettingLine
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.pipelines.farm import parse_farm
from chaffinch.pipelines.trials.answers.standing import Standing
from chaffinch.pipelines.trials.answers.worth_trying import Suggestion
from chaffinch.schemas.tables import tables

FARM = parse_farm("[prices]\nper_t = { wheat = 200 }\n")
NO_RESPONSES = tables()["responses"].empty()
CURVE = {"feed_t_h": 36.0, "yield_t_ha": 5.0, "loss_kg_ha": 150.0, "loss_log_error": 0.0, "slope": None,
         "slope_error": None}  # fmt: skip


def loss(log_ratio: float, chance_less: float, kg: float) -> Outcome:
    percents = [100 * (2.718281828459045**x - 1) for x in (log_ratio, log_ratio - 0.1, log_ratio + 0.1)]
    logs = (log_ratio, log_ratio - 0.1, log_ratio + 0.1)
    return Outcome(
        "machine_loss",
        "no clear change",
        *percents,
        *logs,
        None,
        (),
        (kg, kg - 15, kg + 15),
        None,
        chance_less,
    )


def advice(outcome: Outcome, undone: bool, suggested=(), begun=None):
    now = "1000" if undone else "1050"
    line = SettingLine(
        (("fan_speed", "1000", "1050", "rpm"),), 1, 2 if undone else 1, datetime(2026, 7, 20, tzinfo=UTC), now,
        undone, (outcome,),
    )  # fmt: skip
    lines = [MachineLines("Combine A", "wheat", [line], [CURVE])]
    (one,) = advice_of(NO_RESPONSES, lines, suggested, FARM, begun or {})
    return one


# 150 kg/ha at 200 a tonne: a loss that falls by a tenth saves 15 kg/ha, 3.0 a hectare. Worked by hand.
@pytest.mark.parametrize(
    ("fell", "undone", "do", "before", "after", "kg", "money"),
    [
        (True, False, KEEP_IT, "1000", "1050", 15.0, 3.0),
        (True, True, CHANGE_IT, "1000", "1050", 15.0, 3.0),
        (False, False, CHANGE_IT, "1050", "1000", 15.0, 3.0),
        (False, True, KEEP_IT, "1050", "1000", 15.0, 3.0),
    ],
)
def test_the_better_of_the_two_values(fell, undone, do, before, after, kg, money):
    outcome = loss(-0.1, 0.95, -15.0) if fell else loss(0.1, 0.05, 15.0)
    one = advice(outcome, undone)
    assert (one.do, one.before, one.after) == (do, before, after)
    assert one.saved_kg_ha is not None and one.saved_kg_ha[0] == pytest.approx(kg)
    assert one.saving is not None and one.saving.per_ha == pytest.approx(money, abs=0.1)
    assert one.chance is not None and one.chance > 0.9


def test_what_is_not_likely_is_open_and_ends_with_the_value_in_use():
    one = advice(loss(-0.02, 0.6, -3.0), undone=False)
    assert (one.do, one.after) == (STILL_OPEN, "1050")
    back = advice(loss(-0.02, 0.6, -3.0), undone=True)
    assert (back.do, back.after) == (STILL_OPEN, "1000")
    assert back.outcome.chance_less == pytest.approx(0.4)
    assert back.saving.per_ha == pytest.approx(-one.saving.per_ha)


def test_settings_changed_together_are_kept_or_taken_back_together():
    both = (("fan_speed", "1000", "1050", "rpm"), ("upper_sieve_opening", "12", "14", "mm"))
    when = datetime(2026, 7, 20, tzinfo=UTC)

    def told(outcome: Outcome, undone: bool = False):
        line = SettingLine(both, 1, 1, when, None, undone, (outcome,))
        return advice_of(NO_RESPONSES, [MachineLines("Combine A", "wheat", [line], [CURVE])], [], FARM)

    (kept,) = told(loss(-0.1, 0.95, -15.0))
    assert (kept.do, kept.title) == (
        KEEP_IT,
        "Fan speed 1000 → 1050 rpm and Upper sieve opening 12 → 14 mm",
    )
    (back,) = told(loss(0.1, 0.05, 15.0))
    assert (back.do, back.title) == (
        CHANGE_IT,
        "Fan speed 1050 → 1000 rpm and Upper sieve opening 14 → 12 mm",
    )
    assert back.saving.per_ha == pytest.approx(3.0, abs=0.1)
    assert told(loss(-0.1, 0.95, -15.0), undone=True) == [] == told(loss(0.0, 0.5, 0.0))


def standing(status: str, state: str) -> Standing:
    step = {"values": ["1000", "1050"]}
    counts = dict.fromkeys(("done", "late", "skipped", "extra"), 0)
    return Standing("d", "t", "Combine A", "wheat", ("fan_speed",), status, (step,), counts, None, None, (), (),
                    state, 4)  # fmt: skip


def trial(value: float) -> Suggestion:
    return Suggestion("Combine A", "wheat", "fan_speed", "rpm", 1050.0, value, "machine_loss", 0.7, 5.0, 7.0, 40.0,
                      300.0, 60.0, True, 2.0, 7, 9.0)  # fmt: skip


# What may be advised while a trial runs: common practice, no source. The states are those of ``standings``.
@pytest.mark.parametrize(
    ("status", "state", "do", "words", "again", "another"),
    [
        ("planned", "go on", CHANGE_IT, "planned, not started", False, False),
        ("running", "go on", IN_TRIAL, "under way: 4 more switches should settle it", False, False),
        ("running", "enough", CHANGE_IT, "settled; it can stop", False, True),
        ("running", "will not settle", CHANGE_IT, "under way, but its plan will not settle it", True, True),
        ("finished", "enough", CHANGE_IT, "settled by a trial", False, True),
        ("finished", "will not settle", CHANGE_IT, "tried, not settled", True, True),
        ("abandoned", "enough", CHANGE_IT, "settled by a trial", False, True),
        ("abandoned", "will not settle", CHANGE_IT, "begun, not finished", True, True),
    ],
)
def test_advice_knows_the_trials_that_were_begun(status, state, do, words, again, another):
    begun = begun_trials([standing(status, state)])
    for value, wanted in ((1000.0, again), (1100.0, another)):
        one = advice(loss(0.1, 0.05, 15.0), False, [trial(value)], begun)
        assert (one.do, one.begun.words) == (do, words)
        assert (one.trial is not None) is wanted, value


def test_of_several_trials_of_a_setting_the_one_under_way_speaks():
    ended, planned = standing("finished", "enough"), standing("planned", "go on")
    found = begun_trials([ended, standing("running", "go on"), planned])
    assert found["Combine A", "wheat", "fan_speed"].kind == "under way"
    assert begun_trials([ended, planned])["Combine A", "wheat", "fan_speed"].kind == "planned"


def test_what_likely_gets_worse_is_named():
    broken = replace(loss(0.1, 0.1, 0.0), name="broken_grain", absolute_kg_ha=None)
    line = SettingLine(
        (("fan_speed", "1000", "1050", "rpm"),), 1, 1, datetime(2026, 7, 20, tzinfo=UTC), "1050", False,
        (loss(-0.1, 0.95, -15.0), broken),
    )  # fmt: skip
    (one,) = advice_of(NO_RESPONSES, [MachineLines("Combine A", "wheat", [line], [CURVE])], [], FARM)
    assert one.do == KEEP_IT and len(one.costs) == 1 and "more broken grain likely: +11" in one.costs[0]
