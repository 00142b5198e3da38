"""The first screen of a field page: a line for each setting, one instruction, and each setting's response curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from chaffinch.dashboards.figures.effect_bar import effect_bar
from chaffinch.dashboards.figures.parts import Drawn
from chaffinch.dashboards.figures.response_curve import drawn_responses
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.confidence import DEFINITION, confidence
from chaffinch.dashboards.words.instruction import Instruction, instruction_for, side_effects
from chaffinch.dashboards.words.money import MEANING, loss_at_work, saved_in_words, saving_of
from chaffinch.dashboards.words.settings_now import SettingLine, lines_of
from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.dashboards.words.shown_units import ShownUnits, units_of
from chaffinch.pipelines.agronomy.economics import Saving, counted_gain
from chaffinch.pipelines.estimate.responses.best_value import best_values
from chaffinch.pipelines.farm import Farm


@dataclass(frozen=True, slots=True)
class AnswerLine:
    """One setting on the first screen. answer : the loss that is known best. kg, money : of machine loss.

    bar : SVG, or empty. state : what is in force. costs : trade-offs. why : where there is no answer. open : whether
    nothing is at least likely.
    """

    number: int
    title: str
    state: str
    answer: str
    tone: str
    kg: str
    money: str
    bar: str
    costs: tuple[str, ...]
    why: str
    open: bool


@dataclass(frozen=True, slots=True)
class FieldAnswers:
    """lines : newest first. best : (setting, sentence, figure) of the response curves."""

    lines: list[AnswerLine]
    instruction: Instruction | None
    best: list[tuple[str, str, Drawn]]
    definition: str
    meaning: str
    lacking: str


@dataclass(frozen=True, slots=True)
class FieldTables:
    """Rows of tables about a field and, of ``responses`` and ``loss_curves``, about its machine."""

    field: str | None
    crop: str | None
    effects: pl.DataFrame
    responses: pl.DataFrame
    loss_curves: pl.DataFrame


def field_answers(
    inputs: FieldTables, changes: Sequence[ShownChange], readings: pl.DataFrame, farm: Farm
) -> FieldAnswers:
    """What the first screen says of ``changes``, which are those of the field in order of time."""
    curve = _curve_of(inputs, readings)
    rows = inputs.effects.filter(pl.col("scope") == "field")
    lines = lines_of(changes, rows, curve["loss_log_error"] if curve else None)
    here = inputs.responses.filter(
        pl.col("crop").eq_missing(pl.lit(inputs.crop, pl.String)),
        pl.col("setting").is_in([line.setting for line in lines if line.setting]),
    )
    return FieldAnswers(
        answer_lines(lines, [curve] * len(lines), inputs.crop, farm),
        instruction_for(lines, best_values(here)),
        drawn_responses(here, "response"),
        DEFINITION,
        meaning_of_money(curve, inputs.crop, farm),
        _lacking(lines, curve, inputs.crop, farm),
    )


def answer_lines(
    lines: Sequence[SettingLine], curves: Sequence[dict[str, Any] | None], crop: str | None, farm: Farm
) -> list[AnswerLine]:
    """``lines`` in words. curves : for each the row of ``loss_curves`` of its field, or of the machine and crop."""
    units = units_of(farm, crop)
    return [
        _line(line, saving_of(line.outcome("machine_loss"), curve, crop, farm), units, crop, farm)
        for line, curve in zip(lines, curves, strict=True)
    ]


def meaning_of_money(curve: dict[str, Any] | None, crop: str | None, farm: Farm) -> str:
    """What the money counts, in a sentence; empty without money."""
    at = loss_at_work(curve, None)
    by = counted_gain(at, farm.prices.per_t.get(crop or ""), farm.prices.machine_per_h) if at else None
    return f"Money: {MEANING[by]}." if by else ""


def _curve_of(inputs: FieldTables, readings: pl.DataFrame) -> dict[str, Any] | None:
    """The field's row of ``loss_curves``; of several harvests the last one in the span of the page."""
    rows = inputs.loss_curves.filter(
        pl.col("first_time").is_between(readings["time"].min(), readings["time"].max()),
        pl.col("field").eq_missing(pl.lit(inputs.field, pl.String)),
    ).sort("first_time")
    return rows.row(-1, named=True) if rows.height else None


def _line(
    line: SettingLine, found: Saving | None, units: ShownUnits, crop: str | None, farm: Farm
) -> AnswerLine:
    leading, machine = line.leading, line.outcome("machine_loss")
    reasons = dict.fromkeys(
        words.reason_sentence(code)
        for outcome in line.outcomes
        if outcome.verdict == "cannot tell"
        for code in outcome.reasons
    )
    kg = (machine.absolute_in(units.mass_per_area) or "") if machine and machine.known else ""
    if kg and leading is not machine:
        kg = f"Machine loss {kg}"
    costs = side_effects(line, apart_from=leading)
    why = "" if leading else next(iter(reasons), "Too little steady work around the change.")
    return AnswerLine(
        line.number,
        line.title,
        _state(line),
        answer_in_words(leading) if leading else "Cannot tell",
        leading.tone if leading else "unclear",
        kg,
        saved_in_words(found, crop, farm) if found else "",
        effect_bar(leading) if leading else "",
        costs,
        why,
        leading is None or (confidence(leading.chance_less or 0.5).word == "open" and not costs),
    )


def answer_in_words(outcome: Outcome) -> str:
    """``Separation loss −50 % (−56 to −43), 99 % sure``."""
    assert outcome.percent is not None and outcome.low is not None and outcome.high is not None
    assert outcome.chance_less is not None
    size = f"{words.signed(outcome.percent)}{words.NARROW}%"
    ends = f"{words.signed(outcome.low)} to {words.signed(outcome.high)}"
    return f"{words.capitalized(outcome.words)} {size} ({ends}), {confidence(outcome.chance_less).text}"


def _state(line: SettingLine) -> str:
    repeats = f"{line.changes} changes, one answer; " if line.changes > 1 else ""
    if line.setting is None:
        return "changed together; changed again since" if line.undone else "changed together, still in force"
    if line.now is None:
        return repeats.removesuffix("; ")
    unit = f"{words.NARROW}{line.unit}" if line.unit else ""
    back = "back at" if line.undone else "now"
    return f"{repeats}{back} {line.now}{unit}"


def _lacking(lines: Sequence[SettingLine], curve: dict[str, Any] | None, crop: str | None, farm: Farm) -> str:
    """What is missing for kg/ha and money, and how to add it; empty if nothing is."""
    if not any(line.leading for line in lines):
        return ""
    if curve is None or curve["loss_kg_ha"] is None:
        unit = units_of(farm, crop).mass_per_area[1]
        return f"One loss check of this machine in this crop would give {unit} and money."
    if (crop or "") not in farm.prices.per_t:
        return f"A price for {words.crop_label(crop)} in farm.toml, under [prices], per_t, would give money."
    if farm.prices.machine_per_h is None:
        return "The cost of a machine hour in farm.toml, under [prices], machine_per_h, would add the time saved."
    return ""
