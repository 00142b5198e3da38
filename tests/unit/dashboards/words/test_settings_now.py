"""Changes of a setting as one line; one instruction that names a value inside the range tried."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from chaffinch.dashboards.words.confidence import confidence
from chaffinch.dashboards.words.instruction import instruction_for
from chaffinch.dashboards.words.machine_lines import machine_lines
from chaffinch.dashboards.words.settings_now import SettingLine, lines_of
from chaffinch.dashboards.words.settings_that_cost import settings_that_cost
from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.dashboards.words.trial_words import SettingTrial
from chaffinch.pipelines.estimate.responses.best_value import BestValue
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.tables import tables

NINE = datetime(2026, 8, 3, 9, tzinfo=UTC)


def outcome(name: str, ratio: float, chance_less: float | None, kg: float | None = None) -> Outcome:
    low, high = ratio - 0.1, ratio + 0.1
    verdict = "less" if high < 0 else "more" if low > 0 else "no clear change"
    percents = [100 * math.expm1(x) for x in (ratio, low, high)]
    weighed = None if kg is None else (kg, kg - 5, kg + 5)
    return Outcome(name, verdict, *percents, ratio, low, high, None, (), weighed, None, chance_less)


def change(
    number: int, before: str, after: str, *outcomes: Outcome, setting: str = "rotor_speed"
) -> ShownChange:
    when = NINE + timedelta(hours=number)
    return ShownChange(
        number, when, when, ((setting, before, after, "rpm"),), None, outcomes, 900.0, 900.0, 0
    )


def row(ratio: float, **more: object) -> dict:
    row = dict.fromkeys(tables()["effects"].polars_schema())
    ends = {"": ratio, "_low": ratio - 0.1, "_high": ratio + 0.1}
    for end, value in ends.items():
        row |= {f"log_ratio{end}": value, f"percent{end}": 100 * math.expm1(value)}
        row |= {f"alone_log_ratio{end}": value, f"alone_percent{end}": 100 * math.expm1(value)}
    return row | {
        "scope": "field", "machine": "A", "setting": "rotor_speed", "outcome": "machine_loss", "verdict": "less",
        "reasons": [], "chance_less": 0.99, **more,
    }  # fmt: skip


def frame(*rows: dict) -> pl.DataFrame:
    table = tables()["effects"]
    return table.conform(pl.DataFrame(list(rows), schema_overrides=dict(table.polars_schema())))


def test_up_back_and_up_again_is_one_line_with_the_answer_of_the_field():
    moves = [("850", "950"), ("950", "850"), ("850", "950")]
    changes = [change(n, *ends, outcome("machine_loss", -0.2, 0.9)) for n, ends in enumerate(moves, 1)]
    (line,) = lines_of(changes, frame(row(-0.5, from_value="850", to_value="950")), None)
    assert (line.title, line.changes, line.now, line.undone) == (
        "Separation rotor speed 850 → 950 rpm",
        3,
        "950",
        False,
    )
    assert line.outcomes[0].log_ratio == -0.5 and line.outcomes[0].chance_less == 0.99


def test_up_and_back_is_undone_and_still_says_what_up_did():
    changes = [change(1, "850", "950"), change(2, "950", "850")]
    (line,) = lines_of(changes, frame(row(-0.5, from_value="850", to_value="950")), None)
    assert (line.undone, line.now, line.settings[0][1:3]) == (True, "850", ("850", "950"))
    assert line.outcomes[0].log_ratio == -0.5


def test_two_steps_down_are_twice_a_step_with_the_other_sign():
    """Per +50 rpm -0.2 (-0.3 to -0.1): 950 to 850 is +0.4 (0.2 to 0.6), and falls with 1 - 0.99."""
    changes = [change(1, "950", "900"), change(2, "900", "850")]
    (line,) = lines_of(changes, frame(row(-0.2, per_step=50.0)), None)
    found = line.outcomes[0]
    assert (found.log_ratio, found.log_low, found.log_high) == pytest.approx((0.4, 0.2, 0.6))
    assert found.verdict == "more" and found.chance_less == pytest.approx(0.01)
    assert found.alone == pytest.approx((0.4, 0.2, 0.6))


def test_kilograms_follow_the_way():
    """-20 kg/ha by ln 0.8 were 100 kg/ha before a step; two steps leave 64 of them: -36 kg/ha."""
    changes = [change(1, "850", "900"), change(2, "900", "950")]
    one = row(math.log(0.8), per_step=50.0, absolute=-20.0, absolute_low=-30.0, absolute_high=-10.0,
              absolute_unit="kg/ha")  # fmt: skip
    (line,) = lines_of(changes, frame(one), 0.0)
    assert line.outcomes[0].absolute_kg_ha[0] == pytest.approx(-36.0)


def test_the_newest_setting_comes_first_and_a_joint_change_is_its_own_line():
    both = ShownChange(3, NINE + timedelta(hours=3), NINE + timedelta(hours=3),
                       (("fan_speed", "900", "1000", "rpm"), ("rotor_speed", "950", "900", "rpm")),
                       None, (), 900.0, 900.0, 0)  # fmt: skip
    changes = [change(1, "850", "950"), change(2, "14", "16", setting="upper_sieve_opening"), both]
    lines = lines_of(changes, frame(), None)
    assert [line.number for line in lines] == [3, 2, 1]
    assert lines[2].now == "900" and not lines[2].undone and lines[0].setting is None


def line(
    *outcomes: Outcome, setting: str = "rotor_speed", before: str = "850", after: str = "950"
) -> SettingLine:
    return SettingLine(((setting, before, after, "rpm"),), 1, 1, NINE, after, False, outcomes)


BEST = BestValue("A", "wheat", "rotor_speed", "rpm", "machine_loss", 930.0, 900.0, 950.0, 950.0, 850.0, 950.0,
                 -0.2, -0.3, -0.1, None, None, None, 0.6, 0.2, None, 6)  # fmt: skip


def said(*lines: SettingLine, best: tuple[BestValue, ...] = ()) -> str:
    found = instruction_for(lines, best)
    return "" if found is None else " ".join([found.do, found.why, *found.costs]).replace("\u00a0", " ")


def test_go_back_where_the_loss_rose():
    text = said(line(outcome("machine_loss", 0.3, 0.001)))
    assert text.startswith("Go back to 850 rpm: separation rotor speed Machine loss rose: +35 %, 99 % sure")


def test_one_loss_up_and_one_down_is_no_reason_to_go_back():
    mixed = line(outcome("separation_loss", -0.6, 0.999), outcome("cleaning_loss", 0.2, 0.02),
                 outcome("machine_loss", -0.2, 0.95))  # fmt: skip
    text = said(mixed)
    assert text.startswith("Keep 950 rpm") and "more cleaning loss sure: +22 %" in text


def test_try_a_value_that_the_responses_say_is_likely_better():
    text = said(line(outcome("machine_loss", -0.3, 0.999)), best=(BEST,))
    assert text.startswith("Try 930 rpm: separation rotor speed, planned trial")
    assert "−18 %" in text


TRIAL = SettingTrial("", ("930", "950"), "trial of 2.0 h, 7 switches", "expected worth 340 EUR a year")


@pytest.mark.parametrize(
    ("ratio", "chance", "best", "do", "why"),
    [
        (-0.3, 0.999, (BEST,), "Try 930 rpm: separation rotor speed, trial of 2.0 h, 7 switches",
         "Expected worth 340 EUR a year."),
        (0.05, 0.1, (), "Go back to 850 rpm: separation rotor speed",
         "To be sure: 930 against 950 rpm in a trial of 2.0 h, 7 switches, expected worth 340 EUR a year."),
        (-0.05, 0.7, (), "Compare 950 with 930 rpm: separation rotor speed, in a trial of 2.0 h, 7 switches",
         "Expected worth 340 EUR a year."),
        (0.3, 0.001, (), "Go back to 850 rpm: separation rotor speed", "+35 %, 99 % sure."),
    ],
)  # fmt: skip
def test_an_instruction_says_how_long_a_trial_takes_and_what_it_is_worth_unless_it_is_sure(
    ratio: float, chance: float, best: tuple[BestValue, ...], do: str, why: str
):
    found = instruction_for([line(outcome("machine_loss", ratio, chance))], best, {"rotor_speed": TRIAL})
    assert found is not None
    text = f"{found.why} {found.to_be_sure}".strip().replace("\u00a0", " ")
    assert (found.do.replace("\u00a0", " "), text.endswith(why)) == (do, True)


def test_what_is_open_is_left_as_it_is_where_no_trial_would_pay():
    """The curve has been weighed, and no trial of its values is among those that would pay."""
    text = said(line(outcome("machine_loss", -0.02, 0.6)), best=(replace(BEST, value=950.0),))
    assert text.startswith("Leave it at 950 rpm: separation rotor speed")
    assert text.endswith("No trial of the values tried is expected to pay.")


def test_the_larger_gain_comes_first_and_going_back_needs_no_trial():
    """Of the two values of a change its own effect says which is better; a third value is for a trial."""
    raised = line(outcome("machine_loss", 0.18, 0.001))
    before = replace(BEST, value=850.0)
    assert said(raised, best=(before,)).startswith("Go back to 850 rpm")
    assert said(raised, best=(BEST,)).startswith("Try 930 rpm")
    fan = line(outcome("machine_loss", 0.6, 0.001), setting="fan_speed", before="1000", after="1100")
    assert said(raised, fan, best=(BEST,)).startswith("Go back to 1000 rpm: fan speed")


def test_what_was_set_back_is_set_again_where_it_was_better_and_kept_where_it_was_worse():
    back = {"now": "850", "undone": True}
    better = replace(line(outcome("machine_loss", -0.3, 0.99)), **back)
    worse = replace(line(outcome("machine_loss", 0.3, 0.01)), **back)
    assert said(better).startswith(
        "Set 950 rpm again: separation rotor speed Machine loss was lower there: −26 %"
    )
    assert said(worse).startswith("Keep 850 rpm: separation rotor speed Machine loss rose at 950 rpm: +35 %")


def test_a_trial_under_way_is_finished_before_anything_else_is_said_of_its_setting():
    raised = line(outcome("machine_loss", 0.3, 0.001))
    found = instruction_for(
        [raised], [BEST], {"rotor_speed": SettingTrial("4 more switches should settle it.")}
    )
    assert found is not None and found.do == "Go on with the trial: separation rotor speed"
    assert found.why == "4 more switches should settle it."


def test_a_curve_about_another_value_in_use_says_nothing_of_this_field():
    text = said(line(outcome("machine_loss", -0.3, 0.999), after="900"), best=(BEST,))
    assert text.startswith("Keep 900 rpm")


def test_a_value_that_is_a_word_is_not_that_of_the_curve():
    text = said(line(outcome("machine_loss", -0.3, 0.999), after="off"), best=(BEST,))
    assert text.startswith("Keep off rpm")


def test_an_open_change_is_worth_a_trial_and_no_change_no_word():
    assert said(line(outcome("machine_loss", -0.05, 0.7))).startswith("Compare 850 rpm with 950 rpm")
    assert instruction_for([], []) is None


@pytest.mark.parametrize(
    ("chance_less", "text"),
    [
        (0.976, "98 % sure"),
        (0.974, "97 % likely"),
        (0.12, "88 % likely"),
        (0.6, "open (60 %)"),
        (1.0, "99 % sure"),
    ],
)
def test_how_sure_in_words_and_number(chance_less: float, text: str):
    assert confidence(chance_less).text.replace("\u00a0", " ") == text


def logged(*moves: tuple[int, str, str]) -> pl.DataFrame:
    """Rows of ``adjustments`` of the rotor of machine A: hour, before, after."""
    rows = [
        {
            "time": NINE + timedelta(hours=h),
            "machine": "A",
            "setting": "rotor_speed",
            "from_value": a,
            "to_value": b,
        }
        for h, a, b in moves
    ]
    table = tables()["adjustments"]
    return table.conform(pl.DataFrame(rows, schema_overrides={"time": pl.Datetime("us", "UTC")}))


def adjusted(hour: int, before: str, after: str, crop: str = "wheat") -> dict:
    ends = {"from_value": before, "to_value": after, "unit": "rpm", "crop": crop, "field": "Mill Field"}
    return row(
        0.4, scope="adjustment", time=NINE + timedelta(hours=hour), verdict="more", chance_less=0.001, **ends
    )


def costly(tables: dict) -> list:
    lines = machine_lines(tables["effects"], tables["loss_curves"], tables["adjustments"])
    return settings_that_cost(tables, Farm(), (), lines)


def test_attention_ends_where_a_setting_went_back_even_without_an_effect_of_its_own():
    """Raised while cutting, set back while standing: the way back has no effect, but the value is in force."""
    raised, curves = frame(adjusted(1, "850", "950")), tables()["loss_curves"].empty()
    still = {
        "effects": raised,
        "loss_curves": curves,
        "responses": tables()["responses"].empty(),
        "adjustments": logged((1, "850", "950")),
    }
    back = still | {"adjustments": logged((1, "850", "950"), (2, "950", "850"))}
    assert [one.line.now for one in costly(still)] == ["950"]
    assert costly(back) == []


def test_what_a_machine_did_in_its_next_crop_says_nothing_of_the_one_before():
    effects = frame(adjusted(1, "850", "950"), adjusted(5, "950", "850", crop="barley"))
    moves = logged((1, "850", "950"), (5, "950", "850"))
    by_crop = {
        one.crop: one.lines[0].now for one in machine_lines(effects, tables()["loss_curves"].empty(), moves)
    }
    assert by_crop == {"wheat": "950", "barley": "850"}
