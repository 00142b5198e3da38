"""The season report as sheets: typed cells, units in the headers, frozen headers, filters."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl
from chaffinch.dashboards.report import season_words
from chaffinch.dashboards.report.advice_part import next_trial
from chaffinch.dashboards.report.document import last_moment
from chaffinch.dashboards.report.season_data import FieldChanges, SeasonData
from chaffinch.dashboards.report.season_tables import Group
from chaffinch.dashboards.report.workbook_sheets import Sheet, workbook_of
from chaffinch.dashboards.report.worth import WeighedSeason, Worth, lacking
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.cautions import CAUTIONS_TITLE, FIRST_CAUTIONS, LAST_CAUTION
from chaffinch.dashboards.words.next_season import Advice
from chaffinch.dashboards.words.shown_changes import Outcome
from chaffinch.dashboards.words.shown_units import Ends, Scale, units_of
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake.table_files import MOST_SHEET_ROWS
from chaffinch.schemas.declarations import settings

EFFECT_COLUMNS = (
    "Outcome", "Verdict", "Change, %", "Low end, %", "High end, %", "Adjustments", "Why or remark",
)  # fmt: skip


def season_sheets(season: WeighedSeason) -> bytes:
    """The workbook. No text becomes a formula or a link; the same data give the same bytes."""
    data = season.data
    sheets = [
        _next_season(season),
        _summary(season),
        _pooled("Settings", season.crops, "Group"),
        _pooled("Machines", season.machines, "Machine"),
        _changes(season.by_field),
        _changes_by_area(season.by_field, season.farm),
        _worth(season.worths, season.farm),
        _capacity(season.worths, season.farm),
        _fields(season),
        _files(data),
        _set_aside(data),
        _words(data),
    ]
    return workbook_of(sheets, last_moment(data), f"Season report {data.year}")


def _next_season(season: WeighedSeason) -> Sheet:
    """The client's sheet: what to do with each setting."""
    farm = season.farm
    units = units_of(farm, None)
    money = units.money_per_area(farm.prices.currency)
    columns = (
        "Do", "Machine", "Crop", "Setting", "From", "To", *_ends(f"Grain saved, {units.mass_per_area[1]}"),
        *_ends(f"Money saved, {money[1]}"), "Chance that it pays, 0 to 1", "But likely", "Next trial",
    )  # fmt: skip
    rows = [
        (one.do, one.machine, words.crop_label(one.crop), _named_with_unit(one),
         number_or_word(one.before), number_or_word(one.after),
         *_scaled(one.saved_kg_ha, units.mass_per_area),
         *_scaled((one.saving.per_ha, one.saving.low, one.saving.high) if one.saving else None, money),
         one.chance, "; ".join(one.costs), next_trial(one))
        for one in season.advice
    ]  # fmt: skip
    return Sheet("Next season", columns, rows)


def _named_with_unit(one: Advice) -> str:
    """``Fan speed, rpm``, or several that were changed together."""
    label = " and ".join(words.setting_label(name) for name in one.setting.split(" and "))
    return f"{label}, {one.unit}" if one.unit else label


def number_or_word(value: str) -> float | str:
    """A value of a setting as a typed cell."""
    try:
        return float(value)
    except ValueError:
        return value


def _summary(season: WeighedSeason) -> Sheet:
    data, farm, worths = season.data, season.farm, season.worths
    rows = [
        ("Season", str(data.year)),
        ("Client", farm.client.name),
        ("Notes", farm.client.notes),
        ("Scope", season_words.scope(data, season.by_field)),
        *(
            ("Clear effect", f"{f.name}, {f.where}: {f.sentence} {f.direction}".strip())
            for f in season_words.findings(season.crops)
        ),
        ("Still open", season_words.still_open([*season.crops, *season.machines], season.worths)),
        ("Capacity", season_words.capacity_summary(worths)),
        ("Worth", season_words.worth_summary(worths, farm)),
        *(("Missing", text) for text in lacking(worths, farm)),
        ("Data", season_words.quality(data)),
        ("Ranges", "Low and high ends are those of 95 % ranges; losses are at the same grain feed rate."),
        ("Safety", " ".join([f"{CAUTIONS_TITLE}:", *FIRST_CAUTIONS, LAST_CAUTION])),
    ]
    return Sheet("Summary", ("About", "In words"), [row for row in rows if row[1]])


