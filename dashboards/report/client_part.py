"""The part of the season report that a client reads: what to do next season, what was learned, each field, how."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import cast

from chaffinch.dashboards.figures.effect_pictures import effect_pictures
from chaffinch.dashboards.paper.blocks import (
    Band,
    Block,
    Bullets,
    Cautions,
    Cell,
    Facts,
    Grid,
    GridColumn,
    Heading,
    Line,
    Paragraph,
    Picture,
    cell,
    line,
    quiet,
    strong,
)
from chaffinch.dashboards.report import season_words
from chaffinch.dashboards.report.fields_part import fields_blocks, sized
from chaffinch.dashboards.report.season_tables import Group
from chaffinch.dashboards.report.worth import WeighedSeason, lacking
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.cautions import own_cautions
from chaffinch.dashboards.words.confidence import DEFINITION, chance_in_words, confidence
from chaffinch.dashboards.words.money import MEANING
from chaffinch.dashboards.words.next_season import CHANGE_IT, KEEP_IT, STILL_OPEN, Advice
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.dashboards.words.shown_units import amount, units_of, with_range
from chaffinch.dashboards.words.trial_words import shown_trials
from chaffinch.pipelines.agronomy.economics import Saving
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.farm import Farm

# Of each kind of advice on the first page; the annex and the sheets have all.
MOST_ADVICE = {CHANGE_IT: 8, KEEP_IT: 6, STILL_OPEN: 4}
BANDS = {
    CHANGE_IT: "Change: another value did better",
    KEEP_IT: "Keep: the present value did better than the one before",
    STILL_OPEN: "Open: neither value is likely better yet; compare them in a trial",
}
MOST_FINDINGS = 12
# Settings that a picture of half a page has room for.
MOST_DRAWN = 6
METHOD = (
    "Loss rises with feed rate, grain dries through the day, and settings are often changed just because loss has "
    "spiked; so comparing the loss before and after a change misleads. Here all changes of a field are fitted "
    "together, at the same feed rate, moisture and side slope, with grain and losses moved back to the moment when "
    "their crop was cut. Slow drift and fast noise of the log set the width of each range. One model joins all "
    "fields and machines: a change is judged by its own log and by what the same setting did elsewhere. Loss "
    "checks turn signals into kilograms, and prices turn those into money. A range holds the true value in 95 of "
    "100 cases if the log is sound. No value beyond those tried is recommended."
)


def client_blocks(season: WeighedSeason) -> list[Block]:
    """About four pages, fewer where little was changed."""
    data, farm = season.data, season.farm
    names = [name for one in season.advice for name in one.setting.split(" and ")]
    return [
        Facts(_facts(season)),
        *(Paragraph(line(text)) for text in farm.client.notes.split("\n\n") if text.strip()),
        Heading("What to do next season", 1, "next"),
        *_next_season(season),
        Heading("What was learned", 1, "learned"),
        Paragraph(line(season_words.scope(data, season.by_field))),
        *_trials(season),
        *_learned(season),
        Heading("What each field shows", 1, "fields"),
        *fields_blocks(season),
        Heading("How the effects were found", 1, "how"),
        Paragraph(line(METHOD)),
        Cautions(own_cautions(names)),
    ]


def _facts(season: WeighedSeason) -> list[tuple[str, str]]:
    data, farm = season.data, season.farm
    zones = {farm.zone_of(m) for m in data.where["machine"]}
    zone = zones.pop() if len(zones) == 1 else None
    first, last = data.where["first_time"].min(), data.where["last_time"].max()
    area = sum(cut.area_ha for cut in season.cuts)
    return [
        ("Machines", f"{data.where['machine'].n_unique():,}"),
        ("Field jobs", f"{data.where.height:,}"),
        *([("Area in the logs", amount(area, units_of(farm, None).area))] if area > 0 else []),
        ("Changes", f"{sum(len(one.changes) for one in season.by_field):,}"),
        ("Loss checks", f"{data.checks.height:,}"),
        ("From", words.day(cast(datetime, first), zone)),
        ("To", words.day(cast(datetime, last), zone)),
    ]


def advice_columns(farm: Farm) -> list[GridColumn]:
    """Of a table of ``advice_cells``."""
    return [
        GridColumn("Setting", 3.6),
        GridColumn("Machine, crop", 1.3),
        GridColumn(f"Grain saved, {units_of(farm, None).mass_per_area[1]}", 1.3, right=True),
        GridColumn(f"Money, {units_of(farm, None).money_per_area(farm.prices.currency)[1]}", 1.4, right=True),
        GridColumn("Chance", 1.2),
        GridColumn("Next trial", 2.1),
    ]


def advice_cells(one: Advice, farm: Farm) -> list[Cell]:
    """One row: the setting with its values, kg/ha, money, how sure, and the next trial."""
    units = units_of(farm, one.crop)
    saved = one.saved_kg_ha
    tone = one.outcome.tone if one.outcome and one.outcome.tone != "unclear" else ""
    lead = (_loss(one.outcome), tone) if one.outcome and one.outcome.known else quiet("cannot tell yet")
    return [
        cell(strong(one.title), lead),
        cell(one.machine, quiet(words.crop_label(one.crop))),
        _two_lines(with_range(saved, (units.mass_per_area[0], "")) if saved else "–"),
        _two_lines(money_range(one.saving, one.crop, farm) if one.saving else "–"),
        cell(_chance(one)),
        cell(next_trial(one) or "–"),
    ]


def _loss(outcome: Outcome) -> str:
    """With how sure it is, where the chance of the row is that of money and so of machine loss."""
    if outcome.name == "machine_loss" or outcome.chance_less is None:
        return sized(outcome)
    return f"{sized(outcome)}, {confidence(outcome.chance_less).text}"


def money_range(saving: Saving, crop: str | None, farm: Farm) -> str:
    """``+6.5 (+4.1 to +8.9)``: per area, plus is saved."""
    factor, _ = units_of(farm, crop).money_per_area(farm.prices.currency)
    return with_range((saving.per_ha, saving.low, saving.high), (factor, ""))


def _two_lines(text: str) -> Cell:
    head, _, ends = text.partition(" (")
    return cell(strong(head.strip(f" {words.NARROW}")), quiet(f"({ends}") if ends else "")


def _chance(one: Advice) -> str:
    if one.chance is None:
        return "–"
    return chance_in_words(max(one.chance, 1 - one.chance))


def next_trial(one: Advice) -> str:
    """``1000 against 950 rpm: 2.4 h, 14 switches``, or the one begun; empty where none would pay."""
    if one.trial is None:
        return one.going_on
    unit = f"{words.NARROW}{one.unit}" if one.unit else ""
    values = f"{one.trial.value:g} against {one.trial.value_in_use:g}{unit}"
    return (
        f"{values}: {one.trial.hours:.1f}{words.NARROW}h, {counted(one.trial.switches, 'switch', 'switches')}"
    )


def _next_season(season: WeighedSeason) -> Iterator[Block]:
    farm = season.farm
    rows: list[Sequence[Cell] | Band] = []
    left = 0
    for do, most in MOST_ADVICE.items():
        mine = [one for one in season.advice if one.do == do]
        left += max(len(mine) - most, 0)
        if mine:
            rows += [Band(line(BANDS[do])), *(advice_cells(one, farm) for one in mine[:most])]
    if rows:
        yield Grid("Most money first; from → to lies within the values tried", advice_columns(farm), rows)
        yield Paragraph(line(quiet(_explained(season, left))))
    else:
        yield Paragraph(line("No setting was changed on its own with enough steady work to advise on."))
    missing = lacking(season.worths, farm)
    if missing:
        yield Heading("What would say more", 2)
        yield Bullets([line(text) for text in missing])


def _explained(season: WeighedSeason, left: int) -> str:
    kinds = dict.fromkeys(one.saving.by for one in season.advice if one.saving)
    money = " ".join(f"Money: {MEANING[kind]}." for kind in kinds)
    more = f" {counted(left, 'setting')} more in the annex." if left else ""
    return f"Plus is saved, numbers in parentheses are 95{words.NARROW}% ranges. {money} {DEFINITION}{more}"


def _trials(season: WeighedSeason) -> list[Block]:
    shown = [
        line(
            strong(t.name),
            quiet(f" {t.machine}, {t.done}. "),
            f"{t.headline}. " if t.headline else "",
            t.sentence,
        )
        for t in shown_trials(season.trials)
    ]
    return [Heading("Trials", 2), Bullets(shown)] if shown else []


def _learned(season: WeighedSeason) -> Iterator[Block]:
    found = season_words.findings(season.crops)
    listed: list[Line] = [
        line(
            strong(f.name),
            quiet(f" {f.where}. "),
            f"{f.sentence} ",
            (f.direction, f.tone if f.tone != "unclear" else ""),
        )
        for f in found[:MOST_FINDINGS]
    ]
    clear = {(one.name, one.where) for one in found}
    on_one = season_words.clear_on_machines(season.machines, clear)
    if listed:
        yield Heading("Clear over the season", 2)
        yield Bullets(listed)
        yield from _picture(season.crops, clear)
    if on_one:
        yield Heading("Clear on one machine", 2)
        yield Bullets([line(strong(name), f" {text}") for name, text in on_one[:MOST_FINDINGS]])
    still_open = season_words.still_open([*season.crops, *season.machines], season.worths)
    rest = [season_words.capacity_summary(season.worths), season_words.quality(season.data), still_open]
    yield Bullets([line(text) for text in rest if text])


def _picture(groups: Sequence[Group], clear: set[tuple[str, str]]) -> Iterator[Block]:
    """The losses of the settings with a clear effect, drawn."""
    titled = [
        (
            f"{one.name}, {group.title}",
            counted(one.adjustments, "adjustment"),
            [one.outcomes[n] for n in ("separation_loss", "cleaning_loss") if n in one.outcomes],
        )
        for group in groups
        for one in group.settings
        if (one.name, group.title) in clear
    ][:MOST_DRAWN]
    for svg in effect_pictures(titled, "Effects over the season"):
        yield Picture(svg, "Separation and cleaning loss of the settings with a clear effect", 0.92)
