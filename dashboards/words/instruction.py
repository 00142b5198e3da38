"""One instruction for the settings of a field: keep a value, go back to one, or try one inside the range tried."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from chaffinch.dashboards.words.confidence import LIKELY, chance_in_words, confidence
from chaffinch.dashboards.words.settings_now import SettingLine
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.dashboards.words.terms import LOSS_OUTCOMES, NARROW, OUTCOME_WORDS, capitalized, signed
from chaffinch.dashboards.words.trial_words import SettingTrial
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.estimate.responses.best_value import BestValue

# A value that is expected to lose less than this share of the loss is not worth the trouble (common practice, no
# source).
WORTH_TRYING = 0.03
# Where no trial is expected to pay, or its length is not known yet: `chaffinch trial plan` then gives the length.
TRIAL = "planned trial"
# Of these less is better, and no loss counts them.
SIDE_EFFECTS = ("broken_grain", "non_grain", "fuel_per_tonne")


@dataclass(frozen=True, slots=True)
class Instruction:
    """do : the imperative, with a value. why : a sentence. costs : trade-offs, each in words. line : what it is
    about. by_curve : whether the responses say so, rather than the line. to_be_sure : a trial that would settle it.
    is_trial : whether it asks for one.
    """

    do: str
    why: str
    costs: tuple[str, ...] = ()
    line: SettingLine | None = None
    by_curve: bool = False
    to_be_sure: str = ""
    is_trial: bool = False


def instruction_for(
    lines: Sequence[SettingLine],
    best: Sequence[BestValue],
    trials: Mapping[str, SettingTrial] = MappingProxyType({}),
) -> Instruction | None:
    """What to do now; None where nothing was changed.

    lines : of a machine in a crop. best : of the same. trials : of settings, under way or worth it; until one under
    way is settled nothing else is said of its setting. What promises most comes first: back to the value before where
    a loss likely rose, again to a value at which it was likely lower, or to one that the responses say is likely
    better. Else go on with the trial; else keep what helped most, or what was set back for good reason; else compare
    the two values of a change that is open, the one most worth it first; else leave it.
    """
    under_way = {name for name, one in trials.items() if one.going_on}
    tried = [line for line in lines if line.setting in under_way]
    lines = [line for line in lines if line.setting not in under_way]
    known = [line for line in lines if line.outcomes]
    of_setting = {value.setting: value for value in best}
    acts = [
        one
        for line in known
        if (
            one := _better(of_setting.get(line.setting or ""), line, trials)
            or _back(line, trials)
            or _again(line, trials)
        )
    ]
    candidates = (
        *_ranked(acts),
        *(
            (
                0.0,
                Instruction(
                    f"Go on with the trial: {_named(line)}", trials[line.setting or ""].going_on, (), line
                ),
            )
            for line in tried
        ),
        *_ranked([one for line in known if (one := _keep(line))]),
        *_ranked([one for line in lines if (one := _compare(line, trials, of_setting))]),
    )
    return candidates[0][1] if candidates else None


def _ranked(found: Sequence[Ranked]) -> list[Ranked]:
    return sorted(found, key=lambda one: -one[0])


Ranked = tuple[float, Instruction]


def trial_to_be_sure(line: SettingLine, trials: Mapping[str, SettingTrial]) -> str:
    """The trial that would make sure of what a line's likely effect asks for, a sentence; empty where none would pay
    or it is sure."""
    trial, found = trials.get(line.setting or ""), line.raised or line.lowered
    if trial is None or trial.going_on or found is None or found.verdict in ("less", "more"):
        return ""
    value, in_use = trial.values
    named = f"{value} against {_value(in_use, line.unit)} in a " if value not in line.settings[0][1:3] else ""
    return f"To be sure: {named}{trial.length}, {trial.worth}."


def _back(line: SettingLine, trials: Mapping[str, SettingTrial]) -> Ranked | None:
    """Back to the value before, where a loss likely rose."""
    worst = None if line.undone else line.raised
    if worst is None:
        return None
    before = line.settings[0][1]
    if line.setting is None or before is None:
        do = f"Set {_named(line)} back one at a time"
    else:
        do = f"Go back to {_value(before, line.unit)}: {line.label.lower()}"
    costs, sure = side_effects(line, reverse=True), trial_to_be_sure(line, trials)
    said = f"{worst.words.capitalize()} rose: {_sized(worst)}."
    return worst.log_ratio or 0.0, Instruction(do, said, costs, line, to_be_sure=sure)


def _again(line: SettingLine, trials: Mapping[str, SettingTrial]) -> Ranked | None:
    """Again to the value after, where a loss was likely lower there before it was set back."""
    best = line.lowered if line.undone else None
    after = line.settings[0][2]
    if best is None or line.setting is None or after is None:
        return None
    do = f"Set {_value(after, line.unit)} again: {line.label.lower()}"
    why = f"{best.words.capitalize()} was lower there: {_sized(best)}."
    costs, sure = side_effects(line), trial_to_be_sure(line, trials)
    return -(best.log_ratio or 0.0), Instruction(do, why, costs, line, to_be_sure=sure)


def _better(best: BestValue | None, line: SettingLine, trials: Mapping[str, SettingTrial]) -> Ranked | None:
    """A value inside the range tried that is likely better than the one in force.

    Of the two values of the line itself its own effect says which is better.
    """
    if best is None or line.now is None or best.outcome not in LOSS_OUTCOMES:
        return None
    if not _is_value(line.now, best.value_in_use) or best.value == best.value_in_use:
        return None
    if any(end is not None and _is_value(end, best.value) for end in line.settings[0][1:3]):
        return None
    gain = -best.log_ratio
    half = (best.log_ratio_high - best.log_ratio_low) / 2
    if gain < WORTH_TRYING or half <= 0 or _chance_of(gain, half) < LIKELY:
        return None
    value, now = _value(f"{best.value:g}", best.unit), _value(line.now, line.unit)
    trial = trials.get(best.setting)
    do = f"Try {value}: {line.label.lower()}, {trial.length if trial else TRIAL}"
    size = f"{signed(100 * math.expm1(best.log_ratio))}{NARROW}%"
    chance = chance_in_words(_chance_of(gain, half))
    why = f"Across all logs, {OUTCOME_WORDS[best.outcome]} there is {size} against {now}: {chance}."
    why += f" {capitalized(trial.worth)}." if trial else ""
    return gain, Instruction(do, why, (), line, by_curve=True, is_trial=True)


def _is_value(text: str, value: float) -> bool:
    """Whether a value as logged, which may be a word, is this number."""
    try:
        return abs(float(text) - value) < 1e-6
    except ValueError:
        return False


def _chance_of(gain: float, half: float) -> float:
    """Chance that a gain is above zero, from half its 95 % range."""
    from scipy.special import ndtr

    return min(float(ndtr(REACH_95 * gain / half)), 0.99)


def _keep(line: SettingLine) -> Ranked | None:
    """The value in force, where a loss likely fell, or rose until it was set back."""
    if line.undone:
        return _keep_before(line)
    best, machine = line.lowered, line.outcome("machine_loss")
    if best is None:
        return None
    after = line.settings[0][2]
    if line.setting is None:
        do = f"Keep {_named(line)} as set"
    elif after is None:
        do = f"Keep it up: {line.label.lower()}"
    else:
        do = f"Keep {_value(after, line.unit)}: {line.label.lower()}"
    why = f"{best.words.capitalize()} fell: {_sized(best)}."
    gain = machine.log_ratio if machine is not None and machine.known else best.log_ratio
    return -(gain or 0.0), Instruction(do, why, side_effects(line), line)


def _keep_before(line: SettingLine) -> Ranked | None:
    worst, (_, before, after, unit) = line.raised, line.settings[0]
    if worst is None or line.setting is None or before is None or after is None:
        return None
    do = f"Keep {_value(before, unit)}: {line.label.lower()}"
    why = f"{worst.words.capitalize()} rose at {_value(after, unit)}: {_sized(worst)}."
    return worst.log_ratio or 0.0, Instruction(do, why, (), line)


def _compare(
    line: SettingLine, trials: Mapping[str, SettingTrial], curves: Mapping[str, BestValue]
) -> Ranked | None:
    """A change that is open: compare its two values in a trial, or leave it where no trial would pay."""
    _, before, after, unit = line.settings[0]
    if line.setting is None or before is None or after is None:
        return None
    found, trial = line.leading, trials.get(line.setting)
    why = f"{found.words.capitalize()} {_sized(found)}." if found else "What it does is still open."
    if trial is None and line.setting in curves and line.now is not None:
        why += " No trial of the values tried is expected to pay."
        return -1.0, Instruction(f"Leave it at {_value(line.now, unit)}: {_named(line)}", why, (), line)
    if trial is None:
        do = f"Compare {_value(before, unit)} with {_value(after, unit)}: {_named(line)}, in a {TRIAL}"
        return abs(found.log_ratio or 0.0) if found else 0.0, Instruction(do, why, (), line)
    do = (
        f"Compare {trial.values[1]} with {_value(trial.values[0], unit)}: {_named(line)}, in a {trial.length}"
    )
    return 1 + trial.expected_kg, Instruction(
        do, f"{why} {capitalized(trial.worth)}.", (), line, is_trial=True
    )


def side_effects(
    line: SettingLine, reverse: bool = False, apart_from: Sequence[Outcome | None] = ()
) -> tuple[str, ...]:
    """Outcomes that likely get worse, and losses that likely rise, by the change or by going back.

    apart_from : outcomes that are shown already.
    """
    found = []
    for outcome in line.outcomes:
        named = outcome.name in (*SIDE_EFFECTS, *LOSS_OUTCOMES) and outcome not in apart_from
        if not named or outcome.chance_less is None:
            continue
        rises = outcome.chance_less if reverse else 1 - outcome.chance_less
        if rises < LIKELY or outcome.percent is None or outcome.log_ratio is None:
            continue
        size = 100 * math.expm1(-outcome.log_ratio if reverse else outcome.log_ratio)
        word = "sure" if confidence(outcome.chance_less).word == "sure" else "likely"
        found.append(f"more {outcome.words} {word}: {signed(size)}{NARROW}%")
    return tuple(found)


def _sized(outcome: Outcome) -> str:
    assert outcome.percent is not None and outcome.chance_less is not None
    return f"{signed(outcome.percent)}{NARROW}%, {confidence(outcome.chance_less).text}"


def _named(line: SettingLine) -> str:
    return line.label.lower()


def _value(value: str, unit: str | None) -> str:
    return f"{value}{NARROW}{unit}" if unit else value
