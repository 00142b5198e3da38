"""The value of every setting to start from: the best by evidence, else the one last used, else common practice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from chaffinch.dashboards.words.confidence import chance_in_words, confidence
from chaffinch.dashboards.words.next_season import STILL_OPEN, Advice
from chaffinch.dashboards.words.terms import NARROW, capitalized, signed, significant
from chaffinch.dashboards.words.usual import usual_position
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.declarations import Setting, settings

BY_EVIDENCE, LAST_USED, COMMON_PRACTICE, UNKNOWN = "evidence", "last used", "common practice", "unknown"


@dataclass(frozen=True, slots=True)
class StartValue:
    """value : as logged or declared; None where nothing is known. by : what it rests on. why, strength : in words.
    position : ``value`` where it is one value of the setting, None for a span of common practice."""

    setting: Setting
    value: str | None
    position: str | None
    by: str
    why: str
    strength: str

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
) -> list[StartValue]:
    """Every setting of the catalogue but services, along the way of the crop.

    advice : of this machine and crop. used : setting to the value last used in the crop and its hours. spans :
    setting to the least and greatest value tried.
    """
    by_setting = {one.setting: one for one in advice}
    stated = farm.machines.get(machine)
    diameter = stated.drum_diameter_m if stated else None
    return [
        _from_practice(setting, crop, diameter, farm.units)
        if (known := _from_logs(setting, by_setting.get(setting.name), used, spans)) is None
        else known
        for setting in settings().values()
        if setting.kind != "service"
    ]


def _from_logs(
    setting: Setting,
    advice: Advice | None,
    used: Mapping[str, tuple[str, float]],
    spans: Mapping[str, tuple[float, float]],
) -> StartValue | None:
    """By evidence, else as last used; None for a setting that no log of the crop has."""
    if advice is not None and advice.do != STILL_OPEN and advice.outcome is not None:
        outcome = advice.outcome
        size = f"{signed(outcome.percent or 0.0)}{NARROW}%"
        ends = f"{signed(outcome.low or 0.0)} to {signed(outcome.high or 0.0)}"
        span = spans.get(setting.name)
        tried = f"; tried: {span[0]:g} to {span[1]:g}" if span else ""
        why = f"{capitalized(outcome.words)} {size} ({ends}) against {advice.before}{tried}."
        chance = confidence(outcome.chance_less if outcome.chance_less is not None else 0.5).chance
        return StartValue(setting, advice.after, advice.after, BY_EVIDENCE, why, chance_in_words(chance))
    if advice is not None:
        why = f"In use last; {advice.before} was tried too, and which is better is open."
        return StartValue(setting, advice.after, advice.after, LAST_USED, why, "open")
    if setting.name in used:
        value, hours = used[setting.name]
        why = f"In use last, {significant(hours)} h; not varied here on its own."
        return StartValue(setting, value, value, LAST_USED, why, "not tested")
    return None


def _from_practice(
    setting: Setting, crop: str | None, drum_diameter_m: float | None, units: str
) -> StartValue:
    usual = usual_position(setting, crop, drum_diameter_m, units)
    if usual is None:
        return StartValue(setting, None, None, UNKNOWN, "", "")
    one = usual.positions[0] if len(usual.positions) == 1 else None
    shown, _, rest = usual.words.partition("; ")
    source = (setting.usual_source if usual.positions else usual.source).rstrip(".")
    why = f"Usual in the crop ({source}){f'; {rest}' if rest else ''}."
    return StartValue(setting, shown, one, COMMON_PRACTICE, why, "not tested")
