"""A planned trial as ``trial.toml`` states it: one table ``[trial]`` and one ``[[step]]`` for each step."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from chaffinch.pipelines.errors import DeclarationError, did_you_mean
from chaffinch.schemas.declarations import Setting, column_names, letters_and_digits, settings
from chaffinch.schemas.units import UnitError, conversion
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

LONGEST_STEP_MINUTES = 24 * 60.0
# A change of loss by less is seldom worth a trial: common practice, no source.
USUAL_TELL_PERCENT = 15.0


class _Written(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PlannedStep(_Written):
    """One step: the value that is in force in it, and how long, in minutes or in whole passes.

    second_value : of the second setting of a trial of two settings.
    """

    value: str | float
    second_value: str | float | None = None
    minutes: float | None = Field(default=None, gt=0, le=LONGEST_STEP_MINUTES)
    passes: int | None = Field(default=None, gt=0, le=500)

    @model_validator(mode="after")
    def _one_length(self) -> PlannedStep:
        if (self.minutes is None) == (self.passes is None):
            raise ValueError("give either minutes or passes")
        return self


class TrialPlan(_Written):
    """A comparison of two or three values of one setting, or of two values each of two settings.

    Values are texts as ``adjustments`` has them: numbers in the catalogue's unit. ``tell_percent``: the change of
    loss that the trial should detect.
    """

    name: str = Field(min_length=1, max_length=120)
    machine: str = Field(min_length=1, max_length=200)
    setting: str
    values: tuple[str | float, ...] = Field(min_length=2, max_length=3)
    crop: str | None = None
    unit: str | None = None
    seed: int | None = None
    tell_percent: float = Field(default=USUAL_TELL_PERCENT, gt=0, lt=100)
    second_setting: str | None = None
    second_values: tuple[str | float, ...] = ()
    second_unit: str | None = None
    steps: tuple[PlannedStep, ...] = Field(min_length=2, max_length=400)

    @model_validator(mode="after")
    def _agrees(self) -> TrialPlan:
        if (self.second_setting is None) != (not self.second_values):
            raise ValueError("give both second_setting and second_values, or neither")
        if self.second_setting is not None and (len(self.values), len(self.second_values)) != (2, 2):
            raise ValueError("a trial of two settings compares two values of each")
        if self.second_setting == self.setting:
            raise ValueError("the second setting is the same as the first")
        for number, step in enumerate(self.steps, 1):
            if step.value not in self.values:
                raise ValueError(
                    f"step {number}: {step.value} is not one of the values {_listed(self.values)}"
                )
            if (step.second_value is not None) != bool(self.second_values):
                raise ValueError(f"step {number}: give one value for each setting of the trial")
            if step.second_value is not None and step.second_value not in self.second_values:
                raise ValueError(
                    f"step {number}: {step.second_value} is not one of {_listed(self.second_values)}"
                )
        for names in (self.values, self.second_values):
            if len(set(names)) < len(names):
                raise ValueError(f"the values {_listed(names)} are not all different")
        lacking = sorted({str(v) for v in self.values} - {str(step.value) for step in self.steps})
        if lacking:
            raise ValueError(f"no step has the value {lacking[0]}")
        return self

    @property
    def settings(self) -> tuple[str, ...]:
        return (self.setting,) if self.second_setting is None else (self.setting, self.second_setting)

    def value_of(self, setting: str, step: PlannedStep) -> str:
        """The value of one of the trial's settings in a step, as text."""
        return str(step.value if setting == self.setting else step.second_value)


def _listed(values: tuple[str | float, ...]) -> str:
    return ", ".join(str(value) for value in values)


