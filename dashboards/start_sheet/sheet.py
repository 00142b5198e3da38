"""The start sheet of one machine in one crop as one page of paper."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import polars as pl
from chaffinch.dashboards.paper.blocks import (
    Band,
    Block,
    Cautions,
    Cell,
    Grid,
    GridColumn,
    Heading,
    Paper,
    Paragraph,
    cell,
    line,
    quiet,
    strong,
)
from chaffinch.dashboards.paper.printing import count_pages
from chaffinch.dashboards.start_sheet.start_values import (
    BY_EVIDENCE,
    COMMON_PRACTICE,
    IN_A_TRIAL,
    LAST_USED,
    UNKNOWN,
    StartValue,
    start_values,
)
from chaffinch.dashboards.start_sheet.what_to_change import NOT_TRIED, Adjustment, tried_spans, what_to_change
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.cautions import own_cautions
from chaffinch.dashboards.words.next_season import Advice
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.estimate.responses.best_value import BestValue
from chaffinch.pipelines.farm import Farm

# Adjustments listed against a symptom, whether settings of common practice alone have a row, and the size of type:
# the first that fits one page.
DETAILS = (
    (4, True, 1.15),
    (4, True, 1.1),
    (4, True, 1.05),
    (4, True, 1.0),
    (3, True, 1.0),
    (3, False, 1.0),
    (2, False, 0.95),
    (1, False, 0.9),
)
MOST_CAUTIONS = 4


@dataclass(frozen=True, slots=True)
class Sheeted:
    """What a start sheet is made from.

    advice : of this machine and crop. effects : about the crop, of the machine and of all together. used : setting to
    the value last used and its hours.
    last : latest reading of the machine in the crop. fields : how many. fleet : best values of all machines in it.
    """

    machine: str
    crop: str | None
    advice: Sequence[Advice]
    effects: pl.DataFrame
    used: Mapping[str, tuple[str, float]]
    last: datetime
    fields: int
    fleet: Sequence[BestValue] = ()


@dataclass(frozen=True, slots=True)
class Said:
    """All that a start sheet can say, in words: starts : of ``start_values``. change : of ``what_to_change``."""

    starts: Sequence[StartValue]
    change: Sequence[tuple[str, Sequence[Adjustment]]]

    @classmethod
    def of(cls, about: Sheeted, farm: Farm) -> Said:
        spans = tried_spans(about.machine, about.crop, about.effects)
        starts = start_values(about.machine, about.crop, about.advice, about.used, spans, farm, about.fleet)
        change = what_to_change(about.machine, about.crop, about.effects, starts)
        # Sizes have given the order, and no sheet shows them.
        return cls(
            starts, [(symptom, [replace(one, size=0.0) for one in found]) for symptom, found in change]
        )


def start_sheet(about: Sheeted, said: Said, farm: Farm, links: Sequence[tuple[str, str]] = ()) -> Paper:
    """The sheet, with as much as fits one page."""
    for most, usual, scale in DETAILS:
        paper = replace(_paper(about, said.starts, said.change, farm, most, usual), scale=scale, links=links)
        if count_pages(paper) == 1:
            break
    return paper


def _paper(
    about: Sheeted,
    starts: Sequence[StartValue],
    change: Sequence[tuple[str, Sequence[Adjustment]]],
    farm: Farm,
    most: int,
    usual: bool,
) -> Paper:
    day = words.day(about.last, farm.zone_of(about.machine))
    named = {one.setting.name for one in starts if one.by in (BY_EVIDENCE, LAST_USED, IN_A_TRIAL)}
    named |= {one.setting for _, listed in change for one in listed[:most]}
    return Paper(
        title=f"Start sheet: {about.machine}, {words.crop_label(about.crop).lower()}",
        above=[farm.client.name] if farm.client.name else [],
        below=[
            f"From {counted(about.fields, 'field')} up to {day}. Check every value against the maker's manual."
        ],
        blocks=[
            Heading("Start from", 1, "start"),
            *_start_blocks(starts, usual),
            Heading("What to change when", 1, "change"),
            *_change_blocks(change, most, {one.setting.name for one in starts if one.by == IN_A_TRIAL}),
            Cautions(own_cautions(sorted(named))[:MOST_CAUTIONS]),
        ],
        us=farm.units == "us",
        tight=True,
    )


def _start_blocks(starts: Sequence[StartValue], usual: bool) -> list[Block]:
    rows, left = [], []
    for one in starts:
        if one.by == UNKNOWN:
            continue
        if one.by != COMMON_PRACTICE or usual:
            rows.append(_start_cells(one))
        else:
            left.append(f"{one.setting.label} {one.shown}")
    columns = [
        GridColumn("Setting", 2.1),
        GridColumn("Start from", 1.7),
        GridColumn("Why", 5.0),
        GridColumn("How sure", 1.1),
    ]
    rest = _sources([one for one in starts if one.by == COMMON_PRACTICE])
    table = Grid("In the order of the crop's way through the machine", columns, rows)
    unknown = [one.setting.label.lower() for one in starts if one.by == UNKNOWN]
    rest += f"Usual, not logged here: {'; '.join(left)}. " if left else ""
    if unknown:
        rest += (
            f"Neither logged nor a common value: {'; '.join(unknown)}. Take these from the maker's manual."
        )
    return [table, Paragraph(line(quiet(rest)))] if rest else [table]


def _sources(usual: Sequence[StartValue]) -> str:
    """Where the usual values come from, once."""
    by_source: dict[str, list[str]] = {}
    for one in usual:
        by_source.setdefault(one.source, []).append(one.setting.label.lower())
    if len(by_source) == 1:
        return f"Usual values: {next(iter(by_source))}. "
    told = "; ".join(f"{source} ({', '.join(labels)})" for source, labels in by_source.items())
    return f"Usual values: {told}. " if told else ""


def _start_cells(one: StartValue) -> list[Cell]:
    strength = one.strength
    tone = "better" if strength.endswith("sure") else ""
    return [cell(one.setting.label), cell(strong(one.shown)), cell(one.why), cell((strength, tone))]


def _change_blocks(
    change: Sequence[tuple[str, Sequence[Adjustment]]], most: int, in_trial: Collection[str]
) -> list[Block]:
    rows: list[Sequence[Cell] | Band] = []
    for symptom, listed in change:
        rows.append(Band(line(symptom)))
        rows += [_change_cells(one, one.setting in in_trial) for one in listed[:most]]
        if not listed:
            rows.append([cell("–"), cell(quiet("nothing known, and no usual direction")), cell("")])
    columns = [
        GridColumn("One usual step", 2.8),
        GridColumn("What it did", 3.5),
        GridColumn("Watch for", 3.6),
    ]
    about = (
        "One step at a time, then some minutes of steady work. By what it did on this machine, else on all machines "
        "in this crop; at the same feed rate"
    )
    return [Grid(about, columns, rows)]


def _change_cells(one: Adjustment, in_trial: bool) -> list[Cell]:
    costs = "; ".join(one.costs)
    trial = "in a trial: keep to its plan" if in_trial else ""
    beyond = "beyond the values tried" if one.beyond else ""
    return [
        cell(strong(one.do) if one.known < NOT_TRIED else line(one.do)),
        cell(line(one.found) if one.known < NOT_TRIED else quiet(one.found)),
        cell("; ".join(text for text in (trial, beyond, costs) if text)),
    ]
