"""The first screen of a field page: a line for each setting, one instruction, and each setting's response curve."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl
from chaffinch.dashboards.figures.effect_bar import effect_bar
from chaffinch.dashboards.figures.parts import Drawn
from chaffinch.dashboards.figures.response_curve import drawn_responses
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.confidence import confidence
from chaffinch.dashboards.words.instruction import Instruction, instruction_for, side_effects
from chaffinch.dashboards.words.machine_lines import MachineLines
from chaffinch.dashboards.words.money import MEANING, loss_at_work, saved_in_words, saving_of
from chaffinch.dashboards.words.settings_now import SettingLine, lines_of
from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.dashboards.words.shown_units import ShownUnits, units_of
from chaffinch.dashboards.words.trial_words import SettingTrial
from chaffinch.pipelines.agronomy.economics import Saving, counted_gain
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.estimate.responses.best_value import BestValue, best_values
from chaffinch.pipelines.farm import Farm


@dataclass(frozen=True, slots=True)
class AnswerLine:
    """One setting on the first screen. answer : the loss that is known best. kg, money : of machine loss.

    bar : SVG, or empty. state : what is in force. costs : trade-offs. why : where there is no answer. open : whether
    nothing is at least likely. undone : whether the setting is back where it began. weight : money a hectare,
    or the absolute size of the effect if no money is known.
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
    undone: bool
    weight: tuple[float, float]
    trial: str | None = None

    @property
    def worth(self) -> str:
        """``Machine loss −19 kg/ha (−43 to +4.7), saves 4.6 EUR/ha (−0.95 to +9.8), 94 % likely``."""
        return words.capitalized(", ".join(filter(None, (self.kg, self.money))))


@dataclass(frozen=True, slots=True)
class FieldAnswers:
    """lines : those of trials, then newest first. best : (setting, sentence, figure) of the response curves.

    loss_error : of the field's loss curve.
    """

    lines: list[AnswerLine]
    instruction: Instruction | None
    best: list[tuple[str, str, Drawn]]
    meaning: str
    lacking: str
    loss_error: float | None


@dataclass(frozen=True, slots=True)
class FieldTables:
    """Rows of tables about a field and, of ``responses`` and ``loss_curves``, about its machine.

    whole : every change of the machine, by crop. trials : of its settings.
    """

    field: str | None
    crop: str | None
    effects: pl.DataFrame
    responses: pl.DataFrame
    loss_curves: pl.DataFrame
    whole: Sequence[MachineLines] = ()
    trials: Mapping[str, SettingTrial] = dataclasses.field(default_factory=dict)


def field_answers(
    inputs: FieldTables, changes: Sequence[ShownChange], readings: pl.DataFrame, farm: Farm
) -> FieldAnswers:
    """What the first screen says of ``changes``, which are those of the field in order of time."""
    curve = _curve_of(inputs, readings)
    loss_error = curve["loss_log_error"] if curve else None
    rows = inputs.effects.filter(pl.col("scope") == "field")
    lines = sorted(lines_of(changes, rows, loss_error), key=lambda line: line.trial is None)
    here = inputs.responses.filter(
        pl.col("crop").eq_missing(pl.lit(inputs.crop, pl.String)),
        pl.col("setting").is_in([line.setting for line in lines if line.setting]),
    )
    of_machine = {_key(line): line for one in inputs.whole if one.crop == inputs.crop for line in one.lines}
    answered = answer_lines(lines, [curve] * len(lines), inputs.crop, farm)
    return FieldAnswers(
        [
            replace(shown, state=_state_here(line, shown.state, of_machine.get(_key(line))))
            for line, shown in zip(lines, answered, strict=True)
        ],
        _instruction(lines, of_machine, best_values(here), inputs.trials),
        drawn_responses(here, "response"),
        meaning_of_money(curve, inputs.crop, farm),
        _lacking(lines, curve, inputs.crop, farm),
        loss_error,
    )


def _key(line: SettingLine) -> Any:
    """What makes a line of a field and one of its machine the same setting, or the same joint change."""
    return line.setting or (line.settings, line.last_time)


def _instruction(
    lines: Sequence[SettingLine],
    of_machine: Mapping[Any, SettingLine],
    best: Sequence[BestValue],
    trials: Mapping[str, SettingTrial],
) -> Instruction | None:
    """What to do with the settings changed here, as the page of the machine has it."""
    now = {_key(line): of_machine.get(_key(line), line) for line in lines}
    found = instruction_for(list(now.values()), best, trials)
    if found is None or found.line is None:
        return found
    here = next((line for line in lines if _key(line) == _key(found.line)), None)
    if here is None or here.outcomes == found.line.outcomes or found.by_curve:
        return found
    where = "Over this machine's fields"
    if here.settings != found.line.settings:
        _, before, after, unit = found.line.settings[0]
        where += f", {before} → {after}{f' {unit}' if unit else ''}:"
    return replace(found, why=f"{where} {found.why[:1].lower()}{found.why[1:]}")


def _state_here(line: SettingLine, state: str, of_machine: SettingLine | None) -> str:
    """The state of a line of a field; where the machine went on to another value since, that too."""
    if of_machine is None or line.now is None or of_machine.now in (None, line.now):
        return state
    unit = f"{words.NARROW}{line.unit}" if line.unit else ""
    here = state.replace("back at", "back to").replace(f"now {line.now}", f"{line.now}")
    return f"{here} here; the machine is at {of_machine.now}{unit} now"


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
    costs = side_effects(line, apart_from=(leading, machine) if kg else (leading,))
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
        line.undone,
        (abs(found.per_ha) if found else 0.0, abs(leading.log_ratio or 0.0) if leading else 0.0),
        line.trial,
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
    if line.trial is not None:
        repeats = f"trial of {counted(line.changes, 'switch', 'switches')}; "
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