def _effect(outcome: Outcome, adjustments: int) -> tuple[Any, ...]:
    reasons = " ".join(words.reason_sentence(code) for code in outcome.reasons)
    percents = (outcome.percent, outcome.low, outcome.high)
    return (outcome.words, outcome.verdict, *percents, adjustments, reasons)


def _pooled(name: str, groups: Sequence[Group], by: str) -> Sheet:
    rows = [
        (group.title, words.crop_label(one.crop) if one.crop else None, one.name, one.fields,
         *_effect(o, one.adjustments))
        for group in groups
        for one in group.settings
        for o in one.outcomes.values()
    ]  # fmt: skip
    return Sheet(name, (by, "Crop", "Setting", "Fields", *EFFECT_COLUMNS), rows)


def _changes(by_field: Sequence[FieldChanges]) -> Sheet:
    rows: list[tuple[Any, ...]] = []
    for one in by_field:
        for change in one.changes:
            lead = (
                change.time, one.row["machine"], one.row["field"], words.crop_label(one.crop), change.title,
                "yes" if len(change.settings) > 1 else "no",
                change.seconds_before / 60, change.seconds_after / 60,
            )  # fmt: skip
            if not change.outcomes:
                rows.append((*lead, None, "cannot tell", *[None] * 3, "No effect was estimated."))
            for o in change.outcomes:
                *effect, _, why = _effect(o, 1)
                rows.append((*lead, *effect, why))
    columns = ("Time (UTC)", "Machine", "Field", "Crop", "Change", "Together", "Work before, min",
               "Work after, min")  # fmt: skip
    return Sheet("Changes", (*columns, *EFFECT_COLUMNS[:5], "Why or remark"), rows)


def _changes_by_area(by_field: Sequence[FieldChanges], farm: Farm) -> Sheet:
    """Where loss checks weigh the signals."""
    per_area = units_of(farm, None).mass_per_area
    rows = [
        (change.time, one.row["machine"], one.row["field"], words.crop_label(one.crop), change.title, o.words,
         *_scaled(o.absolute_kg_ha, per_area))
        for one in by_field
        for change in one.changes
        for o in change.outcomes
        if o.absolute_kg_ha is not None
    ]  # fmt: skip
    columns = (
        "Time (UTC)",
        "Machine",
        "Field",
        "Crop",
        "Change",
        "Outcome",
        *_ends(f"Change, {per_area[1]}"),
    )
    return Sheet("Changes by area", columns, rows)


def _worth(worths: Sequence[Worth], farm: Farm) -> Sheet:
    units = units_of(farm, None)
    money = units.money_per_area(farm.prices.currency)
    rows = [
        (*_named(w), *_scaled(w.saved_kg_ha, units.mass_per_area),
         *_scaled((w.saving.per_ha, w.saving.low, w.saving.high) if w.saving else None, money),
         w.saving.chance if w.saving else None)
        for w in worths
    ]  # fmt: skip
    columns = (
        "Machine", "Crop", "Before and now", "Changes", *_ends(f"Grain saved, {units.mass_per_area[1]}"),
        *_ends(f"Money saved, {money[1]}"), "Chance that it pays, 0 to 1",
    )  # fmt: skip
    return Sheet("Worth", columns, rows)


