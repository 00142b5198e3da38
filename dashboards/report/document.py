"""The page of the season report: everything in one file, for the screen and for print."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, cast

import polars as pl
from chaffinch.dashboards.figures.effect_pictures import effect_pictures
from chaffinch.dashboards.figures.theme import style_properties
from chaffinch.dashboards.report import season_words
from chaffinch.dashboards.report.season_data import FieldChanges, SeasonData
from chaffinch.dashboards.report.season_tables import SHOWN, Group, settings_changed
from chaffinch.dashboards.report.worth import WeighedSeason, Worth, lacking
from chaffinch.dashboards.templates import render
from chaffinch.dashboards.templates import text as template_text
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.confidence import DEFINITION
from chaffinch.dashboards.words.money import MEANING, saved_in_words
from chaffinch.dashboards.words.shown_changes import MAIN_OUTCOMES, ShownChange
from chaffinch.dashboards.words.shown_units import Ends, amount, priced, units_of, with_range
from chaffinch.dashboards.words.trial_words import ShownTrial, shown_trials
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.trials.answers.standing import standings
from chaffinch.schemas.declarations import reasons, settings

# A list of more changes than this would be dozens of pages; the sheets hold every one.
MOST_CHANGES = 400
MOST_FILES = 60
SECTIONS = (
    ("summary", "Summary"),
    ("settings", "Settings over the season"),
    ("machines", "Machine by machine"),
    ("worth", "What it was worth"),
    ("changes", "Every change"),
    ("fields", "Fields and harvest"),
    ("quality", "Data of this report"),
    ("method", "How the effects were found"),
    ("glossary", "Words used here"),
    ("cautions", "Before anyone touches the machine"),
)


def report_page(season: WeighedSeason, logo: str) -> bytes:
    """The report as one HTML file without scripts. ``logo``: a data URI, or empty."""
    data, farm = season.data, season.farm
    names = settings_changed([*season.crops, *season.machines])
    context: dict[str, Any] = {
        "year": data.year,
        "client": farm.client,
        "paragraphs": [p for p in farm.client.notes.split("\n\n") if p.strip()],
        "logo": logo,
        "style": _style(data, farm),
        "sections": SECTIONS,
        "facts": _facts(season),
        "trials": _trials(data),
        **_summary(season),
        "shown": [(name, words.OUTCOME_WORDS[name]) for name in SHOWN],
        "meanings": words.OUTCOME_MEANING,
        "outcome_words": words.OUTCOME_WORDS,
        "crop_label": words.crop_label,
        "crop_groups": [(group, _figures(group)) for group in season.crops],
        "machine_groups": season.machines,
        "worth": _worth(season.worths, farm),
        **_changes(season.by_field, farm),
        "places": _places(season),
        "quality": _quality(data),
        "words_used": [
            (settings()[name].label, settings()[name].does) for name in names if name in settings()
        ],
        "cautions": list(
            dict.fromkeys(settings()[n].caution for n in names if n in settings() and settings()[n].caution)
        ),
        "zones": _zones(data, farm),
        "estimated_again": data.estimated_again,
        "us": farm.units == "us",
    }
    return render("season_report", context, "")


def _trials(data: SeasonData) -> list[ShownTrial]:
    """Trials of the year: those of which something was done in it, and answers from its readings alone."""
    machines = data.where["machine"].unique().sort().to_list()
    found = standings(data.lake.scan("trials").collect(), data.effects, machines)
    return shown_trials([one for one in found if one.began is not None and one.began.year == data.year])


def last_moment(data: SeasonData) -> datetime:
    """The latest reading of the year: the date of the report, so that the same data give the same report."""
    return cast(datetime, data.where["last_time"].max())


def _style(data: SeasonData, farm: Farm) -> str:
    """The style sheet, with page size and the running header's words."""
    client = f"{farm.client.name} · " if farm.client.name else ""
    paper = "letter" if farm.units == "us" else "A4"
    head = css_text(f"{client}Season report {data.year}"[:90])
    sheet = template_text("season_report.css")
    return style_properties() + sheet.replace('"HEAD"', head).replace("PAPER", paper)


