"""What to do with each setting of each machine in each crop next season, with what it is worth; never beyond the
values tried."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import polars as pl
from chaffinch.dashboards.words.begun_trials import UNDER_WAY, BegunTrial, MachineSetting, worth_suggesting
from chaffinch.dashboards.words.confidence import LIKELY
from chaffinch.dashboards.words.instruction import WORTH_TRYING, side_effects
from chaffinch.dashboards.words.machine_lines import MachineLines
from chaffinch.dashboards.words.money import saving_of
from chaffinch.dashboards.words.moved_effect import outcome_of_best
from chaffinch.dashboards.words.settings_now import SettingLine
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.dashboards.words.shown_units import Ends
from chaffinch.dashboards.words.terms import setting_change
from chaffinch.pipelines.agronomy.economics import Saving
from chaffinch.pipelines.estimate.responses.best_value import BestValue, best_values
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.trials.answers.worth_trying import Suggestion
from chaffinch.schemas.tables import NOT_LOGGED

# What to do, most pressing first.
CHANGE_IT, KEEP_IT, IN_TRIAL, STILL_OPEN = "change", "keep", "in a trial", "open"
DO_IN_ORDER = (CHANGE_IT, KEEP_IT, IN_TRIAL, STILL_OPEN)


@dataclass(frozen=True, slots=True)
class Advice:
    """One setting of one machine in one crop, or several that were changed together.

    do : change (from the value in use to another), keep (the value in use; before it was another), in a trial that is
    still to be settled, or open. outcome : the loss by which it is judged, of going from ``before`` to ``after``.
    saving : of the same. trial : the one that would pay, or None. costs : what likely gets worse, each in words.
    """

    machine: str
    crop: str | None
    setting: str
    unit: str | None
    do: str
    before: str
    after: str
    outcome: Outcome | None
    saving: Saving | None
    trial: Suggestion | None
    begun: BegunTrial | None = None
    costs: tuple[str, ...] = ()
    changed_together: str = ""
    """Of several settings: what was done, in words; ``setting``, ``before`` and ``after`` name each of them."""

    @property
    def title(self) -> str:
        """``Fan speed 1000 → 1050 rpm``."""
        return self.changed_together or setting_change(self.setting, self.before, self.after, self.unit)

    @property
    def chance(self) -> float | None:
        """That it pays; where no money is known, that the loss falls."""
        if self.saving is not None:
            return self.saving.chance
        return self.outcome.chance_less if self.outcome is not None else None

    @property
    def saved_kg_ha(self) -> Ends | None:
        """Grain saved, kg/ha; None where no loss check weighs it."""
        kg = self.outcome.absolute_kg_ha if self.outcome is not None and self.outcome.known else None
        return (-kg[0], -kg[2], -kg[1]) if kg is not None else None


def advice_of(
    responses: pl.DataFrame,
    lines: Sequence[MachineLines],
    suggested: Sequence[Suggestion],
    farm: Farm,
    begun: Mapping[MachineSetting, BegunTrial] = MappingProxyType({}),
) -> list[Advice]:
    """One row a setting, those of most money first within what to do.

    lines : of ``machine_lines``. suggested : trials that would pay. begun : of ``begun_trials``.
    """
    best = {(b.machine, b.crop, b.setting): b for b in best_values(responses) if b.machine is not None}
    trials = {(t.machine, t.crop, t.setting): t for t in worth_suggesting(suggested, begun)}
    found = []
    for one in lines:
        for line, curve in zip(one.lines, one.curves, strict=True):
            if line.setting is None and (joint := _together(one.machine, one.crop, line, curve, farm)):
                found.append(joint)
            if line.setting is None or line.setting == NOT_LOGGED or None in line.settings[0][1:3]:
                continue
            key = one.machine, one.crop, line.setting
            advice = _better(key, best.get(key), line, curve, farm) or _of_line(key, line, curve, farm)
            found.append(_with_trials(advice, trials.get(key), begun.get(key)))
    return sorted(found, key=_rank)


def _with_trials(one: Advice, suggested: Suggestion | None, begun: BegunTrial | None) -> Advice:
    """A trial under way has the word."""
    if begun is not None and begun.kind == UNDER_WAY:
        one = replace(one, do=IN_TRIAL)
    return replace(one, trial=None if one.do == KEEP_IT else suggested, begun=begun)


def _rank(one: Advice) -> tuple[Any, ...]:
    money = one.saving.per_ha if one.saving else None
    gain = -(one.outcome.log_ratio or 0.0) if one.outcome else 0.0
    worth = one.trial.expected_kg if one.trial else 0.0
    order = DO_IN_ORDER.index(one.do)
    if one.do == STILL_OPEN:
        return order, -worth, -gain, one.machine, one.setting
    return order, money is None, -(money or 0.0), -gain, one.machine, one.setting


def _better(
    key: MachineSetting,
    best: BestValue | None,
    line: SettingLine,
    curve: Mapping[str, Any] | None,
    farm: Farm,
) -> Advice | None:
    """To another value inside the range tried, where that is likely better by enough.

    Of the two values of the line itself its own effect says which is better, with the numbers of every page.
    """
    if best is None or best.value == best.value_in_use or not _is_number(line.now, best.value_in_use):
        return None
    if any(_is_number(end, best.value) for end in line.settings[0][1:3]):
        return None
    half = (best.log_ratio_high - best.log_ratio_low) / 2
    if -best.log_ratio < WORTH_TRYING or half <= 0:
        return None
    outcome = outcome_of_best(best)
    if (outcome.chance_less or 0.0) < LIKELY:
        return None
    saved = saving_of(outcome, curve, key[1], farm) if outcome.name == "machine_loss" else None
    before, after = f"{best.value_in_use:g}", f"{best.value:g}"
    return Advice(*key, best.unit, CHANGE_IT, before, after, outcome, saved, None)


def _of_line(key: MachineSetting, line: SettingLine, curve: Mapping[str, Any] | None, farm: Farm) -> Advice:
    """By what the changes of the setting did: keep the better value, go back to it, or say that it is open."""
    name, before, after, unit = line.settings[0]
    assert before is not None and after is not None
    machine = line.outcome("machine_loss")
    saved = saving_of(machine, curve, key[1], farm)
    judged = machine if machine is not None and machine.known else line.leading
    rose, fell = line.raised, line.lowered
    there = Advice(*key, unit, KEEP_IT, before, after, judged, saved, None)
    if rose is not None:
        judged = judged if judged is not None and _likely(judged, less=False) else rose
        back = _turned(replace(there, outcome=judged))
        return replace(back, do=KEEP_IT if line.undone else CHANGE_IT, costs=side_effects(line, reverse=True))
    if fell:
        there = (
            there
            if judged is not None and _likely(judged, less=True)
            else replace(there, outcome=line.leading)
        )
        return replace(there, do=CHANGE_IT if line.undone else KEEP_IT, costs=side_effects(line))
    # Open: the value in use is written last.
    return replace(_turned(there) if line.undone else there, do=STILL_OPEN)


def _together(
    machine: str, crop: str | None, line: SettingLine, curve: Mapping[str, Any] | None, farm: Farm
) -> Advice | None:
    """Settings changed together and still in force: keep or take back both; None where that is open."""
    if line.undone or any(None in one[1:3] for one in line.settings):
        return None
    names, befores, afters = (" and ".join(str(one[i]) for one in line.settings) for i in range(3))
    rose, fell = line.raised, line.lowered
    saved = saving_of(line.outcome("machine_loss"), curve, crop, farm)
    judged = rose or fell
    if judged is None:
        return None
    there = Advice(
        machine, crop, names, None, KEEP_IT, befores, afters, judged, saved, None, costs=side_effects(line),
        changed_together=line.title,
    )  # fmt: skip
    if rose is None:
        return there
    turned = " and ".join(
        setting_change(name, after, before, unit) for name, before, after, unit in line.settings
    )
    costs = side_effects(line, reverse=True)
    return replace(_turned(there), do=CHANGE_IT, changed_together=turned, costs=costs)


def _likely(outcome: Outcome, less: bool) -> bool:
    chance = outcome.chance_less if outcome.chance_less is not None else 0.5
    return (chance if less else 1 - chance) >= LIKELY


def _turned(one: Advice) -> Advice:
    """The way back: what was lost is saved, with the same chance the other way."""
    outcome, saving = one.outcome, one.saving
    if outcome is not None and outcome.has_range:
        log_ratio, log_low, log_high = -outcome.log_ratio, -outcome.log_high, -outcome.log_low  # type: ignore[operator]
        percent, low, high = (100 * math.expm1(end) for end in (log_ratio, log_low, log_high))
        kg = outcome.absolute_kg_ha
        chance = outcome.chance_less
        turned = {"less": "more", "more": "less"}.get(outcome.verdict, outcome.verdict)
        outcome = replace(
            outcome,
            verdict=turned,
            percent=percent,
            low=low,
            high=high,
            log_ratio=log_ratio,
            log_low=log_low,
            log_high=log_high,
            absolute_kg_ha=None if kg is None else (-kg[0], -kg[2], -kg[1]),
            chance_less=None if chance is None else 1 - chance,
            alone=None,
        )
    if saving is not None:
        saving = replace(
            saving, per_ha=-saving.per_ha, low=-saving.high, high=-saving.low, chance=1 - saving.chance
        )
    return replace(one, before=one.after, after=one.before, outcome=outcome, saving=saving)


def _is_number(text: str | None, value: float) -> bool:
    try:
        return text is not None and abs(float(text) - value) < 1e-6
    except ValueError:
        return False
