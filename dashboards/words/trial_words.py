"""Sentences about trials, for pages and the command line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.confidence import percent_of
from chaffinch.dashboards.words.links import page_name
from chaffinch.dashboards.words.shown_units import amount, units_of
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.trials.answers.anytime import ENOUGH, GO_ON, WILL_NOT_SETTLE
from chaffinch.pipelines.trials.answers.comparisons import Comparison, best_of
from chaffinch.pipelines.trials.answers.interaction import Interaction
from chaffinch.pipelines.trials.answers.standing import Standing, standings
from chaffinch.pipelines.trials.answers.worth_trying import Suggestion
from chaffinch.schemas.declarations import settings


@dataclass(frozen=True, slots=True)
class SettingTrial:
    """Of a setting of a machine in a crop: how its trial under way goes on, or else the trial that would pay.

    going_on : a sentence; empty where none is under way. values : to try, and in use. length : ``trial of 2.0 h,
    7 switches``. worth : ``expected worth 50 EUR a year``. expected_kg : as of ``Suggestion``.
    """

    going_on: str = ""
    values: tuple[str, str] = ("", "")
    length: str = ""
    worth: str = ""
    expected_kg: float = 0.0


def setting_trials(
    all_tables: Mapping[str, pl.DataFrame], suggested: Sequence[Suggestion], farm: Farm
) -> dict[tuple[str, str | None], dict[str, SettingTrial]]:
    """By machine and crop, and by setting: trials under way that are not settled yet, and those that would pay.

    all_tables : trials, effects. suggested : of ``worth_trying``; a trial under way comes before them.
    """
    found: dict[tuple[str, str | None], dict[str, SettingTrial]] = {}
    for one in suggested:
        worth = _expected_worth(one, farm).replace("expected to be worth", "expected worth")
        found.setdefault((one.machine, one.crop), {})[one.setting] = SettingTrial(
            "",
            (f"{one.value:g}", f"{one.value_in_use:g}"),
            f"trial of {trial_size(one)}",
            f"{worth} a year{'' if one.measured_loss else ' if losses are the usual ones'}",
            float(f"{one.expected_kg:.2g}"),
        )
    trials = all_tables.get("trials")
    if trials is None or trials.is_empty():
        return found
    machines = all_tables["effects"]["machine"].drop_nulls().unique().sort().to_list()
    for under_way in standings(trials, all_tables["effects"], machines):
        if under_way.status == "running" and under_way.state == GO_ON:
            more = counted(under_way.switches_left, "more switch", "more switches")
            of_place = found.setdefault((under_way.machine, under_way.crop), {})
            of_place |= dict.fromkeys(under_way.settings, SettingTrial(f"{more} should settle it."))
    return found


def compared(one: Comparison) -> str:
    """``Fan speed 1050 against 1000 rpm``: the value that is judged first."""
    unit = f" {one.unit}" if one.unit else ""
    return f"{words.setting_label(one.setting)} {one.to_value} against {one.from_value}{unit}"


def comparison_sentence(one: Comparison) -> str:
    """``machine loss down 18 %, range −30 to −4 %``: the range that holds at every look."""
    low, high = one.anytime_range
    size = words.significant(abs(one.percent))
    way = "down" if one.percent < 0 else "up"
    return (
        f"{compared(one)}: {words.OUTCOME_WORDS[one.outcome]} {way} {size}{words.NARROW}%, "
        f"range {words.percent_range(low, high)}"
    )


def heading(one: Standing) -> str:
    """The state of a trial in words; one that is over says what it settled."""
    if one.state != WILL_NOT_SETTLE or one.status == "running":
        return one.state
    return "partly settled" if any(each.better for each in one.comparisons) else "not settled"


def state_sentence(one: Standing) -> str:
    """What to do next, in plain words."""
    main = one.main
    stop = " The trial can stop." if one.status == "running" else ""
    if one.state == ENOUGH and main is not None:
        best = best_of(one.comparisons)
        if best is not None:
            unit, least = (
                f" {main.unit}" if main.unit else "",
                "less" if len(one.comparisons) == 1 else "least",
            )
            return f"Enough is known: {best}{unit} loses {least}.{stop}"
        if len(one.comparisons) == 1:
            return "Enough is known: a difference that matters can be ruled out. Choose for other reasons."
        return f"Enough is known about every comparison.{stop}"
    if one.state == GO_ON:
        if one.status == "planned":
            return "Not started."
        return f"Go on: {counted(one.switches_left, 'more switch', 'more switches')} should settle it."
    clear = [
        f"{each.better} loses less than {each.from_value if each.log_ratio < 0 else each.to_value}"
        for each in one.comparisons
        if each.better
    ]
    if clear and len(one.comparisons) > 1:
        return f"Partly settled: {words.listed(clear)}; the rest is open."
    if one.status == "running":
        return "The rest of this plan will not settle it; plan a longer trial, or stop."
    return "This trial did not settle it. Repeat it, or keep the value in use."


def done_sentence(one: Standing) -> str:
    """``9 of 12 steps done, 1 late, 1 skipped; 2 other changes in between``."""
    counts = one.counts
    parts = [f"{counts['done'] + counts['late']} of {len(one.steps)} steps done"]
    parts += [f"{counts[name]} {name}" for name in ("late", "skipped") if counts[name]]
    extra = f"; {counted(counts['extra'], 'other change')} in between" if counts["extra"] else ""
    return ", ".join(parts) + extra


def interaction_sentence(one: Interaction) -> str:
    """What one setting of a trial does by the value of the other, in words."""
    unit = f" {one.unit}" if one.unit else ""
    low, high = one.anytime_range
    setting, other = (words.setting_label(name).lower() for name in (one.setting, one.other))
    said = (
        f"Together: the effect of {setting} on {words.OUTCOME_WORDS[one.outcome]} differs by "
        f"{words.signed(one.percent)}{words.NARROW}% (range {words.percent_range(low, high)}) between {other} "
        f"{one.low} and {one.high}{unit}"
    )
    if one.is_clear:
        return f"{said}: the best value of one depends on the other, so choose them together."
    return f"{said}: no clear sign that one depends on the other."


def standing_sentences(one: Standing) -> list[str]:
    """A trial on the command line: its name and state, what was done, each comparison, remarks."""
    found = [f"{one.name} ({one.machine}): {heading(one)}. {state_sentence(one)}", f"  {done_sentence(one)}."]
    found += [f"  {comparison_sentence(each)}." for each in one.comparisons]
    found += [f"  {interaction_sentence(one.interaction)}"] if one.interaction else []
    return [*found, *(f"  {remark}" for remark in one.sentences)]


def step_words(step: dict[str, Any]) -> str:
    """``1050 rpm for 12 min`` of a row of ``trials``; of two settings ``1050 rpm, 14 mm for 5 min``."""
    length = f"{step['passes']} passes" if step["passes"] else f"{step['minutes']:g} min"
    both = ((step["setting"], step["value"]), (step["second_setting"], step["second_value"]))
    set_at = [f"{value} {settings()[name].unit}".strip() for name, value in both if value is not None]
    return f"{', '.join(set_at)} for {length}"


def trial_href(one: Standing) -> str:
    """The trial's page, from the root of the site."""
    return f"trials/{page_name('trial', one.name, one.machine, one.delivery)}"