def css_text(text: str) -> str:
    """``text`` as a string of a style sheet: everything but letters and digits as its code point."""
    return (
        '"'
        + "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in text if ord(c) > 31)
        + '"'
    )


def _facts(season: WeighedSeason) -> list[tuple[str, str]]:
    data, farm = season.data, season.farm
    zones = {farm.zone_of(m) for m in data.where["machine"]}
    zone = zones.pop() if len(zones) == 1 else None
    first, last = data.where["first_time"].min(), data.where["last_time"].max()
    days = [words.day(cast(datetime, moment), zone) for moment in (first, last)]
    area = sum(cut.area_ha for cut in season.cuts)
    facts = [
        ("Machines", f"{data.where['machine'].n_unique():,}"),
        ("Fields", f"{data.where.select('machine', 'field').n_unique():,}"),
        ("Changes", f"{sum(len(one.changes) for one in season.by_field):,}"),
        ("Loss checks", f"{data.checks.height:,}"),
        ("From", days[0]),
        ("To", days[1]),
    ]
    return (
        [*facts[:2], ("Area in the logs", amount(area, units_of(farm, None).area)), *facts[2:]]
        if area > 0
        else facts
    )


def _summary(season: WeighedSeason) -> dict[str, Any]:
    rest = [
        season_words.still_open([*season.crops, *season.machines], season.worths),
        season_words.capacity_summary(season.worths),
        season_words.worth_summary(season.worths, season.farm),
        season_words.quality(season.data),
    ]
    return {
        "scope": season_words.scope(season.data, season.by_field),
        "findings": season_words.findings(season.crops),
        "rest": [sentence for sentence in rest if sentence],
    }


def _figures(group: Group) -> list[str]:
    titled = [
        (
            one.name,
            counted(one.adjustments, "adjustment"),
            [one.outcomes[name] for name in SHOWN if name in one.outcomes],
        )
        for one in group.settings
    ]
    return effect_pictures(titled, f"Effects over the season, {group.title}")


def _worth(worths: Sequence[Worth], farm: Farm) -> dict[str, Any]:
    """The settings now in force against those before as texts, most money first, and what is missing."""
    per_area = units_of(farm, None).mass_per_area
    rows = [
        {
            "title": w.line.title,
            "machine": w.machine,
            "crop": words.crop_label(w.crop),
            "kg_ha": with_range(w.saved_kg_ha, per_area) if w.saved_kg_ha else "–",
            "money": words.capitalized(saved_in_words(w.saving, w.crop, farm)) if w.saving else "–",
            "capacity": with_range(w.capacity_t_h, units_of(farm, w.crop).feed_rate)
            if w.capacity_t_h
            else "–",
            "tone": _tone(w.saved_kg_ha),
        }
        for w in worths
    ]
    kinds = dict.fromkeys(w.saving.by for w in worths if w.saving)
    per_h = farm.prices.machine_per_h
    return {
        "rows": rows,
        "meaning": [MEANING[kind] for kind in kinds],
        "definition": DEFINITION,
        "lacking": lacking(worths, farm),
        "prices": [
            (words.crop_label(crop), priced(price, crop, farm)) for crop, price in farm.prices.per_t.items()
        ],
        "machine_per_h": f"{per_h:g} {farm.prices.currency}/h" if per_h else "",
    }


def _where(machine: str, field: str | None, crop: str | None, time: datetime, farm: Farm) -> dict[str, Any]:
    """Place and day as tables show them."""
    return {
        "field": words.field_label(field),
        "machine": machine,
        "crop": words.crop_label(crop),
        "day": words.day(time, farm.zone_of(machine)),
    }


def _tone(saved: Ends | None) -> str:
    if saved is None or saved[1] <= 0 <= saved[2]:
        return "unclear"
    return "better" if saved[1] > 0 else "worse"


