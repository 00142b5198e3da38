"""Advice on a field page: open questions, what to try next, what is known of a setting, worth, cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.dashboards.words.shown_units import priced
from chaffinch.dashboards.words.terms import NARROW, OUTCOME_WORDS, setting_label, significant
from chaffinch.pipelines.agronomy.economics import gain
from chaffinch.pipelines.agronomy.exact import ACRE_M2
from chaffinch.schemas.declarations import settings

if TYPE_CHECKING:
    from chaffinch.pipelines.farm import Farm

REPEAT_IT = "Repeat it: set it back for 20 minutes of steady work, then change it again."
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
    return [
        (code, [f"change {number}: {_short(words)}" for number, words in where.items()], REMEDIES[code])
        for code, where in asked.items()
    ]


# Asked even where there is a verdict.
_ALWAYS = ("joint_change", "uncalibrated_sum", "clock_doubtful")


def _short(words: Sequence[str]) -> str:
    distinct = list(dict.fromkeys(words))
    return ", ".join(distinct) if len(distinct) <= 4 else f"{len(distinct)} outcomes"


def next_steps(changes: Sequence[ShownChange]) -> list[str]:
    """What to try next: a sentence on the last change of each setting, or of settings changed together."""
    last: dict[tuple[str, ...], ShownChange] = {tuple(one[0] for one in c.settings): c for c in changes}
    steps = []
    for names, change in reversed(last.items()):
        sentence = _next_step(change)
        proof = _proof([c for c in changes if tuple(one[0] for one in c.settings) == names])
        if sentence:
            steps.append(f"Change {change.number}: {sentence}{proof}")
    return steps


def _proof(repeats: Sequence[ShownChange]) -> str:
    """Whether repeats of one numeric setting agree on what raising it does to a loss."""
    if len(repeats) < 2 or len(repeats[0].settings) > 1:
        return ""
    for name in ("separation_loss", "cleaning_loss"):
        slopes = [slope for change in repeats if (slope := _slope(change, name))]
        if len(slopes) >= 2:
            agree = len(set(slopes)) == 1
            said = "agree" if agree else "disagree, so test it again"
            return f" Its {len(slopes)} clear effects on {OUTCOME_WORDS[name]} {said}."
    return ""


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
    ("less", "less"): "as expected",
    ("more", "more"): "as expected",
    ("nothing", "no clear change"): "consistent",
    ("less", "more"): "opposite",
    ("more", "less"): "opposite",
    ("nothing", "less"): "not expected",
    ("nothing", "more"): "not expected",
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
    """Clear effects that are the opposite of what is expected of the change."""
    against = [e for e in knowledge.expected if e.agrees == "opposite"] if knowledge else []
    return [f"Usually this change means {e.expected} {e.outcome}; here it was the opposite." for e in against]


def _expected(outcome: Outcome, sign: str, rise: float, source: str) -> Expected:
    towards = "more" if (sign == "+") == (rise > 0) else "less"
    expected = {"0": "nothing", "optimum": "best in between"}.get(sign, towards)
    agrees = _AGREES.get((expected, outcome.verdict), "")
    return Expected(OUTCOME_WORDS.get(outcome.name, outcome.name), expected, source, outcome.verdict, agrees)


def worth_of(change: ShownChange, crop: str | None, farm: Farm, area_ha_h: float | None) -> list[str]:
    """What a clear change was worth at the prices of farm.toml, as sentences.

    area_ha_h : area an hour while cutting, before the change.
    """
    per_t, per_h = farm.prices.per_t.get(crop or ""), farm.prices.machine_per_h
    loss, capacity = change.outcome("machine_loss"), change.outcome("capacity")
    us = farm.units == "us"
    area_scale, area_unit = (ACRE_M2 / 10_000.0, "ac") if us else (1.0, "ha")
    money = f"{NARROW}{farm.prices.currency}"
    sentences = []
    if per_t is not None and loss is not None and loss.absolute_kg_ha and loss.verdict in ("less", "more"):
        saved = [-kg_ha for kg_ha in loss.absolute_kg_ha]
        gains = [gain(kg_ha, None, area_ha_h, per_t, None) for kg_ha in saved]
        ends = [g.kept_per_ha * area_scale for g in gains if g.kept_per_ha is not None]
        hour = f", or {significant(abs(gains[0].kept_per_h))}{money} an hour" if gains[0].kept_per_h else ""
        word = "saved" if ends[0] > 0 else "lost"
        sentences.append(
            f"At the same speed, grain worth {_span_of(ends)}{money}/{area_unit} is {word}{hour}, "
            f"at {priced(per_t, crop, farm)}."
        )
    if per_h is not None and capacity is not None and capacity.verdict in ("less", "more"):
        percents = (capacity.percent, capacity.low, capacity.high)
        ends = [
            g.faster_per_ha * area_scale
            for pct in percents
            if (g := gain(None, pct, area_ha_h, None, per_h)).faster_per_ha is not None
        ]
        if len(ends) == 3:
            way = (
                "Used to drive faster at the same loss instead, it saves"
                if ends[0] > 0
                else "At the same loss it costs"
            )
            sentences.append(
                f"{way} machine time worth {_span_of(ends)}{money}/{area_unit}, at {per_h:g}{money}/h."
            )
    return sentences


def _span_of(ends: Sequence[float]) -> str:
    low, high = sorted((abs(ends[1]), abs(ends[2])))
    return f"{significant(abs(ends[0]))} ({significant(low)} to {significant(high)})"


def _slope(change: ShownChange, outcome_name: str) -> int:
    """+1 where the outcome rises with the setting, -1 where it falls, 0 where that is not clear."""
    _, before, after, _ = change.settings[0]
    outcome = change.outcome(outcome_name)
    if outcome is None or outcome.verdict not in ("less", "more") or before is None or after is None:
        return 0
    rise = _rise(change.settings[0][0], before, after)
    return 0 if rise == 0 else (1 if (rise > 0) == (outcome.verdict == "more") else -1)


def _next_step(change: ShownChange) -> str:
    losses = [o for o in change.outcomes if o.name.endswith("_loss")]
    worse = [o.words for o in losses if o.verdict == "more"]
    better = [o.words for o in losses if o.verdict == "less"]
    joint = len(change.settings) > 1
    name = " and ".join(setting_label(one[0]).lower() for one in change.settings)
    before = [one[1] for one in change.settings]
    if worse and better:
        both = f"{worse[0]} up, {better[0]} down"
        return f"it moved losses both ways ({both}); a loss check shows which matters more."
    if worse and not joint and before[0] is not None:
        unit = f" {change.settings[0][3]}" if change.settings[0][3] else ""
        return (
            f"setting {name} back to {before[0]}{unit} should bring {worse[0]} down again; "
            "that is also the best proof."
        )
    if worse:
        return (
            f"setting {name} back, one at a time, should bring {worse[0]} down and show which of them did it."
        )
    if better:
        kept = f"keep {name} as {'they are' if joint else 'it is'} while crop and moisture stay the same"
        return f"{better[0]} fell; {kept}{_costs(change)}"
    return ""


def _costs(change: ShownChange) -> str:
    costs = [settings()[one[0]].costs for one in change.settings if one[0] in settings()]
    known = [text for text in costs if text]
    return ". Side effects to watch: " + " ".join(known) if known else "."


def cautions_of(changes: Sequence[ShownChange]) -> list[str]:
    """Cautions of these settings, in addition to the general ones of the page."""
    names = dict.fromkeys(one[0] for change in changes for one in change.settings)
    texts = [settings()[name].caution for name in names if name in settings()]
    return list(dict.fromkeys(text for text in texts if text))
