"""The switches of a trial are one change with the trial's answer; a setting under trial is answered by it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from chaffinch.dashboards.words.settings_now import lines_of
from chaffinch.dashboards.words.shown_changes import ShownChange
from chaffinch.dashboards.words.trial_changes import sides_of_values, trials_as_one
from chaffinch.schemas.tables import tables

NINE = datetime(2026, 8, 3, 9, tzinfo=UTC)
SIEVE = "upper_sieve_opening"


def switch(
    number: int, before: str, after: str, trial: str | None = "T", setting: str = SIEVE
) -> ShownChange:
    when = NINE + timedelta(minutes=10 * number)
    return ShownChange(
        number, when, when, ((setting, before, after, "mm"),), None, (), 300.0, 600.0, 0, trial
    )


def rows(*found: tuple[str | None, str | None, float, str | None], setting: str = SIEVE) -> pl.DataFrame:
    """Rows of cleaning loss of a field: from, to, log ratio, trial."""
    listed = []
    for before, after, ratio, trial in found:
        row = dict.fromkeys(tables()["effects"].polars_schema())
        for end, value in {"": ratio, "_low": ratio - 0.1, "_high": ratio + 0.1}.items():
            row |= {f"log_ratio{end}": value, f"percent{end}": 100 * math.expm1(value)}
        listed.append(row | {
            "scope": "field", "machine": "A", "setting": setting, "outcome": "cleaning_loss", "unit": "mm",
            "verdict": "less" if ratio < 0 else "more", "reasons": [], "chance_less": 0.99 if ratio < 0 else 0.01,
            "from_value": before, "to_value": after, "trial": trial, "per_step": None if before else 2.0,
        })  # fmt: skip
    table = tables()["effects"]
    return table.conform(pl.DataFrame(listed, schema_overrides=dict(table.polars_schema())))


UP_AND_BACK = [switch(1, "14", "16"), switch(2, "16", "14"), switch(3, "14", "16")]


def test_switches_are_one_change_with_the_answer_of_the_trial_whichever_way_its_row_goes():
    before = switch(9, "14", "12", None, "concave_clearance")
    for row in (rows(("14", "16", -0.4, "T")), rows(("16", "14", 0.4, "T"))):
        one, other = trials_as_one([*UP_AND_BACK, before], row, None)
        assert one.title == "Upper sieve opening 16 against 14 mm" and one.numbers == "1–3"
        assert one.outcomes[0].log_ratio == pytest.approx(-0.4) and one.outcomes[0].verdict == "less"
        # At 14: 300 s before the first switch and 600 s after the second. At 16: after the first and the third.
        assert (one.seconds_before, one.seconds_after) == (900.0, 1200.0)
        assert [s.number for s in one.switches] == [1, 2, 3] and other is before


def test_a_trial_without_an_answer_is_shown_by_its_switches():
    assert trials_as_one(UP_AND_BACK, rows(), None) == UP_AND_BACK


def test_three_values_are_three_changes_with_numbers_of_their_own():
    moves = [*UP_AND_BACK, switch(4, "16", "18"), switch(5, "18", "14")]
    found = rows(("14", "16", -0.2, "T"), ("14", "18", -0.3, "T"), ("16", "18", -0.1, "T"))
    shown = trials_as_one(moves, found, None)
    assert [(one.number, one.title.removeprefix("Upper sieve opening ")) for one in shown] == [
        (1, "14 against 16 mm"), (2, "14 against 18 mm"), (3, "18 against 16 mm"),
    ]  # fmt: skip
    assert [len(one.switches) for one in shown] == [5, 0, 0]
    # 14 is in force; of its comparisons the clearest answers for the setting.
    (line,) = lines_of(moves, found, None)
    assert line.trial == "T" and "14" in line.settings[0][1:3]


def test_a_setting_is_answered_by_its_trial_and_not_by_another_change_of_it():
    """The row per step of a change outside the trial comes last in the table, as in the sample."""
    moves = [switch(0, "16", "14", None), *UP_AND_BACK]
    (line,) = lines_of(moves, rows(("14", "16", -0.4, "T"), (None, None, 0.3, None)), None)
    assert (line.trial, line.changes, line.now, line.undone) == ("T", 3, "16", True)
    # It is back at 16, where it began: the answer is of the other value against it.
    assert line.title == "Upper sieve opening 14 against 16 mm"
    assert line.outcomes[0].log_ratio == pytest.approx(0.4)


def test_a_setting_that_went_on_beyond_its_trial_is_answered_by_its_last_change():
    last = replace(switch(4, "16", "20", None), outcomes=())
    (line,) = lines_of([*UP_AND_BACK, last], rows(("14", "16", -0.4, "T")), None)
    assert line.trial is None and line.settings[0][1:3] == ("16", "20")


def test_readings_at_both_values_are_joined_over_the_switches():
    sides = [
        (pl.DataFrame({"at": [a]}), pl.DataFrame({"at": [b]})) for a, b in ((14, 16), (16, 14), (14, 16))
    ]
    (one,) = trials_as_one(UP_AND_BACK, rows(("14", "16", -0.4, "T")), None)
    at_before, at_after = sides_of_values(one, UP_AND_BACK, sides)
    assert at_before["at"].to_list() == [14, 14] and at_after["at"].to_list() == [16, 16]
