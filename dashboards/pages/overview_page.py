"""The overview: what needs attention, then every field job with its verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.links import field_href, machine_href
from chaffinch.dashboards.words.machine_lines import MachineLines
from chaffinch.dashboards.words.settings_that_cost import settings_that_cost
from chaffinch.dashboards.words.shown_changes import of_field
from chaffinch.dashboards.words.terms import tone
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.trials.answers.worth_trying import Suggestion
from chaffinch.schemas.tables import VERDICTS
from chaffinch.sql import run_query

MOST_SHOWN = 7
COUNTED_OUTCOMES = ("separation_loss", "cleaning_loss")


@dataclass(frozen=True, slots=True)
class Attention:
    """One thing to check: what it is about, what is wrong, a page of the site or none."""

    about: str
    sentence: str
    href: str | None = None
    do: str = ""


def costly_settings(
    tables: dict[str, pl.DataFrame],
    farm: Farm,
    suggested: Sequence[Suggestion],
    lines: Sequence[MachineLines],
) -> list[Attention]:
    """Settings in force that likely raise a loss, most money first, each with what to do.

    tables : effects, responses, trials. suggested : trials that would pay. lines : of all machines.
    """
    return [
        Attention(
            f"{one.machine}, {words.crop_label(one.crop)}", one.sentence, machine_href(one.machine), one.do
        )
        for one in settings_that_cost(tables, farm, suggested, lines)
    ]


def index_context(
    where: pl.DataFrame, tables: dict[str, pl.DataFrame], farm: Farm, worse: Sequence[Attention]
) -> dict[str, Any]:
    """What the template of the overview shows.

    where : ``machine_fields`` of the lake. tables : effects, responses, loss_curves, adjustments, deliveries,
    set_aside, fields. worse : of ``costly_settings``.
    """
    counted = (pl.col("scope") == "adjustment") & pl.col("outcome").is_in(COUNTED_OUTCOMES)
    effects = Places.of(tables["effects"].filter(counted))
    overview = run_query(
        "season_overview",
        {"field_jobs": where.with_columns(pl.col("day").cast(pl.String)), "effects": tables["effects"]},
        order="first_time desc, machine, field nulls first",
    ).to_dicts()
    rows = [_row(row, farm) for row in overview]
    attention = list(worse)
    attention += _of_deliveries(tables["deliveries"], farm)
    attention += [one for row in overview for one in _of_field(row, effects.at(row))]
    ledger = tables["deliveries"]
    return {
        "client": farm.client.name,
        "attention": attention[:MOST_SHOWN],
        "more_attention": attention[MOST_SHOWN:],
        "act": bool(worse),
        "rows": rows,
        "verdict_fields": [
            (verdict, n) for verdict in VERDICTS if (n := sum(verdict in dict(row["counts"]) for row in rows))
        ],
        "machines": sorted({row["machine"] for row in rows}),
        "tones": {verdict: tone(COUNTED_OUTCOMES[0], verdict) for verdict in VERDICTS},
        "files": ledger.height,
        "rows_read": int(ledger["rows_read"].sum() or 0),
        "rows_set_aside": int(ledger["rows_set_aside"].sum() or 0),
    }


def _of_deliveries(deliveries: pl.DataFrame, farm: Farm) -> list[Attention]:
    found = []
    latest = deliveries.sort("last_time", "name", descending=[True, False], nulls_last=False)
    for row in latest.iter_rows(named=True):
        if row["status"] == "could not be read":
            found.append(Attention(row["name"], row["reason"] or "The file could not be read."))
            continue
        share = 100 * (row["rows_set_aside"] or 0) / max(row["rows_read"] or 0, 1)
        if share >= farm.thresholds.set_aside_pct:
            rows = f"{row['rows_set_aside']:,} of {row['rows_read']:,} rows"
            sentence = f"{rows} ({share:.0f} %) were set aside."
            found.append(Attention(row["name"], sentence))
        if row["judgement"] in ("look", "poor") or row["findings"]:
            sentence = " ".join(row["findings"] or ()) or row["reason"] or f"Judged {row['judgement']}."
            found.append(Attention(row["name"], sentence))
    return found


def _of_field(row: dict[str, Any], losses: pl.DataFrame) -> list[Attention]:
    """A field whose losses no change could be judged by."""
    if losses.is_empty() or not (losses["verdict"] == "cannot tell").all():
        return []
    commonest = losses["reasons"].explode().drop_nulls().mode().sort()
    why = words.reason_sentence(commonest[0]) if commonest.len() else ""
    name = f"{words.field_label(row['field'])}, {row['machine']}"
    return [Attention(name, f"No effect on loss could be estimated here. {why}", field_href(row))]


def _row(row: dict[str, Any], farm: Farm) -> dict[str, Any]:
    """A row of ``season_overview`` in the list, with how often each verdict was given."""
    zone = farm.zone_of(row["machine"])
    counts = [(verdict, n) for verdict in VERDICTS if (n := row[verdict.replace(" ", "_")])]
    crop = words.crop_label(row["crop"]) if row["crop"] else ""
    day = words.day(row["first_time"], zone)
    iso_day = row["first_time"].astimezone(words.zone(zone)).date().isoformat()
    found_by = [row["field"] or "", row["machine"], crop, day, iso_day, *(verdict for verdict, _ in counts)]
    return {
        "field": words.field_label(row["field"]),
        "machine": row["machine"],
        "crop": crop,
        "day": day,
        "changes": row["changes"],
        "counts": counts,
        "href": field_href(row),
        "machine_href": machine_href(row["machine"]),
        "search": " ".join(found_by).casefold(),
    }


@dataclass(frozen=True, slots=True)
class Places:
    """Rows of ``effects`` by machine and field, so that a thousand pages need no search each."""

    by_place: dict[tuple[Any, ...], pl.DataFrame]
    none: pl.DataFrame

    @classmethod
    def of(cls, effects: pl.DataFrame) -> Places:
        return cls(effects.partition_by("machine", "field", as_dict=True), effects.clear())

    def at(self, row: dict[str, Any]) -> pl.DataFrame:
        """The rows of a row of ``machine_fields``."""
        here = self.by_place.get((row["machine"], row["field"]), self.none)
        return here if row.get("day") is None else here.filter(of_field(row))
