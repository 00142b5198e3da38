"""The page of a machine or a crop: each setting's effect, what it depends on, the values in use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl
from chaffinch.dashboards.figures.dependence import LEAST_CHANGES, LOSS_MARKS, dependence
from chaffinch.dashboards.figures.forest import EffectRows, by_change, by_step, forest
from chaffinch.dashboards.figures.response_curve import drawn_responses
from chaffinch.dashboards.pages.field_answers import answer_lines, meaning_of_money
from chaffinch.dashboards.pages.field_facts import Facts, hours_at_values, single_effects
from chaffinch.dashboards.pages.season_page import crops_of
from chaffinch.dashboards.start_sheet.usual import Usual, usual_position
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.instruction import Instruction, instruction_for
from chaffinch.dashboards.words.links import field_href
from chaffinch.dashboards.words.machine_lines import MachineLines
from chaffinch.dashboards.words.shown_changes import outcome_of
from chaffinch.dashboards.words.shown_units import units_of
from chaffinch.dashboards.words.trial_words import SettingTrial
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.estimate.responses.best_value import best_values
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.declarations import settings

FORESTS = (
    ("machine_loss", "Machine loss"),
    ("separation_loss", "Separation loss"),
    ("cleaning_loss", "Cleaning loss"),
    ("throughput", "Throughput as driven"),
    ("capacity", "Capacity"),
)
MOST_DEPENDENCES, LEAST_DRAWN = 6, 3
LOSSES_DRAWN = tuple(outcome for outcome, *_ in LOSS_MARKS)


@dataclass(frozen=True, slots=True)
class Lot:
    """What the pages of machines and crops are made from.

    where : ``machine_fields`` of the lake with ``href`` of each page. effects : the whole table, with the
    ``href`` of the field's page on rows of adjustments. facts : by ``href``. responses : the whole table.
    answered : lines of each machine, by crop. trials : of its settings, by machine and crop.
    """

    where: pl.DataFrame
    effects: pl.DataFrame
    facts: Mapping[str, Facts]
    responses: pl.DataFrame
    answered: Mapping[str, list[MachineLines]]
    trials: Mapping[tuple[str, str | None], Mapping[str, SettingTrial]]


def lot_of(
    where: pl.DataFrame,
    all_tables: Mapping[str, pl.DataFrame],
    facts: Mapping[str, Facts],
    trials: Mapping[tuple[str, str | None], Mapping[str, SettingTrial]],
    lines: Sequence[MachineLines],
) -> Lot:
    """Join pages to places and adjustments. all_tables : effects, responses. lines : of all machines."""
    effects = all_tables["effects"]
    answered: dict[str, list[MachineLines]] = {}
    for one in lines:
        answered.setdefault(one.machine, []).append(one)
    hrefs = [field_href(row) for row in where.iter_rows(named=True)]
    placed = where.with_columns(pl.Series("href", hrefs, dtype=pl.String))
    day = placed["day"] if "day" in placed.columns else pl.Series("day", [None] * placed.height)
    pages = placed.select("machine", "field", "href", day.cast(pl.Date).alias("day"))
    of_day = pl.when(pl.col("field").is_null()).then(pl.col("time").dt.date()).alias("day")
    joined = effects.with_columns(of_day).join(
        pages, on=["machine", "field", "day"], how="left", nulls_equal=True, maintain_order="left"
    )
    return Lot(placed, joined.drop("day"), facts, all_tables["responses"], answered, trials)


def lot_of_machine(lot: Lot, machine: str, mine: pl.DataFrame, pooled: pl.DataFrame) -> Lot:
    """What of ``lot`` the page of a machine shows. mine : its effects. pooled : those of all machines together."""
    where = lot.where.filter(pl.col("machine") == machine)
    return Lot(
        where,
        pl.concat([mine, pooled]),
        {href: lot.facts[href] for href in where["href"] if href in lot.facts},
        lot.responses.filter(pl.col("machine") == machine),
        {machine: lot.answered.get(machine, [])},
        {key: of for key, of in lot.trials.items() if key[0] == machine},
    )


@dataclass(frozen=True, slots=True)
class GroupJob:
    """One page to make. digest : of its inputs. kind, name, lot : arguments of ``machine_context`` or
    ``crop_context``. more : further values for the template."""

    page: str
    digest: str
    kind: str
    name: str
    lot: Lot
    more: Mapping[str, Any]

    def make(self, farm: Farm) -> bytes:
        from chaffinch.dashboards.templates import render

        context = machine_context if self.kind == "machine" else crop_context
        return render("group", {**context(self.name, self.lot, farm), **self.more}, "../")


def machine_context(machine: str, lot: Lot, farm: Farm) -> dict[str, Any]:
    """What the template shows of a machine: the effects in its fields and those of the season."""
    mine = lot.effects.filter(pl.col("machine") == machine)
    per_field = mine.filter(pl.col("scope") == "field")
    season = lot.effects.filter((pl.col("scope") == "season") & pl.col("crop").is_in(crops_of(per_field)))
    season = pl.concat(
        [mine.filter(pl.col("scope") == "machine"), season.filter(pl.col("machine").is_null())]
    )
    changed = per_field["setting"].unique()
    season = season.filter(pl.col("setting").is_in(changed))
    rows = EffectRows(by_step(per_field, season, farm), season, _single(mine))
    where = lot.where.filter(pl.col("machine") == machine)
    return {
        "title": machine,
        "kind": "machine",
        "scope": "on this machine",
        "answered": _answered(machine, lot, farm),
        "clear": _clear(season, one_crop=False),
        **_context("machine", where, mine, rows, lot, farm),
    }


def crop_context(crop: str, lot: Lot, farm: Farm) -> dict[str, Any]:
    """The same for a crop, over machines."""
    mine = lot.effects.filter(pl.col("crop") == crop)
    places = mine.select("machine", "field").unique()
    here = lot.where.join(places, on=["machine", "field"], how="semi", nulls_equal=True)
    season = mine.filter(pl.col("scope") == "season")
    per_field = by_step(mine.filter(pl.col("scope") == "field"), season, farm)
    rows = EffectRows(per_field, season, _single(mine))
    return {
        "title": words.crop_label(crop),
        "kind": "crop",
        "scope": "in this crop",
        "answered": [],
        "clear": _clear(season, one_crop=True),
        **_context("crop", here, mine, rows, lot, farm),
    }


def _answered(machine: str, lot: Lot, farm: Farm) -> list[dict[str, Any]]:
    """Of each crop, the latest first: the last change, what to do now, every other change of the machine as lines,
    those of trials first, then most money first, and the response curves of its settings."""
    found: list[dict[str, Any]] = []
    latest = sorted(lot.answered.get(machine, []), key=lambda one: one.lines[0].last_time, reverse=True)
    for one in latest:
        here = pl.col("crop").eq_missing(pl.lit(one.crop, pl.String))
        responses = lot.responses.filter(here, pl.col("machine") == machine)
        known = next((curve for curve in one.curves if curve is not None), None)
        trials = lot.trials.get((machine, one.crop), {})
        best = best_values(responses)
        instruction = instruction_for(one.lines, best, trials)
        last, *others = answer_lines(one.lines, one.curves, one.crop, farm)
        now = instruction_for(one.lines[:1], best, trials)
        # Trials lead; then what is worth most.
        lines = sorted(others, key=lambda line: (line.trial is not None, line.weight), reverse=True)
        in_force = [line for line in lines if not line.undone]
        found.append(
            {
                "crop": words.crop_label(one.crop),
                "last": {
                    "line": last,
                    "do": _of_last(now, instruction),
                    **_place_of(machine, one.lines[0].last_time, lot, farm),
                },
                "instruction": instruction,
                "lines": [line for line in in_force if line.trial or not line.open],
                "open": [line for line in in_force if line.open and not line.trial],
                "undone": [line for line in lines if line.undone],
                "best": drawn_responses(responses, f"response-{len(found) + 1}"),
                "meaning": meaning_of_money(known, one.crop, farm),
            }
        )
    return found


def _of_last(now: Instruction | None, instruction: Instruction | None) -> str:
    """What to do with the setting changed last, where the instruction is about another; one trial at a time."""
    if now is None or instruction is None or now.line == instruction.line:
        return ""
    return "Leave it as it is for now" if now.is_trial else now.do


def _place_of(machine: str, moment: datetime, lot: Lot, farm: Farm) -> dict[str, Any]:
    """Day, field and page of a change."""
    rows = lot.effects.filter(
        pl.col("scope") == "adjustment", pl.col("machine") == machine, pl.col("time") == moment
    )
    field, href = rows.select("field", "href").row(0) if rows.height else (None, None)
    return {"day": words.day(moment, farm.zone_of(machine)), "field": field, "href": href}


def _single(mine: pl.DataFrame) -> pl.DataFrame:
    return mine.filter((pl.col("scope") == "adjustment") & pl.col("joint_id").is_null())


def _context(
    kind: str, where: pl.DataFrame, mine: pl.DataFrame, rows: EffectRows, lot: Lot, farm: Farm
) -> dict[str, Any]:
    names = rows.per_field["setting"].unique().sort().to_list()
    cautions = [settings()[name].caution for name in names if name in settings() and settings()[name].caution]
    facts = {href: lot.facts[href] for href in where["href"] if href in lot.facts}
    figures = [one for outcome, heading in FORESTS if (one := forest(outcome, heading, kind, rows, farm))]
    return {
        "figures": figures,
        "dependences": _dependences(rows, facts, farm),
        "in_use": _in_use(where, facts, farm),
        "places": _places(where, mine, farm),
        "cautions": list(dict.fromkeys(cautions)),
    }


def _clear(season: pl.DataFrame, one_crop: bool) -> list[dict[str, Any]]:
    """Each change of a setting with a clear effect over the season, and its clear outcomes.

    season : pooled rows, of one machine, of all together (machine null), or both, which are then told apart.
    """
    listed = []
    for key, both in by_change(season):
        for (machine,), rows in both.sort("machine", nulls_last=True).group_by(
            "machine", maintain_order=True
        ):
            clear = [
                outcome_of(row)
                for row in rows.sort("crop", "outcome").iter_rows(named=True)
                if row["verdict"] in ("less", "more")
            ]
            crops = [] if one_crop else rows["crop"].drop_nulls().unique().sort().to_list()
            where = [words.crop_label(crop) for crop in crops]
            where += [machine or "all machines"] if both["machine"].n_unique() > 1 else []
            about = f" ({', '.join(where)})" if where else ""
            distinct = {outcome.phrase: outcome for outcome in clear}
            if distinct:
                listed.append(
                    {"name": f"{words.pooled_name(*key)}{about}", "outcomes": list(distinct.values())}
                )
    return listed


def _dependences(rows: EffectRows, facts: Mapping[str, Facts], farm: Farm) -> dict[str, Any]:
    """``drawn``: (change of a setting, sentences, figures), those with most adjustments first; ``few``: the rest."""
    crops = {noted["crop"] for noted in facts.values()}
    units = units_of(farm, crops.pop() if len(crops) == 1 else None)
    pooled = {key for key, _ in by_change(pl.concat([rows.season, rows.per_field]))}
    points = single_effects(rows.adjustments, units.feed_rate[0], facts, pooled, farm)
    losses = {key: [p for p in own if p.outcome in LOSSES_DRAWN] for key, own in points.items()}
    counts = {key: len({p.where for p in own}) for key, own in losses.items()}
    drawn, few = [], []
    for number, key in enumerate(sorted(losses, key=lambda k: (-counts[k], str(k))), 1):
        if counts[key] < LEAST_DRAWN or number > MOST_DEPENDENCES:
            few += (
                [f"{words.pooled_name(*key)} ({counted(counts[key], 'adjustment')})"] if counts[key] else []
            )
            continue
        name = words.pooled_name(*key)
        sentences, figures = dependence(name, f"depends-{number}", losses[key], units.feed_rate[1])
        drawn.append((name, sentences, figures))
    return {"drawn": drawn, "few": few, "least": LEAST_CHANGES}


def _in_use(where: pl.DataFrame, facts: Mapping[str, Facts], farm: Farm) -> list[dict[str, Any]]:
    """The values of each setting in each crop, with hours, and the usual ones."""
    machines = {name: farm.machines.get(name) for name in where["machine"].unique()}
    diameters = {stated.drum_diameter_m if stated else None for stated in machines.values()}
    diameter = diameters.pop() if len(diameters) == 1 else None
    rows = []
    order = {name: place for place, name in enumerate(settings())}
    used = {key: hours for key, hours in hours_at_values(facts.values()).items() if key[1] in order}
    for (crop, name), hours in sorted(used.items(), key=lambda item: (item[0][0] or "", order[item[0][1]])):
        usual: Usual | None = usual_position(settings()[name], crop, diameter, farm.units)
        rows.append(
            {
                "crop": words.crop_label(crop),
                "setting": settings()[name].label,
                "values": [(value, words.significant(spent)) for value, spent in hours.items()],
                "usual": usual,
                "outside": usual.outside(hours) if usual else None,
            }
        )
    return rows


def _places(where: pl.DataFrame, mine: pl.DataFrame, farm: Farm) -> list[dict[str, str]]:
    """The fields, latest first, with link and day."""
    change = pl.coalesce("joint_id", pl.col("time").dt.to_string("iso"))
    adjusted = mine.filter(pl.col("scope") == "adjustment").select("href", change).unique()
    counts = dict(adjusted.group_by("href").len().iter_rows())
    ordered = where.sort("first_time", "machine", "field", descending=[True, False, False])
    return [
        {
            "field": words.field_label(row["field"]),
            "machine": row["machine"],
            "day": words.day(row["first_time"], farm.zone_of(row["machine"])),
            "changes": str(counts.get(row["href"], 0)),
            "href": row["href"],
        }
        for row in ordered.iter_rows(named=True)
    ]