@dataclass(frozen=True, slots=True)
class ShownTrial:
    """A trial as other pages list it: ``headline`` is its answer so far, ``sentence`` what to do next."""

    name: str
    machine: str
    fields: tuple[str | None, ...]
    href: str
    state: str
    headline: str
    sentence: str
    done: str


def shown_trials(found: Sequence[Standing]) -> list[ShownTrial]:
    """Trials in the order of ``standings``, for the lists of other pages."""
    return [
        ShownTrial(
            one.name,
            one.machine,
            one.fields,
            trial_href(one),
            heading(one),
            f"By this trial alone, {words.uncapitalized(comparison_sentence(one.main))}" if one.main else "",
            state_sentence(one),
            done_sentence(one),
        )
        for one in found
    ]


def suggestion_sentence(one: Suggestion, farm: Farm) -> str:
    """What to compare, why, and how long it takes: one or two sentences."""
    units = units_of(farm, one.crop)
    unit = f" {one.unit}" if one.unit else ""
    where = ", ".join(filter(None, (one.machine, words.crop_label(one.crop) if one.crop else None)))
    assumed = (
        "" if one.measured_loss else ", if the loss is a usual share of the yield (no loss check weighs it)"
    )
    return (
        f"{where}: {words.setting_label(one.setting).lower()} {one.value:g} against {one.value_in_use:g}{unit}. "
        f"{percent_of(one.chance)}{words.NARROW}% chance of less {words.OUTCOME_WORDS[one.outcome]}; "
        f"{_expected_worth(one, farm)} over {amount(one.area_ha, units.area)} a year{assumed}. {trial_length(one)}"
    )


def _expected_worth(one: Suggestion, farm: Farm) -> str:
    """``expected to be worth 50 EUR``; without a price what it is expected to save."""
    if one.worth is None:
        return f"expected to save {amount(one.expected_kg, units_of(farm, one.crop).mass)}"
    money = words.grouped(words.significant(one.worth))
    return f"expected to be worth {money}{words.NARROW}{farm.prices.currency}"


def trial_size(one: Suggestion) -> str:
    """``2.5 h, 7 switches``."""
    return f"{one.hours:.1f}{words.NARROW}h, {counted(one.switches, 'switch', 'switches')}"


def trial_length(one: Suggestion) -> str:
    """``2.5 h, 7 switches, settles ±9 %.``"""
    return f"{trial_size(one)}, settles ±{words.significant(one.settles_percent)}{words.NARROW}%."


def nothing_to_suggest(machine: str | None) -> str:
    """Shown where no trial would pay, or none can be ranked yet."""
    of = f" for {machine}" if machine else ""
    return (
        f"No trial to suggest{of}: none is expected to save more than it costs, or no setting with numbers has been "
        "changed yet with steady work on both sides."
    )
