"""What each field of the season shows: one row a field."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl
from chaffinch.dashboards.paper.blocks import (
    Block,
    Cell,
    Grid,
    GridColumn,
    Line,
    Paragraph,
    cell,
    line,
    quiet,
    strong,
)
from chaffinch.dashboards.report.season_data import FieldChanges, SeasonData
from chaffinch.dashboards.report.worth import WeighedSeason
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.confidence import confidence
from chaffinch.dashboards.words.settings_now import lines_of
from chaffinch.dashboards.words.shown_changes import Outcome, of_field
from chaffinch.dashboards.words.shown_units import amount, units_of
from chaffinch.pipelines.agronomy.yields import Harvest


def fields_blocks(season: WeighedSeason) -> Iterator[Block]:
    """Area, yield, changes, and the setting that each field's own log answers best."""
    farm = season.farm
    units = units_of(farm, None)
    rows = [_field_row(one, cut, season) for one, cut in zip(season.by_field, season.cuts, strict=True)]
    columns = [
        GridColumn("Field", 1.6),
        GridColumn("Machine", 1.2),
        GridColumn(f"Area, {units.area[1]}", 0.6, right=True),
        GridColumn("Yield", 0.9, right=True),
        GridColumn("Changes", 0.75, right=True),
        GridColumn("What its log shows best", 4.2),
    ]
    yield Grid("In order of time", columns, rows, small=len(rows) > 12)
    yield Paragraph(
        line(
            quiet(
                "Every change is in annex D. Area is distance times working width while cutting, with overlaps "
                "counted twice; yield is from the flow sensor, at market moisture where moisture was logged. A "
                "weighbridge is more accurate."
            )
        )
    )


def _field_row(one: FieldChanges, cut: Harvest, season: WeighedSeason) -> list[Cell]:
    farm, row, units = season.farm, one.row, units_of(season.farm, one.crop)
    known = cut.area_ha > 0 and cut.market_t > 0
    day = words.day(row["first_time"], farm.zone_of(row["machine"]))
    return [
        cell(strong(words.field_label(row["field"])), quiet(f"{words.crop_label(one.crop)}, {day}")),
        cell(row["machine"]),
        cell(amount(cut.area_ha, (units.area[0], "")).strip(words.NARROW) if cut.area_ha > 0 else "–"),
        cell(amount(cut.yield_t_ha, units.grain_per_area) if known else "–"),
        cell(f"{len(one.changes):,}"),
        cell(*_best_known(one, season.data)),
    ]


def _best_known(one: FieldChanges, data: SeasonData) -> list[Line]:
    """The setting that the field's own rows answer best, as its page does."""
    rows = data.effects.filter(
        pl.col("scope") == "field", pl.col("machine") == one.row["machine"], of_field(one.row)
    )
    answered = [
        (abs((found.chance_less or 0.5) - 0.5), each, found)
        for each in lines_of(one.changes, rows, None)
        if (found := each.leading) is not None
    ]
    if not answered:
        return [line(quiet("No change had enough steady work before and after it." if one.changes else "–"))]
    _, best, outcome = max(answered, key=lambda a: a[0])
    return [line(best.title), line((_answered(outcome), "" if outcome.tone == "unclear" else outcome.tone))]


def _answered(outcome: Outcome) -> str:
    assert outcome.chance_less is not None
    return f"{sized(outcome)}, {confidence(outcome.chance_less).text}"


def sized(outcome: Outcome) -> str:
    """``Separation loss −50 % (−56 to −43)``."""
    size = f"{words.signed(outcome.percent or 0.0)}{words.NARROW}%"
    return (
        f"{words.capitalized(outcome.words)} {size} "
        f"({words.signed(outcome.low or 0.0)} to {words.signed(outcome.high or 0.0)})"
    )