def parse_trial(text: str) -> TrialPlan:
    """The plan in the text of a ``trial.toml``.

    Raises ``DeclarationError`` with one sentence: which entry, what is wrong, what to do.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DeclarationError(f"It is not valid TOML: {error}.") from None
    for name in raw:
        if name not in ("trial", "step"):
            raise DeclarationError(
                f"'{name}' is not an entry of a trial{did_you_mean(name, ('trial', 'step'))}."
            )
    about, steps = raw.get("trial"), raw.get("step")
    if not isinstance(about, dict):
        raise DeclarationError("It has no table [trial]; make one with: chaffinch trial plan --help")
    if not isinstance(steps, list):
        raise DeclarationError("It has no steps; write each as a table [[step]] with value and minutes.")
    if "steps" in about:
        raise DeclarationError("[trial] has no entry steps; write each step as a table [[step]].")
    try:
        # Which numbers and words are meant depends on the setting.
        return TrialPlan.model_validate(_in_catalogue_terms(about, steps))
    except ValidationError as error:
        raise DeclarationError(f"{fault_of(error)}.") from None


def setting_named(name: object) -> Setting:
    """The setting of the catalogue that a name, label or synonym means. Raises ``DeclarationError``."""
    wanted = column_names().get(letters_and_digits(str(name)))
    known = settings().get(wanted or "")
    if known is None:
        near = did_you_mean(str(name), list(settings()))
        raise DeclarationError(f"'{name}' is not a setting of the catalogue{near}.")
    if known.kind == "service":
        raise DeclarationError(f"{known.label} is a service, not a setting with values to compare.")
    return known


def value_as_text(setting: Setting, value: object, unit: str | None = None) -> str:
    """A value of ``setting`` as ``adjustments`` holds it: a number in its unit, or one of its positions.

    Raises ``DeclarationError`` for what is neither, or outside what any machine has.
    """
    if setting.kind != "number":
        position = setting.position(str(value))
        if position is None:
            raise DeclarationError(
                f"{setting.label}: '{value}' is not one of {', '.join(setting.positions)}."
            )
        return position
    try:
        number = float(str(value).replace(",", ".")) if not isinstance(value, bool) else float("nan")
    except ValueError:
        raise DeclarationError(
            f"{setting.label} is a number in {setting.unit or 'steps'}, and '{value}' is not one."
        ) from None
    if unit and setting.unit and unit != setting.unit:
        try:
            change = conversion(unit, setting.unit)
        except UnitError as error:
            raise DeclarationError(f"{setting.label}: {error}.") from None
        number *= change.scale
    low, high = setting.low, setting.high
    if not (number == number and setting.allows(number)):
        raise DeclarationError(
            f"{setting.label} {value}{' ' + setting.unit if setting.unit else ''} is outside what any machine has "
            f"({low:g} to {high:g} {setting.unit})."
        )
    text = f"{number:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text


def _in_catalogue_terms(about: dict[str, Any], steps: list[Any]) -> dict[str, Any]:
    """The raw entries with settings by their names, and values as texts in the catalogue's unit."""
    found = dict(about)
    listed = [dict(step) if isinstance(step, dict) else step for step in steps]
    for setting, values, unit, value in (
        ("setting", "values", "unit", "value"),
        ("second_setting", "second_values", "second_unit", "second_value"),
    ):
        if found.get(setting) is None:
            continue
        known = setting_named(found[setting])
        as_written = found.get(unit) or None
        if not isinstance(as_written, str | None):
            raise DeclarationError(f'{unit}: a text is needed, such as "{known.unit or "mm"}".')
        found[setting], found[unit] = known.name, known.unit or None
        if isinstance(found.get(values), list):
            found[values] = [value_as_text(known, one, as_written) for one in found[values]]
        for number, step in enumerate(listed, 1):
            if isinstance(step, dict) and value in step:
                try:
                    step[value] = value_as_text(known, step[value], as_written)
                except DeclarationError as error:
                    raise DeclarationError(f"Step {number}: {error}") from None
    return {**found, "steps": listed}


# Faults of wrong types and lengths, in place of the library's words for programmers.
_TYPES = {
    "tuple_type": "a list is needed",
    "string_type": "a text is needed",
    "model_type": "a table [[step]] with value and minutes is needed",
    **dict.fromkeys(("int_type", "int_parsing", "int_from_float"), "a whole number is needed"),
    **dict.fromkeys(("float_type", "float_parsing"), "a number is needed"),
    "too_short": "two or more are needed",
    "too_long": "there are too many",
    "string_too_short": "it is empty",
    "string_too_long": "it is too long",
}


def fault_of(error: ValidationError) -> str:
    """The first fault as "where: what is wrong"."""
    first = error.errors()[0]
    path = list(first["loc"])
    what = _TYPES.get(first["type"]) or first["msg"].removeprefix("Value error, ")
    if path[:1] == ["steps"] and len(path) > 1:
        what, path = f"{what[:1].lower()}{what[1:]}", [f"step {int(path[1]) + 1}", *path[2:]]
    where = ", ".join(str(part) for part in path)
    if first["type"] == "extra_forbidden":
        known = PlannedStep if where.startswith("step") else TrialPlan
        return f"{where} is not an entry of a trial{did_you_mean(str(path[-1]), list(known.model_fields))}"
    if first["type"] == "missing":
        return f"{where} is missing"
    return f"{where}: {what}" if where else f"{what[:1].upper()}{what[1:]}"


# Entries whose texts may be numbers in TOML; a machine called "7" stays a text.
_VALUES = ("value", "values", "second_value", "second_values")


def as_toml(plan: TrialPlan) -> str:
    """The text of ``trial.toml``, which ``parse_trial`` reads back to the same plan."""
    about = plan.model_dump(exclude={"steps"}, exclude_none=True)
    lines = ["# A planned trial. Put this file into the inbox.", "[trial]"]
    lines += [f"{name} = {_toml(name, value)}" for name, value in about.items() if value != ()]
    for step in plan.steps:
        lines += ["", "[[step]]"]
        lines += [
            f"{name} = {_toml(name, value)}" for name, value in step.model_dump(exclude_none=True).items()
        ]
    return "\n".join(lines) + "\n"


def _toml(name: str, value: object) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(name, one) for one in value)}]"
    if isinstance(value, str):
        return value if name in _VALUES and _plain_number(value) else _quoted(value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _plain_number(text: str) -> bool:
    """Whether ``text`` is a number that TOML and ``value_as_text`` give back as it is."""
    return re.fullmatch(r"-?(0|[1-9]\d*)(\.\d+)?", text) is not None


def _quoted(text: str) -> str:
    shown = "".join(
        {'"': '\\"', "\\": "\\\\"}.get(c, c if c.isprintable() else f"\\U{ord(c):08X}") for c in text
    )
    return f'"{shown}"'
