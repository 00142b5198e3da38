"""The page of a machine, and of a crop: each setting's effect field by field, and over the season."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import polars as pl
from chaffinch.dashboards import advice, words
from chaffinch.dashboards.changes import Outcome, outcome_of
from chaffinch.dashboards.effect_chart import effect_chart
from chaffinch.dashboards.parts import Drawn, Table, draw, rows_of
from chaffinch.dashboards.season_page import crops_of, pooled_name
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.declarations import settings

FORESTS = (
    ("machine_loss", "Machine loss"),
    ("separation_loss", "Separation loss"),
    ("cleaning_loss", "Cleaning loss"),
    ("throughput", "Throughput as driven"),
)
MOST_FIELDS_DRAWN = 10
SAME_CHANGE = ["setting", "from_value", "to_value", "per_step", "unit"]


@dataclass(frozen=True, slots=True)
class Labelled(Outcome):
    """An outcome that goes by the name of its field instead of by what was measured."""

    label: str = ""

    @property
    def words(self) -> str:
        return words.name_in_figure(self.label, 26)


def machine_context(machine: str, where: pl.DataFrame, effects: pl.DataFrame, farm: Farm) -> dict[str, Any]:
    """What the template shows of a machine: its fields' effects, with those of the season beside them.

    where : ``machine_fields`` of the lake. effects : the whole table.
    """
    mine = effects.filter(pl.col("machine") == machine)
    per_field = mine.filter(pl.col("scope") == "field")
    crops = crops_of(per_field)
    season = effects.filter((pl.col("scope") == "season") & pl.col("crop").is_in(crops))
    held = mine.filter(pl.col("scope") == "season")
    return _context(
        machine,
        "machine",
        "on this machine",
        where.filter(pl.col("machine") == machine),
        mine,
        per_field,
        season,
        held,
        farm,
    )


def crop_context(crop: str, where: pl.DataFrame, effects: pl.DataFrame, farm: Farm) -> dict[str, Any]:
    """The same for a crop, over machines."""
    mine = effects.filter(pl.col("crop") == crop)
    places = mine.select("machine", "field").unique()
    here = where.join(places, on=["machine", "field"], how="semi", nulls_equal=True)
    season = mine.filter(pl.col("scope") == "season")
    per_field = mine.filter(pl.col("scope") == "field")
    return _context(
        words.crop_label(crop), "crop", "in this crop", here, mine, per_field, season, season, farm
    )


def _context(
    title: str,
    kind: str,
    scope: str,
    where: pl.DataFrame,
    mine: pl.DataFrame,
    per_field: pl.DataFrame,
    season: pl.DataFrame,
    held: pl.DataFrame,
    farm: Farm,
) -> dict[str, Any]:
    names = per_field["setting"].unique().sort().to_list()
    cautions = [settings()[name].caution for name in names if name in settings() and settings()[name].caution]
    return {
        "title": title,
        "kind": kind,
        "scope": scope,
        "told": _told(held),
        "figures": [
            (heading, one)
            for outcome, heading in FORESTS
            if (one := _forest(outcome, heading, kind, per_field, season))
        ],
        "places": _places(where, mine, farm),
        "cautions": list(dict.fromkeys(cautions)),
        "open_questions": sorted(
            set(advice.WOULD_TELL) & set(per_field["reasons"].explode().drop_nulls().to_list())
        ),
    }


def _told(season: pl.DataFrame) -> list[str]:
    """A sentence for each change of a setting that clearly moved something over the season."""
    told = []
    for key, rows in _by_change(season):
        clear = [
            outcome_of(row)
            for row in rows.sort("crop", "outcome").iter_rows(named=True)
            if row["verdict"] in ("less", "more")
        ]
        crops = rows["crop"].drop_nulls().unique().sort().to_list()
        where = f" ({', '.join(words.crop_label(crop) for crop in crops)})" if crops else ""
        distinct = list(dict.fromkeys(outcome.phrase for outcome in clear))
        if distinct:
            told.append(f"{pooled_name(*key)}{where}: {'; '.join(distinct)}.")
    return told


def _by_change(effects: pl.DataFrame) -> Sequence[tuple[tuple[Any, ...], pl.DataFrame]]:
    ordered = effects.sort([*SAME_CHANGE, "machine", "field"], nulls_last=True)
    return list(ordered.group_by(SAME_CHANGE, maintain_order=True))


def _forest(
    outcome: str, heading: str, kind: str, per_field: pl.DataFrame, season: pl.DataFrame
) -> Drawn | None:
    """One group a change of a setting: the season first, then its fields; a table of them all."""
    rows = per_field.filter(pl.col("outcome") == outcome)
    pooled = season.filter(pl.col("outcome") == outcome)
    titled: list[tuple[list[str], list[Outcome]]] = []
    cells: list[list[str]] = []
    left_out = 0
    for key, own in _by_change(rows):
        name = pooled_name(*key)
        same = pl.all_horizontal(
            pl.col(column).eq_missing(pl.lit(value, own.schema[column]))
            for column, value in zip(SAME_CHANGE, key, strict=True)
        )
        labelled = [
            (_season_label(row), row)
            for row in pooled.filter(same).iter_rows(named=True)
            if not _is_of_one_field(row, own)
        ]
        fields_of = [(_field_label(row, kind), row) for row in own.iter_rows(named=True)]
        left_out += max(len(fields_of) - MOST_FIELDS_DRAWN, 0)
        drawn = [*labelled, *fields_of[:MOST_FIELDS_DRAWN]]
        titled.append(([words.name_in_figure(name, 42)], [_labelled(row, label) for label, row in drawn]))
        cells += [_cells(name, label, row) for label, row in [*labelled, *fields_of]]
    table = Table(
        f"{heading}, effect of each setting by field",
        ("Change", "Where", "Verdict", "Change, %", "95 % range, %", "Adjustments"),
        rows_of(cells),
    )
    more = f" {left_out} more fields are in the table alone." if left_out else ""
    description = (
        f"{heading}: effect of {len(titled)} changes over the season and in each field, with ranges.{more}"
    )
    return draw(effect_chart(titled), f"forest-{outcome.replace('_', '-')}", description, table)


def _is_of_one_field(season: dict[str, Any], own: pl.DataFrame) -> bool:
    """Whether the season's effect is that of a single field, and so would be drawn twice."""
    return own.height == 1 and season["log_ratio"] == own["log_ratio"][0]


