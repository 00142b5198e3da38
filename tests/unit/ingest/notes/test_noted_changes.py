"""Single lines of notebooks in twelve languages: common usage, from memory; what each says was written beside it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from chaffinch.pipelines.ingest.notes.amounts import NotedChange
from chaffinch.pipelines.ingest.notes.clause_changes import Context
from chaffinch.pipelines.ingest.notes.noted_changes import read_line

LINES = Path(__file__).parent / "lines"


def lines(name: str) -> list[str]:
    return [line for line in (LINES / name).read_text(encoding="utf-8").splitlines() if line]


def test_lines_that_say_a_change() -> None:
    """``language|line|setting=value`` or ``setting+change``: none read wrong, 97 % read."""
    wrong, asked = [], []
    for line in lines("changes.txt"):
        _, text, said = line.split("|")
        setting, sign, value = re.fullmatch(r"(\w+)([=+-])(\S+)", said).groups()  # type: ignore[union-attr]
        changes = {one.setting: one for one in read_line(text, Context()).changes}
        if not changes:
            asked.append(text)
            continue
        found = changes.get(setting, NotedChange(setting))
        if (found.to_value if sign == "=" else found.change) != (
            value if sign == "=" else float(sign + value)
        ):
            wrong.append(text)
    assert wrong == []
    assert len(asked) <= 0.03 * len(lines("changes.txt")), asked


def test_lines_that_only_look_like_a_change() -> None:
    """Belts, weather, yields, other machines, plans, what a display shows: never a change."""
    found = {text: read_line(text, Context()).changes for text in lines("no_changes.txt")}
    assert {text: changes for text, changes in found.items() if changes} == {}


@pytest.mark.parametrize(
    "text", ["lunch", "Pause, Regen", "pertes ok", "umidità 13,5", "plon 7,5 t, wilgotność 14"]
)
def test_a_remark_is_not_asked_about(text: str) -> None:
    found = read_line(text, Context())
    assert (found.changes, found.question) == ((), "")


def test_steps_of_a_lever_count_where_the_farm_says_how_far_one_moves() -> None:
    assert "opening_per_step" in read_line("concave 2 notches tighter", Context()).question
    (change,) = read_line("concave 2 notches tighter", Context(steps={"concave_clearance": 1.5})).changes
    assert change.change == -3.0


def test_a_ditto_mark_is_the_setting_of_the_line_before() -> None:
    (change,) = read_line('" +50', Context(last=("fan_speed",))).changes
    assert (change.setting, change.change) == ("fan_speed", 50.0)
    (change,) = read_line("idem à 980", Context(last=("fan_speed",))).changes
    assert change.to_value == "980"
    assert read_line('" +50', Context(last=("fan_speed", "rotor_speed"))).question


def test_what_contradicts_the_lines_before_is_asked_about() -> None:
    context = Context(known={"fan_speed": 1000.0})
    assert "stood at 1000" in read_line("raised the fan to 900", context).question
    assert "stood at 1000" in read_line("raised the fan by 50 to 1100", context).question
