"""Advice on a field page: open questions, what is known of a setting, cautions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.dashboards.words.terms import OUTCOME_WORDS, listed
from chaffinch.schemas.declarations import settings

# One more change adds little; a trial's switches add more (the README compares the two).
REPEAT_IT = "Compare the two values in a trial: some hours with several switches (chaffinch trial plan)."
# What answers the question that a reason code leaves open. A range narrows with steady work on both sides and
# with each repeat of the same change; the times are common practice, no source.
REMEDIES = {
    "joint_change": "Change one setting at a time, or set one of them back and leave the other.",
    "short_before": "Work steadily for at least 15 minutes before changing a setting.",
    "short_after": "Leave a new setting for at least 15 minutes of steady work before the next change.",
    "no_readings": "Change settings while cutting, and keep the log running on both sides of the change.",
    "no_overlap": "Keep the same speed on both sides of a change for some minutes.",
    "wide_range": REPEAT_IT,
    "flat_curve": "Drive one pass a little slower and one a little faster, to show how loss rises.",
    "signal_dead": "Check the loss sensor, its cable and its sensitivity.",
    "signal_often_zero": "Raise the loss sensor's sensitivity until it shows small losses too.",
    "signal_saturated": "Lower the loss sensor's sensitivity until it is seldom at its ceiling.",
    "uncalibrated_sum": "Make one loss check: pans behind the machine calibrate the signals.",
    "signal_may_bend": "Weigh six loss checks, three of them where about three times as much is lost.",
    "gain_may_move": "Weigh three loss checks before such a change and three after it.",
    "slope_doubtful": "Weigh loss checks at different feed rates, and look at the loss sensors.",
    "regime_began": "Leave half an hour of the same work, in the same part of the field, on both sides of a change.",
    "made_as_loss_rose": "Change settings in even crop, not where loss has just risen, or compare the values "
    "in a trial with switches at planned times.",
    "beside_not_logged": "Record every change, with at least 15 minutes of steady work between them.",
    "clock_doubtful": "Set the clocks of the display and the logger to the same time.",
}


def _rise(name: str, before: str, after: str) -> float:
    """How far a setting was raised: in its unit, or in positions of the catalogue; 0 where unknown."""
    positions = settings()[name].positions if name in settings() else ()
    if before in positions and after in positions:
        return float(positions.index(after) - positions.index(before))
    try:
        return float(after) - float(before)
    except ValueError:
        return 0.0


def open_questions(changes: Sequence[ShownChange]) -> list[tuple[str, list[str], str]]:
    """(reason code, changes and outcomes it applies to, remedy), in order of first appearance."""
    asked: dict[str, dict[int, list[str]]] = {}
    for change in changes:
        for outcome in change.outcomes:
            for code in outcome.reasons:
                if code in REMEDIES and (outcome.verdict == "cannot tell" or code in _ALWAYS):
                    asked.setdefault(code, {}).setdefault(change.number, []).append(outcome.words)
    return [(code, _changes_and_outcomes(where), REMEDIES[code]) for code, where in asked.items()]


# Asked even where there is a verdict.
_ALWAYS = (
    "joint_change",
    "uncalibrated_sum",
    "signal_may_bend",
    "gain_may_move",
    "slope_doubtful",
)


def _changes_and_outcomes(where: Mapping[int, Sequence[str]]) -> list[str]:
    """``changes 1, 2 and 5: cleaning loss``: changes with the same outcomes together."""
    together: dict[str, list[int]] = {}
    for number, words in where.items():
        together.setdefault(_short(words), []).append(number)
    return [
        f"{'change' if len(numbers) == 1 else 'changes'} {listed([str(n) for n in numbers])}: {words}"
        for words, numbers in together.items()
    ]


def _short(words: Sequence[str]) -> str:
    distinct = list(dict.fromkeys(words))
    return ", ".join(distinct) if len(distinct) <= 4 else f"{len(distinct)} outcomes"


@dataclass(frozen=True, slots=True)
class Expected:
    """What common practice or a trial expects of this change for one outcome, and what was found.

    expected : "less", "more", "nothing" or "best in between". found : the verdict. agrees : in words, or empty.
    """

    outcome: str
    expected: str
    source: str
    found: str
    agrees: str


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What the catalogue says of a setting that was changed on its own."""

    does: str
    expected: tuple[Expected, ...]
    optimum: str
    costs: str


_AGREES = {
    ("less", "less"): "as usual",
    ("more", "more"): "as usual",
    ("nothing", "no clear change"): "consistent",
    ("less", "more"): "opposite",
    ("more", "less"): "opposite",
    ("nothing", "less"): "unusual",
    ("nothing", "more"): "unusual",
}


def knowledge_of(change: ShownChange) -> Knowledge | None:
    """What is known of the setting, in the direction it was changed; None for a joint change.

    Outcomes without a declared sign are left out.
    """
    name, before, after, _ = change.settings[0]
    if len(change.settings) > 1 or name not in settings():
        return None
    setting = settings()[name]
    service = setting.kind == "service"
    rise = 1.0 if service else _rise(name, before, after) if before and after else 0.0
    rows = []
    for outcome in change.outcomes:
        sign = setting.sign_of(outcome.name)
        if sign is None or (sign in ("+", "-") and rise == 0):
            continue
        rows.append(_expected(outcome, sign, rise, setting.source_of(outcome.name)))
    return Knowledge(setting.does, tuple(rows), setting.optimum, setting.costs)


def surprises(knowledge: Knowledge | None) -> list[str]:
    """Clear effects that are the opposite of what the change usually does."""
    against = [e for e in knowledge.expected if e.agrees == "opposite"] if knowledge else []
    return [f"Usually this change means {e.expected} {e.outcome}; here it was the opposite." for e in against]


def _expected(outcome: Outcome, sign: str, rise: float, source: str) -> Expected:
    towards = "more" if (sign == "+") == (rise > 0) else "less"
    expected = {"0": "nothing", "optimum": "best in between"}.get(sign, towards)
    agrees = _AGREES.get((expected, outcome.verdict), "")
    return Expected(OUTCOME_WORDS.get(outcome.name, outcome.name), expected, source, outcome.verdict, agrees)


def cautions_of(changes: Sequence[ShownChange]) -> list[str]:
    """Cautions of these settings, in addition to the general ones of the page."""
    names = dict.fromkeys(one[0] for change in changes for one in change.settings)
    texts = [settings()[name].caution for name in names if name in settings()]
    return list(dict.fromkeys(text for text in texts if text))
