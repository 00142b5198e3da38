"""The annex of the season report: every setting's worth, pooled effects, every change, the data, the words used."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl
from chaffinch.dashboards.figures.effect_pictures import effect_pictures
from chaffinch.dashboards.paper.blocks import (
    Band,
    Block,
    Bullets,
    Cell,
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
from chaffinch.dashboards.report.advice_part import BANDS, MOST_ADVICE, advice_cells, advice_columns
from chaffinch.dashboards.report.changes_part import changes_blocks, effect_cell
from chaffinch.dashboards.report.method_part import method_blocks
from chaffinch.dashboards.report.season_data import SeasonData
from chaffinch.dashboards.report.season_tables import SHOWN, Group, SettingEffects
from chaffinch.dashboards.report.worth import WeighedSeason, Worth
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.money import saved_in_words
from chaffinch.dashboards.words.shown_units import priced, units_of, with_range
from chaffinch.dashboards.words.terms import NARROW
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.declarations import reasons

MOST_FILES, MOST_RULES = 20, 12
SECTIONS = (
    ("worth", "Annex A. What each setting was worth"),
    ("settings", "Annex B. Settings over the season"),
    ("machines", "Annex C. Machine by machine"),
    ("changes", "Annex D. Every change"),
    ("quality", "Annex E. Data of this report"),
    ("method", "Annex F. Method and words"),
)
TITLES = dict(SECTIONS)


def annex_blocks(season: WeighedSeason) -> list[Block]:
    """Everything behind the client's part."""
    return [
        Heading(TITLES["worth"], 1, "worth", new_page=True),
        *_worth(season),
        Heading(TITLES["settings"], 1, "settings"),
        *_pooled(season.crops),
        Heading(TITLES["machines"], 1, "machines"),
        *_machines(season.machines),
        Heading(TITLES["changes"], 1, "changes"),
        *changes_blocks(season.by_field, season.data, season.farm),
        Heading(TITLES["quality"], 1, "quality"),
        *_quality(season.data),
        Heading(TITLES["method"], 1, "method"),
        *method_blocks(season),
    ]


def _worth(season: WeighedSeason) -> Iterator[Block]:
    farm = season.farm
    prices = [
        f"{words.crop_label(crop)} {priced(price, crop, farm)}" for crop, price in farm.prices.per_t.items()
    ]
    if farm.prices.machine_per_h:
        prices.append(f"a machine hour {farm.prices.machine_per_h:g} {farm.prices.currency}/h")
    stated = f" Prices from farm.toml: {', '.join(prices)}." if prices else ""
    yield Paragraph(
        line(
            "The settings now in force against those before them, on each machine in each crop, most money first. A "
            "setting that is back where it began is not listed, and nothing is added up: what two settings save "
            f"together is not the sum of what each saves.{stated}"
        )
    )
    if season.worths:
        unit = units_of(farm, None).mass_per_area[1]
        columns = [
            GridColumn("Setting", 2.6),
            GridColumn("Machine, crop", 1.1),
            GridColumn(f"Grain saved, {unit}", 1.3, right=True),
            GridColumn("Money", 3.3),
            GridColumn("Or capacity", 1.2, right=True),
        ]
        rows = [_worth_cells(w, farm) for w in season.worths]
        yield Grid("Settings now in force against those before", columns, rows, small=True)
    else:
        yield Paragraph(line("No setting can be valued yet."))
    shown: list[Sequence[Cell] | Band] = []
    for do, words_of in BANDS.items():
        mine = [advice_cells(one, farm) for one in season.advice if one.do == do]
        shown += [Band(line(words_of)), *mine] if mine else []
    if any(sum(one.do == do for one in season.advice) > most for do, most in MOST_ADVICE.items()):
        yield Heading("All advice for next season", 2)
        yield Grid("Every setting of every machine and crop", advice_columns(farm), shown, small=True)


def _worth_cells(one: Worth, farm: Farm) -> list[Cell]:
    units = units_of(farm, one.crop)
    money = words.capitalized(saved_in_words(one.saving, one.crop, farm)) if one.saving else "–"
    kg = with_range(one.saved_kg_ha, (units.mass_per_area[0], "")) if one.saved_kg_ha else "–"
    tone = ""
    if one.saved_kg_ha is not None and not one.saved_kg_ha[1] <= 0 <= one.saved_kg_ha[2]:
        tone = "better" if one.saved_kg_ha[0] > 0 else "worse"
    head, _, ends = kg.partition(" (")
    capacity = with_range(one.capacity_t_h, units.feed_rate) if one.capacity_t_h else "–"
    at_same_loss, _, span = capacity.partition(" (")
    return [
        cell(strong(one.line.title)),
        cell(one.machine, quiet(words.crop_label(one.crop))),
        cell((head.strip(f" {NARROW}"), tone), quiet(f"({ends}") if ends else ""),
        cell(money),
        cell(at_same_loss, quiet(f"({span}") if span else ""),
    ]


