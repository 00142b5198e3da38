"""What to do next season: by the better value, never beyond those tried, with the numbers of every page."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from chaffinch.dashboards.words.machine_lines import MachineLines
from chaffinch.dashboards.words.next_season import CHANGE_IT, KEEP_IT, STILL_OPEN, advice_of
from chaffinch.dashboards.words.settings_now import SettingLine
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.pipelines.farm import parse_farm
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


def advice(outcome: Outcome, undone: bool):
    now = "1000" if undone else "1050"
    line = SettingLine(
        (("fan_speed", "1000", "1050", "rpm"),), 1, 2 if undone else 1, datetime(2026, 7, 20, tzinfo=UTC), now,
        undone, (outcome,),
    )  # fmt: skip
    (one,) = advice_of(NO_RESPONSES, [MachineLines("Combine A", "wheat", [line], [CURVE])], [], FARM)
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