def _changes(by_field: Sequence[FieldChanges], farm: Farm) -> dict[str, Any]:
    """The changes by field; of a very long list only the clear ones, and how many more there are."""
    every = sum(len(one.changes) for one in by_field)
    blocks, listed = [], 0
    for one in by_field:
        kept = [c for c in one.changes if every <= MOST_CHANGES or c.clear][: MOST_CHANGES - listed]
        listed += len(kept)
        if kept:
            machine = one.row["machine"]
            where = _where(machine, one.row["field"], one.crop, one.row["first_time"], farm)
            blocks.append(where | {"rows": [_change_row(c, farm.zone_of(machine)) for c in kept]})
    return {
        "blocks": blocks,
        "columns": [(name, words.OUTCOME_WORDS[name]) for name in MAIN_OUTCOMES],
        "left_out": every - listed,
    }


def _change_row(change: ShownChange, zone: str | None) -> dict[str, Any]:
    refused = dict.fromkeys(code for o in change.outcomes if o.verdict == "cannot tell" for code in o.reasons)
    return {
        "clock": words.clock(change.time, zone),
        "title": change.title,
        "joint": len(change.settings) > 1,
        "cells": [change.outcome(name) for name in MAIN_OUTCOMES],
        "also": [o.phrase for o in change.clear if o.name not in MAIN_OUTCOMES],
        "why": [words.reason_sentence(code) for code in refused],
        "no_effect": not change.outcomes,
    }


def _places(season: WeighedSeason) -> list[dict[str, str]]:
    places = []
    for one, cut in zip(season.by_field, season.cuts, strict=True):
        row, units = one.row, units_of(season.farm, one.crop)
        known = cut.area_ha > 0 and cut.market_t > 0
        places.append(
            _where(row["machine"], row["field"], one.crop, row["first_time"], season.farm)
            | {
                "area": amount(cut.area_ha, units.area) if cut.area_ha > 0 else "–",
                "grain": amount(cut.market_t, units.grain) if cut.market_t > 0 else "–",
                "yield": amount(cut.yield_t_ha, units.grain_per_area) if known else "–",
                "changes": f"{len(one.changes):,}",
            }
        )
    return places


def _quality(data: SeasonData) -> dict[str, Any]:
    ledger = data.deliveries
    judged = ledger.group_by("judgement").len().sort("judgement", nulls_last=True)
    order = {"good": 0, "look": 1, "poor": 2}
    counts = sorted(judged.iter_rows(), key=lambda row: order.get(row[0], 3))
    rules = (
        data.set_aside.sort("file", "row")
        .group_by("rule", maintain_order=True)
        .agg(
            pl.struct("delivery", "file", "row").n_unique().alias("rows"),
            pl.col("file").n_unique().alias("files"),
            pl.col("sentence").first(),
            pl.col("file").first().alias("first_file"),
            pl.col("row").first(),
            pl.col("value").first(),
        )
        .sort("rows", "rule", descending=[True, False])
    )
    by_rule = [
        row
        | {
            "sentence": words.reason_sentence(row["rule"]) if row["rule"] in reasons() else row["sentence"],
            "file": row["first_file"],
            "value": (row["value"] or "")[:60],
        }
        for row in rules.iter_rows(named=True)
    ]
    doubtful = [
        row | {"sentences": list(row["findings"] or []) or [row["reason"] or ""]}
        for row in ledger.filter(
            pl.col("judgement").is_in(["look", "poor"]) | (pl.col("findings").list.len() > 0)
        ).iter_rows(named=True)
    ]
    return {
        "counts": [(name or "not judged", n) for name, n in counts],
        "rows_read": int(ledger["rows_read"].sum() or 0),
        "rows_kept": int(ledger["rows_kept"].sum() or 0),
        "rows_set_aside": int(ledger["rows_set_aside"].sum() or 0),
        "files": ledger.height,
        "rules": by_rule,
        "doubtful": doubtful[:MOST_FILES],
        "more_doubtful": max(len(doubtful) - MOST_FILES, 0),
        "unreadable": data.undated.select("name", "reason").to_dicts()[:MOST_FILES],
        "more_unreadable": max(data.undated.height - MOST_FILES, 0),
    }


def _zones(data: SeasonData, farm: Farm) -> str:
    """``UTC``, or each machine's zone."""
    zones = {name: farm.zone_of(name) or "UTC" for name in data.where["machine"].unique().sort()}
    if len(set(zones.values())) == 1:
        return next(iter(zones.values()))
    return "; ".join(f"{name}: {zone}" for name, zone in zones.items())