def _labelled(row: dict[str, Any], label: str) -> Labelled:
    outcome = outcome_of(row)
    return Labelled(**{f.name: getattr(outcome, f.name) for f in fields(Outcome)}, label=label)


def _season_label(row: dict[str, Any]) -> str:
    return f"Season, {words.crop_label(row['crop']) if row['crop'] else 'all crops'}"


def _field_label(row: dict[str, Any], kind: str) -> str:
    field = row["field"] if row["field"] is not None else "No field named"
    return f"{field}, {row['machine']}" if kind == "crop" else field


def _cells(name: str, label: str, row: dict[str, Any]) -> list[str]:
    outcome = outcome_of(row)
    return [
        name,
        label,
        outcome.verdict,
        words.signed(outcome.percent) if outcome.percent is not None else "–",
        f"{words.signed(outcome.low)} to {words.signed(outcome.high)}"
        if outcome.low is not None and outcome.high is not None
        else "–",
        str(row["adjustments_pooled"] or 0),
    ]


def _places(where: pl.DataFrame, mine: pl.DataFrame, farm: Farm) -> list[dict[str, str]]:
    """The fields, latest first, with link and day."""
    adjusted = mine.filter(pl.col("scope") == "adjustment").select("machine", "field", "time").unique()
    counts = {(m, f): n for m, f, n in adjusted.group_by("machine", "field").len().iter_rows()}
    ordered = where.sort("first_time", "machine", "field", descending=[True, False, False])
    return [
        {
            "field": row["field"] if row["field"] is not None else "No field named",
            "machine": row["machine"],
            "day": words.day(row["first_time"], farm.zone_of(row["machine"])),
            "changes": str(counts.get((row["machine"], row["field"]), 0)),
            "href": words.field_href(row),
        }
        for row in ordered.iter_rows(named=True)
    ]
