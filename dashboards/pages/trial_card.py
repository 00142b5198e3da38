"""The cab card of a planned trial: one HTML file for a phone without a network, and for one page of paper."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

from chaffinch.dashboards.figures.trial_power import power_drawing
from chaffinch.dashboards.site.digest import digest_of
from chaffinch.dashboards.start_sheet.usual import usual_position
from chaffinch.dashboards.templates import render
from chaffinch.dashboards.templates import text as template
from chaffinch.dashboards.words import terms as words
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.trials.design.planned_trial import PlannedTrial
from chaffinch.pipelines.trials.design.precision import LEFT_OUT_S, detectable_percent, settled_percent
from chaffinch.pipelines.trials.written.trial_plan import PlannedStep, TrialPlan
from chaffinch.schemas.declarations import settings

# Pans behind a machine whose loss varies from yard to yard: common practice, no source.
FRAMES_PER_CHECK = 4
PANS_AFTER_MINUTES = 3


def trial_card(planned: PlannedTrial, farm: Farm, checks: int, plan_file: str) -> bytes:
    """The card as HTML. checks : loss checks to be made during the trial. plan_file : name of its ``trial.toml``."""
    plan, design = planned.plan, planned.design
    pans = _pans(plan, checks)
    before = (None, *plan.steps)
    steps = [
        _step(plan, number, step, last, pans.get(number))
        for number, (step, last) in enumerate(zip(plan.steps, before, strict=False), 1)
    ]
    catalogue = [settings()[name] for name in plan.settings]
    context = {
        "name": plan.name,
        "machine": plan.machine,
        "crop": words.crop_label(plan.crop) if plan.crop else None,
        "question": _question(plan),
        "hours": words.duration(3600 * design.hours),
        "switches": counted(design.switches, "switch", "switches"),
        "tells": f"Detects a change of {words.OUTCOME_WORDS[planned.basis.outcome]} by "
        f"{math.ceil(design.smallest_percent)}{words.NARROW}% or more.",
        "notes": card_notes(planned, farm),
        "steps": steps,
        "catalogue": [one.name for one in settings().values() if one.kind != "service"],
        "meanwhile": _meanwhile(plan, design.both_ways),
        "cautions": list(dict.fromkeys(one.caution for one in catalogue if one.caution)),
        "drawing": power_drawing(planned.task, planned.possible, design, plan.tell_percent),
        "outcome": words.OUTCOME_WORDS[planned.basis.outcome],
        "tell": f"{plan.tell_percent:g}",
        "table": _table(planned),
        "basis": planned.basis.sentence,
        "known": " ".join(filter(None, (fields_sentence(planned), known_sentence(planned)))),
        "seed": plan.seed,
        "plan_file": plan_file,
        "file": f"settings_log_{digest_of([plan.model_dump_json()])[:6]}.csv",
        "style": template("trial_card.css"),
        "script": template("trial_card.js"),
        "data": _data(plan),
    }
    return render("trial_card", context, "")


# What the signals leave open is worth a word where it makes the smallest change this much larger.
MUCH_MORE = 1.1


def card_notes(planned: PlannedTrial, farm: Farm) -> list[str]:
    """What to consider before the trial: values never run, or beyond common practice."""
    notes = []
    plan = planned.plan
    stated = farm.machines.get(plan.machine)
    for name, values in ((plan.setting, plan.values), (plan.second_setting, plan.second_values)):
        if name is None:
            continue
        setting, run = settings()[name], planned.run[name]
        unit = f" {setting.unit}" if setting.unit else ""
        new = planned.new_values.get(name, [])
        if new and not run:
            notes.append(
                f"No log shows at which {setting.label.lower()} this machine has worked. Check the values against "
                "the maker's manual before the trial, and go there in small steps."
            )
        elif new:
            seen = f"{run[0]} to {run[-1]}{unit}" if setting.kind == "number" else ", ".join(run)
            notes.append(
                f"This machine has never worked at {setting.label.lower()} {' or '.join(new)}{unit} (logs show "
                f"{seen}). Check the value against the maker's manual, go there in small steps, and stop if "
                "anything is unusual."
            )
        usual = usual_position(setting, plan.crop, stated.drum_diameter_m if stated else None, farm.units)
        beyond = [value for value in values if usual and usual.outside({str(value): 1.0}) == "yes"]
        if usual and beyond:
            notes.append(
                f"{setting.label} {' and '.join(map(str, beyond))}{unit} is not common practice in this crop; "
                f"that is {usual.words} ({usual.source})."
            )
        if setting.costs:
            notes.append(f"{setting.label}, side effects to watch: {setting.costs}")
    with_open = detectable_percent(planned.with_signals(planned.design.se_log))
    if with_open > MUCH_MORE * planned.design.smallest_percent:
        notes.append(_open_note(planned.basis.outcome, f"{math.ceil(with_open)}{words.NARROW}%"))
    if not planned.design.both_ways:
        notes.append(
            "Passes are longer than the steps, so directions of travel can't be balanced; more hours would allow it."
        )
    return notes


def _open_note(outcome: str, clear: str) -> str:
    """What no number of switches can show. clear : the change that is clear in spite of it."""
    if outcome == "machine_loss":
        return (
            "The loss of the machine is the sum of two signals, and what a unit of one weighs against one of the "
            f"other is not known, which no number of switches can show: where one loss moves alone, only a change of "
            f"{clear} is clear."
        )
    return (
        "The loss sensor itself may respond to the setting, which no number of switches can show. Without loss "
        f"checks at both values only a change of {clear} is clear: place pans at each."
    )


def fields_sentence(planned: PlannedTrial) -> str:
    """How the smallest change detected differs between fields; empty where that is not known."""
    errors = planned.se_of_fields
    if errors is None:
        return ""
    low, high = (words.significant(detectable_percent(error)) for error in errors)
    return (
        f"Loss varies more in some fields than in others: in eight fields of ten the smallest change is {low} to "
        f"{high}{words.NARROW}%."
    )


def known_sentence(planned: PlannedTrial) -> str:
    """What the lake already knows about the comparison; empty where nothing."""
    if planned.known_percent is None or planned.se_with_known is None:
        return ""
    size, low, high = planned.known_percent
    a, b = planned.plan.values
    before, after = map(settled_percent, (planned.design.se_log, planned.se_with_known))
    return (
        f"Earlier work on {b} against {a}: {words.signed(size)}{words.NARROW}% "
        f"({words.percent_range(low, high)} in a field to come). The trial alone settles ±"
        f"{words.significant(before)}{words.NARROW}%, with that knowledge ±{words.significant(after)}{words.NARROW}%."
    )


def _question(plan: TrialPlan) -> str:
    parts = []
    for name, values in ((plan.setting, plan.values), (plan.second_setting, plan.second_values)):
        if name:
            unit = f" {settings()[name].unit}" if settings()[name].unit else ""
            *others, last = map(str, values)
            parts.append(f"{settings()[name].label} {', '.join(others)} or {last}{unit}")
    return f"Which loses less? {'; '.join(parts)}."


def _step(
    plan: TrialPlan, number: int, step: PlannedStep, before: PlannedStep | None, pans: str | None
) -> dict[str, Any]:
    parts = []
    for name in plan.settings:
        setting, value = settings()[name], plan.value_of(name, step)
        stays = before is not None and plan.value_of(name, before) == value
        parts.append({"label": setting.label, "value": value, "unit": setting.unit, "stays": stays})
    length = counted(step.passes, "pass", "passes") if step.passes else f"{step.minutes:g} min"
    return {"number": number, "set": parts, "length": length, "pans": pans}


def _pans(plan: TrialPlan, checks: int) -> dict[int, str]:
    """Steps in which pans are placed, as many for each value as can be, spread over the trial."""
    by_state: dict[tuple[str, ...], list[int]] = {}
    for number, step in enumerate(plan.steps, 1):
        by_state.setdefault(tuple(plan.value_of(name, step) for name in plan.settings), []).append(number)
    chosen: list[int] = []
    groups = sorted(by_state.values())
    for k in range(checks):
        group = groups[k % len(groups)]
        mine = [n for n in group if n not in chosen]
        if mine:
            share = (k // len(groups) + 0.5) / math.ceil(checks / len(groups))
            chosen.append(mine[min(len(mine) - 1, int(share * len(mine)))])
    words_of = f"loss check: {FRAMES_PER_CHECK} pans after {PANS_AFTER_MINUTES} min of steady work"
    return dict.fromkeys(chosen, words_of)


def _meanwhile(plan: TrialPlan, both_ways: bool) -> list[str]:
    held = " and ".join(settings()[name].label.lower() for name in plan.settings)
    return [
        f"Leave every setting but {held} alone, and turn automatic adjustment of settings off if there is any.",
        "Drive at the same speed at every value; slow down only as you always would.",
        "Follow the order as it is, whatever the loss display shows: it was drawn at random, and that is what makes "
        "the answer fair.",
        "When the time is up, finish the pass, then switch"
        + (
            " in the headland, so that every value is driven as often one way as the other."
            if both_ways
            else "."
        ),
        "If something must be changed, do it, and note it with the time: it is allowed for.",
        f"The first {LEFT_OUT_S:.0f} s after a switch are not used.",
    ]


def _table(planned: PlannedTrial) -> dict[str, Any]:
    rows = [
        [
            f"{one.switches}{' (this plan)' if one == planned.design else ''}",
            words.duration(one.step_s),
            f"{words.significant(one.smallest_percent)}{words.NARROW}%",
        ]
        for one in planned.possible
    ]
    caption = (
        f"Plans of {planned.task.hours:g} h: the more switches, the smaller the change that can be detected"
    )
    return {"caption": caption, "columns": ["Switches", "Step", "Detects"], "rows": rows}


def _data(plan: TrialPlan) -> str:
    """What the card's script needs, as JSON that is safe inside a script element."""
    steps = [
        {
            "set": [
                {"setting": name, "value": plan.value_of(name, step), "unit": settings()[name].unit}
                for name in plan.settings
            ],
            "minutes": step.minutes,
            "passes": step.passes,
        }
        for step in plan.steps
    ]
    known: Sequence[str] = [plan.model_dump_json()]
    text = json.dumps(
        {"id": digest_of(known)[:16], "machine": plan.machine, "steps": steps}, ensure_ascii=False
    )
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text
