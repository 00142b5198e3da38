"""The value of every setting to start from: the best by evidence of this machine, else of all machines, else the one
last used, else common practice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from chaffinch.dashboards.start_sheet.usual import usual_position
from chaffinch.dashboards.words.confidence import LIKELY, chance_in_words, confidence
from chaffinch.dashboards.words.instruction import WORTH_TRYING
from chaffinch.dashboards.words.moved_effect import outcome_of_best
from chaffinch.dashboards.words.next_season import IN_TRIAL, STILL_OPEN, Advice
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.dashboards.words.terms import (
    NARROW,
    capitalized,
    listed,
    setting_label,
    signed,
    significant,
)
from chaffinch.pipelines.estimate.responses.best_value import BestValue
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.declarations import Setting, settings

BY_EVIDENCE, LAST_USED, COMMON_PRACTICE, UNKNOWN = "evidence", "last used", "common practice", "unknown"
IN_A_TRIAL = "in a trial"


@dataclass(frozen=True, slots=True)
class StartValue:
    """value : as logged or declared; None where nothing is known. by : the kind of evidence. why, strength : in
    words. position : ``value`` where it is one value of the setting, None for a span of common practice or the values
    of a trial. source : of common practice."""

    setting: Setting
    value: str | None
    position: str | None
    by: str
    why: str
    strength: str
    source: str = ""

    @property
    def shown(self) -> str:
        if self.value is None:
            return "–"
        alone = self.position is not None and self.setting.unit
        return f"{self.value}{NARROW}{self.setting.unit}" if alone else self.value


def start_values(
    machine: str,
    crop: str | None,
    advice: Sequence[Advice],
    used: Mapping[str, tuple[str, float]],
    spans: Mapping[str, tuple[float, float]],
    farm: Farm,
    fleet: Sequence[BestValue] = (),
) -> list[StartValue]:
    """Every setting of the catalogue but services, along the way of the crop.

    advice : of this machine and crop. used : setting to the value last used in the crop and its hours. spans :
    setting to the least and greatest value tried. fleet : best values of all machines in the crop.
    """
    # A setting's own advice comes after, and so before, that of several changed together.
    by_setting = {
        name: (one, place)
        for one in sorted(advice, key=lambda one: not one.changed_together)
        for place, name in enumerate(one.setting.split(" and "))
    }
    of_fleet = {one.setting: one for one in fleet}
    stated = farm.machines.get(machine)
    diameter = stated.drum_diameter_m if stated else None
    return [
        _from_logs(setting, by_setting.get(setting.name), used, spans, of_fleet.get(setting.name))
        or _from_practice(setting, crop, diameter, farm.units)
        for setting in settings().values()
        if setting.kind != "service"
    ]


def _from_logs(
    setting: Setting,
    advised: tuple[Advice, int] | None,
    used: Mapping[str, tuple[str, float]],
    spans: Mapping[str, tuple[float, float]],
    fleet: BestValue | None,
) -> StartValue | None:
    """By evidence, else as last used; None for a setting that no log of the crop has.

    advised : with the place of the setting among those that were changed together.
    """
    if advised is not None:
        return _from_advice(setting, *advised, spans.get(setting.name))
    elsewhere = _from_fleet(setting, fleet, used.get(setting.name)) if fleet is not None else None
    if elsewhere is not None:
        return elsewhere
    if setting.name in used:
        value, hours = used[setting.name]
        why = f"In use last, {significant(hours)} h; not varied here on its own."
        return StartValue(setting, value, value, LAST_USED, why, "not tested")
    return None


def _from_advice(
    setting: Setting, advice: Advice, place: int, span: tuple[float, float] | None
) -> StartValue:
    before, after = (ends.split(" and ")[place] for ends in (advice.before, advice.after))
    if advice.begun is not None and advice.do == IN_TRIAL:
        unit = f"{NARROW}{setting.unit}" if setting.unit else ""
        values = f"{' or '.join(advice.begun.values)}{unit}"
        return StartValue(
            setting, values, None, IN_A_TRIAL, f"By the trial's plan; {advice.begun.words}.", "in a trial"
        )
    outcome = advice.outcome
    if advice.do == STILL_OPEN or outcome is None:
        why = f"In use last; {before} was tried too, and which is better is open."
        return StartValue(setting, after, after, LAST_USED, why, "open")
    others = [name for name in advice.setting.split(" and ") if name != setting.name]
    together = (
        f", with {listed([setting_label(name).lower() for name in others])} changed too" if others else ""
    )
    tried = f"; tried: {span[0]:g} to {span[1]:g}" if span else ""
    why = f"{capitalized(_effect(outcome))} against {before}{together}{tried}."
    chance = confidence(outcome.chance_less if outcome.chance_less is not None else 0.5).chance
    return StartValue(setting, after, after, BY_EVIDENCE, why, chance_in_words(chance))


def _from_fleet(setting: Setting, best: BestValue, used: tuple[str, float] | None) -> StartValue | None:
    """What all machines together say; None where this machine works at another value than they do."""
    if used is not None and used[0] != f"{best.value_in_use:g}":
        return None
    outcome = outcome_of_best(best)
    span = f"tried: {best.tried_low:g} to {best.tried_high:g}"
    if -best.log_ratio >= WORTH_TRYING and (outcome.chance_less or 0.0) >= LIKELY:
        value = f"{best.value:g}"
        why = f"All machines: {_effect(outcome)} against {best.value_in_use:g}; {span}."
        return StartValue(
            setting, value, value, BY_EVIDENCE, why, chance_in_words(outcome.chance_less or 0.5)
        )
    if used is None:
        value = f"{best.value_in_use:g}"
        return StartValue(
            setting, value, value, LAST_USED, f"In use on the other machines; {span}.", "not tested"
        )
    return None


def _effect(outcome: Outcome) -> str:
    size = f"{signed(outcome.percent or 0.0)}{NARROW}%"
    return f"{outcome.words} {size} ({signed(outcome.low or 0.0)} to {signed(outcome.high or 0.0)})"


def _from_practice(
    setting: Setting, crop: str | None, drum_diameter_m: float | None, units: str
) -> StartValue:
    usual = usual_position(setting, crop, drum_diameter_m, units)
    if usual is None:
        return StartValue(setting, None, None, UNKNOWN, "", "")
    one = usual.positions[0] if len(usual.positions) == 1 else None
    shown, _, rest = usual.words.partition("; ")
    source = (setting.usual_source if usual.positions else usual.source).rstrip(".")
    why = f"Usual in the crop{f'; {rest}' if rest else ''}."
    return StartValue(setting, shown, one, COMMON_PRACTICE, why, "not tested", source)
