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
    Heading,
    Line,
    Paragraph,
    Picture,
    line,
    quiet,
    strong,
)
from chaffinch.dashboards.report import season_words
from chaffinch.dashboards.report.advice_part import (
    BANDS,
    MOST_ADVICE,
    advice_cells,
    advice_columns,
    explained,
    in_short,
)
from chaffinch.dashboards.report.fields_part import fields_blocks
from chaffinch.dashboards.report.season_tables import Group
from chaffinch.dashboards.report.worth import WeighedSeason, lacking
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.cautions import own_cautions
from chaffinch.dashboards.words.shown_units import amount, units_of
from chaffinch.dashboards.words.trial_words import shown_trials
from chaffinch.pipelines.errors import counted

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


def _next_season(season: WeighedSeason) -> Iterator[Block]:
    farm = season.farm
    yield from (Paragraph(line(text)) for text in [in_short(season)] if text)
    rows: list[Sequence[Cell] | Band] = []
    left = 0
    for do, most in MOST_ADVICE.items():
        mine = [one for one in season.advice if one.do == do]
        left += max(len(mine) - most, 0)
        if mine:
            rows += [Band(line(BANDS[do])), *(advice_cells(one, farm) for one in mine[:most])]
    if rows:
        yield Grid("Most money first; from → to lies within the values tried", advice_columns(farm), rows)
        yield Paragraph(line(quiet(explained(season, left))))
    else:
        yield Paragraph(line("No setting was changed on its own with enough steady work to advise on."))
    missing = lacking(season.worths, farm)
    if missing:
        yield Heading("What would say more", 2)
        yield Bullets([line(text) for text in missing])


def _trials(season: WeighedSeason) -> list[Block]:
    shown = [
        line(
            strong(t.name),
            quiet(f" {'' if t.machine in t.name else f'{t.machine}, '}{t.done}. "),
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