def _capacity(worths: Sequence[Worth], farm: Farm) -> Sheet:
    """Another use of the same gain: more an hour at the same loss."""
    us = farm.units == "us"
    rows = []
    for w in worths:
        grain = units_of(farm, w.crop).grain
        rows.append((*_named(w), *_scaled(w.capacity_t_h, grain), *([grain[1]] if us else [])))
    # The unit of grain differs from crop to crop in US units, and has a column there.
    name = f"Capacity at the same loss, {'the unit of grain an hour' if us else 't/h'}"
    columns = (
        "Machine",
        "Crop",
        "Before and now",
        "Changes",
        *_ends(name),
        *(["Unit of grain"] if us else []),
    )
    return Sheet("Capacity", columns, rows)


def _named(one: Worth) -> tuple[Any, ...]:
    return one.machine, words.crop_label(one.crop), one.line.title, one.line.changes


def _ends(name: str) -> tuple[str, str, str]:
    return name, f"{name}, low end", f"{name}, high end"


def _scaled(ends: Ends | None, scale: Scale) -> tuple[float | None, ...]:
    return (None, None, None) if ends is None else tuple(value * scale[0] for value in ends)


def _positive(value: float, scale: Scale) -> float | None:
    return value * scale[0] if value > 0 else None


def _fields(season: WeighedSeason) -> Sheet:
    farm, us = season.farm, season.farm.units == "us"
    rows = []
    for one, cut in zip(season.by_field, season.cuts, strict=True):
        row, units = one.row, units_of(farm, one.crop)
        rows.append((
            row["machine"], row["field"], words.crop_label(one.crop), row["first_time"], row["last_time"],
            row["readings"], _positive(cut.area_ha, units.area), _positive(cut.market_t, units.grain),
            cut.yield_t_ha * units.grain_per_area[0] if cut.area_ha > 0 else None, len(one.changes),
            *([units.grain[1]] if us else []),
        ))  # fmt: skip
    columns = (
        "Machine", "Field", "Crop", "First reading (UTC)", "Last reading (UTC)", "Readings",
        f"Area, {units_of(farm, None).area[1]}", f"Grain at market moisture{'' if us else ', t'}",
        f"Yield, {'per ac' if us else 't/ha'}", "Changes", *(["Unit of grain"] if us else []),
    )  # fmt: skip
    return Sheet("Fields", columns, rows)


def _files(data: SeasonData) -> Sheet:
    names = ("name", "kind", "status", "judgement", "rows_read", "rows_kept", "rows_set_aside", "first_time",
             "last_time")  # fmt: skip
    rows = [
        (*(row[n] for n in names), " ".join([*(row["findings"] or []), row["reason"] or ""]).strip())
        for row in pl.concat([data.deliveries, data.undated]).iter_rows(named=True)
    ]
    columns = ("File", "Kind", "Status", "Judgement", "Rows read", "Rows kept", "Rows set aside",
               "First row (UTC)", "Last row (UTC)", "What to check")  # fmt: skip
    return Sheet("Files", columns, rows)


def _set_aside(data: SeasonData) -> Sheet:
    """Rows and values set aside as far as a sheet has room; `export set_aside` gives all."""
    names = ("file", "row", "rule", "column", "value", "sentence")
    kept = pl.when(pl.col("row_kept") == 1).then(pl.lit("yes")).otherwise(pl.lit("no"))
    rows = list(data.set_aside.sort("file", "row", "rule").select(*names, kept).iter_rows())[:MOST_SHEET_ROWS]
    return Sheet(
        "Rows set aside", ("File", "Row", "Rule", "Column", "Value", "Reason", "Rest of the row used"), rows
    )


def _words(data: SeasonData) -> Sheet:
    rows = [
        (words.capitalized(words.OUTCOME_WORDS[key]), words.capitalized(meaning))
        for key, meaning in words.OUTCOME_MEANING.items()
    ]
    changed = data.effects["setting"].unique().sort()
    rows += [(settings()[n].label, settings()[n].does) for n in changed if n in settings()]
    return Sheet("Words", ("Word", "Meaning"), rows)