def _pooled(groups: Sequence[Group]) -> Iterator[Block]:
    yield Paragraph(
        line(
            "The same change of a setting, pooled over the fields of a crop; numeric settings are scaled to "
            f"one usual step up. Each bar is the 95{NARROW}% range, the mark the best estimate; halved and doubled "
            "are equally far from zero, and a bar without an end stroke continues."
        )
    )
    if not groups:
        yield Paragraph(
            line(
                "No effect could be pooled: every setting was changed together with others, or with too little "
                "steady work before or after."
            )
        )
    for group in groups:
        yield Heading(group.title, 2)
        titled = [
            (
                one.name,
                counted(one.adjustments, "adjustment"),
                [one.outcomes[n] for n in SHOWN if n in one.outcomes],
            )
            for one in group.settings
        ]
        for svg in effect_pictures(titled, f"Effects over the season, {group.title}"):
            yield Picture(svg, f"Effects over the season, {group.title}", 0.9)
        yield _effects_table(group, f"Pooled effects, {group.title}", with_crop=False)


def _machines(groups: Sequence[Group]) -> Iterator[Block]:
    yield Paragraph(line("What one step does on each machine, by the same model."))
    for group in groups:
        yield Heading(group.title, 2)
        yield _effects_table(group, f"Pooled effects on the machine, {group.title}", with_crop=True)
    if not groups:
        yield Paragraph(line("No effect could be pooled for one machine."))


def _effects_table(group: Group, caption: str, with_crop: bool) -> Grid:
    columns = [
        GridColumn("Setting", 2.4),
        *(GridColumn(f"{words.capitalized(words.OUTCOME_WORDS[name])}, %", 1.3) for name in SHOWN),
        GridColumn("Changes", 0.7, right=True),
    ]
    rows = [
        [
            cell(*_named(one, with_crop)),
            *(effect_cell(one.outcomes.get(name)) for name in SHOWN),
            cell(f"{one.adjustments}"),
        ]
        for one in group.settings
    ]
    return Grid(caption, columns, rows, small=True)


def _named(one: SettingEffects, with_crop: bool) -> list[Line]:
    crop = quiet(f" {words.crop_label(one.crop)}") if with_crop and one.crop else ""
    also = f"Also {'; '.join(o.phrase for o in one.also)}." if one.also else ""
    whole = line(one.name, crop)
    return [whole, *(line(quiet(text)) for text in [also] if text)]


def _quality(data: SeasonData) -> Iterator[Block]:
    ledger = data.deliveries
    counts = {name or "not judged": n for name, n in ledger.group_by("judgement").len().iter_rows()}
    judged = ", ".join(f"{counts[n]:,} {n}" for n in ("good", "look", "poor", "not judged") if n in counts)
    read, kept, aside = (int(ledger[f"rows_{n}"].sum() or 0) for n in ("read", "kept", "set_aside"))
    yield Paragraph(
        line(
            f"{ledger.height:,} files were judged: {judged}. Of {read:,} rows, {kept:,} were kept and {aside:,} set "
            "aside; no row was discarded."
        )
    )
    rules = (
        data.set_aside.sort("file", "row")
        .group_by("rule", maintain_order=True)
        .agg(
            pl.struct("delivery", "file", "row").n_unique().alias("rows"),
            pl.col("file").n_unique().alias("files"),
            pl.col("sentence", "row", "value").first(),
            pl.col("file").first().alias("first_file"),
        )
        .sort("rows", "rule", descending=[True, False])
    )
    rows = [
        [
            cell(words.reason_sentence(r["rule"]) if r["rule"] in reasons() else r["sentence"] or r["rule"]),
            cell(f"{r['rows']:,}"),
            cell(f"{r['files']:,}"),
            cell(f"{r['first_file']}, row {r['row']}: {(r['value'] or 'no value')[:60]}"),
        ]
        for r in rules.head(MOST_RULES).iter_rows(named=True)
    ]
    if rows:
        columns = [
            GridColumn("Reason", 3),
            GridColumn("Rows", 0.6, right=True),
            GridColumn("Files", 0.6, right=True),
            GridColumn("Example", 2.5),
        ]
        yield Grid("Rows set aside, by rule; a row may fail several", columns, rows, small=True)
    doubtful = ledger.filter(
        pl.col("judgement").is_in(["look", "poor"]) | (pl.col("findings").list.len() > 0)
    )
    listed = [
        line(strong(d["name"]), f": {' '.join(list(d['findings'] or []) or [d['reason'] or ''])}")
        for d in doubtful.iter_rows(named=True)
    ]
    listed += [
        line(strong(d["name"]), f": {d['reason'] or 'no reason recorded.'} Its year is unknown.")
        for d in data.undated.iter_rows(named=True)
    ]
    if listed:
        yield Heading("Files to check", 2)
        yield Bullets(listed[:MOST_FILES])
        if len(listed) > MOST_FILES:
            yield Paragraph(line(f"{len(listed) - MOST_FILES} more are in the .xlsx report."))
