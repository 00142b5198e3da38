"""The page of a trial: whether it is settled, its answers, then what was done."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl
from chaffinch.dashboards.figures.trial_switches import switches_drawing
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.links import field_href, machine_href
from chaffinch.dashboards.words.shown_units import units_of, with_range
from chaffinch.dashboards.words.trial_words import (
    compared,
    done_sentence,
    heading,
    interaction_sentence,
    state_sentence,
    step_words,
)
from chaffinch.pipelines.agronomy.economics import value_of_loss_per_ha
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.trials.answers.comparisons import Comparison
from chaffinch.pipelines.trials.answers.randomisation import RandomisationTest
from chaffinch.pipelines.trials.answers.standing import Standing
from chaffinch.schemas.declarations import settings


def trial_context(
    one: Standing, effects: pl.DataFrame, where: pl.DataFrame, tests: Sequence[RandomisationTest], farm: Farm
) -> dict[str, Any]:
    """What the template shows of a trial.

    effects : rows of the trial. where : ``machine_fields`` of the lake. tests : of ``randomisation_of``.
    """
    zone = farm.zone_of(one.machine)
    catalogue = [settings()[name] for name in one.settings if name in settings()]
    main = one.main
    return {
        "name": one.name,
        "machine": one.machine,
        "machine_href": machine_href(one.machine),
        "crop": words.crop_label(one.crop) if one.crop else None,
        "state": heading(one),
        "sentence": state_sentence(one),
        "over": one.status == "finished",
        "status": one.status,
        "done": done_sentence(one),
        "when": _when(one, zone),
        "fields": [
            {"name": words.field_label(row["field"]), "href": field_href(row)}
            for row in where.filter(pl.col("machine") == one.machine).iter_rows(named=True)
            if row["field"] in one.fields and _during(row, one)
        ],
        "answers": [_answer(each, one, farm) for each in one.comparisons],
        "interaction": interaction_sentence(one.interaction) if one.interaction else "",
        "drawing": switches_drawing(effects, main, one.values_of(main.setting)) if main else "",
        "agreement": _agreement(tests, one.settings),
        "steps": [_step(step, zone) for step in one.steps],
        "remarks": list(one.sentences),
        "cautions": list(dict.fromkeys(s.caution for s in catalogue if s.caution)),
        "zone": zone or "UTC",
    }


def _during(row: dict[str, Any], one: Standing) -> bool:
    return (
        one.began is None
        or one.ended is None
        or bool(row["first_time"] <= one.ended and row["last_time"] >= one.began)
    )


def _when(one: Standing, zone: str | None) -> str:
    if one.began is None or one.ended is None:
        return "not started"
    first, last = words.day(one.began, zone), words.day(one.ended, zone)
    clocks = f"{words.clock(one.began, zone)} to {words.clock(one.ended, zone)}"
    return f"{first}, {clocks}" if first == last else f"{first} to {last}"


def _answer(each: Comparison, one: Standing, farm: Farm) -> dict[str, Any]:
    units = units_of(farm, one.crop)
    better = each.better
    unit = f" {each.unit}" if each.unit else ""
    money = None
    per_t = farm.prices.per_t.get(one.crop or "")
    if each.absolute is not None and per_t is not None:
        scale = units.money_per_area(farm.prices.currency)
        saved = [float(value_of_loss_per_ha(-kg, per_t)) for kg in each.absolute]
        money = with_range((saved[0], min(saved), max(saved)), scale)
    chance = each.chance_less if each.log_ratio < 0 else 1 - each.chance_less
    less = each.to_value if each.log_ratio < 0 else each.from_value
    return {
        "compared": compared(each),
        "outcome": words.OUTCOME_WORDS[each.outcome],
        "verdict": "no clear change" if better is None else "less" if each.log_ratio < 0 else "more",
        "tone": "unclear" if better is None else "better" if each.log_ratio < 0 else "worse",
        "percent": each.percent,
        "anytime": each.anytime_range,
        "once": each.percent_range,
        "less": f"{less}{unit}",
        "chance": f"over 99{words.NARROW}%" if chance > 0.99 else f"{100 * chance:.0f}{words.NARROW}%",
        "absolute": with_range(each.absolute, units.mass_per_area) if each.absolute else None,
        "money": money,
        "capacity": _percents(each.capacity),
        "shared": _percents(each.shared),
        "switches": counted(each.switches, "switch", "switches"),
    }


def _percents(ends: tuple[float, float, float] | None) -> str | None:
    return (
        None if ends is None else f"{words.signed(ends[0])}{words.NARROW}% ({words.percent_range(*ends[1:])})"
    )


def _agreement(tests: Sequence[RandomisationTest], names: Sequence[str]) -> str:
    """What the randomisation tests show; names : of the settings."""
    if not tests:
        return "No mirrored block is complete yet, so the order can't be tested against other orders."
    blocks = counted(len(tests[0].blocks), "mirrored block")
    if len(tests) == 1:
        (test,) = tests
        said = f"{test.agreeing} of {blocks} agree with the mean. Of the orders that might have been drawn, "
        said += f"{words.share_in_words(test.p)} would show as much by chance"
        least = f" (the least that {blocks} can show is {words.share_in_words(test.least)})"
        return said + (least if test.p < 3 * test.least else "") + "."
    about = [words.setting_label(name).lower() for name in names] + ["the two together"]
    agree = ", ".join(f"{test.agreeing} for {what}" for test, what in zip(tests, about, strict=True))
    share = ", ".join(
        f"{words.share_in_words(test.p)} for {what}" for test, what in zip(tests, about, strict=True)
    )
    return (
        f"Of {blocks} these agree with their mean: {agree}. Of the orders that might have been drawn, these would "
        f"show as much by chance if neither setting did anything: {share}."
    )


def _step(step: dict[str, Any], zone: str | None) -> dict[str, Any]:
    at = step["done_at"]
    status = step["step_status"]
    return {
        "number": step["step"],
        "plan": step_words(step),
        "status": status,
        "at": words.clock(at, zone) if at else "in force before" if status == "done" else "",
        "deviation": words.capitalized(step["deviation"] or ""),
    }
