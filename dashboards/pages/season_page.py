"""The season: effects pooled over fields, by machine and crop."""

from __future__ import annotations

from typing import Any

import polars as pl
from chaffinch.dashboards.figures.effect_chart import Row, by_worth, effect_chart, rows_of_outcomes
from chaffinch.dashboards.figures.parts import Folded, ShownTable, draw, rows_of
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.links import crop_href, machine_href
from chaffinch.dashboards.words.shown_changes import MAIN_OUTCOMES, Outcome, outcome_of


def season_context(where: pl.DataFrame, tables: dict[str, pl.DataFrame]) -> dict[str, Any]:
    """What the template of the season page shows: one group a machine and crop, pooled groups first."""
    effects = tables["effects"].filter(pl.col("scope") == "season")
    groups = []
    keys = effects.select("machine", "crop").unique().sort("machine", "crop", nulls_last=False)
    for number, (machine, crop) in enumerate(keys.iter_rows(), 1):
        mine = effects.filter(
            pl.col("machine").eq_missing(pl.lit(machine)), pl.col("crop").eq_missing(pl.lit(crop))
        )
        title = f"{machine or 'All machines'}, {words.crop_label(crop) if crop else 'all crops'}"
        groups.append({"title": title, "id": f"group-{number}", "figures": _figures(mine, number, title)})
    return {
        "groups": groups,
        "machines": [(name, machine_href(name)) for name in where["machine"].unique().sort()],
        "crops": [(words.crop_label(name), crop_href(name)) for name in crops_of(effects)],
    }


def crops_of(effects: pl.DataFrame) -> list[str]:
    """Crops that any effect was estimated in, sorted."""
    return effects["crop"].drop_nulls().unique().sort().to_list()


def _figures(effects: pl.DataFrame, number: int, title: str) -> Folded:
    """What is at least likely, the setting with the largest effect first, and what is open."""
    groups = []
    rows_by_outcome: dict[Any, dict[str, Any]] = {}
    by_setting = effects.sort("setting", "from_value", "to_value").group_by(
        "setting", "from_value", "to_value", "joint_id", "per_step", "unit", maintain_order=True
    )
    for (setting, before, after, joint, step, unit), rows in by_setting:
        key = (words.pooled_name(setting, before, after, step, unit), joint)
        own = {row["outcome"]: row for row in rows.iter_rows(named=True)}
        rows_by_outcome[key] = own
        groups.append((key, [outcome_of(own[o]) for o in words.OUTCOME_WORDS if o in own]))
    parts = []
    for is_open in (False, True):
        titled: list[tuple[list[str], list[Row]]] = []
        cells = []
        notes: dict[str, int] = {}
        for key, outcomes in by_worth(groups, is_open):
            own = rows_by_outcome[key]
            pooled = max((own[o.name]["adjustments_pooled"] or 0 for o in outcomes), default=0)
            lines = [
                words.name_in_figure(key[0], 42),
                f"from {pooled} adjustment{'s' if pooled != 1 else ''}",
            ]
            titled.append((lines, rows_of_outcomes([o for o in outcomes if o.name in MAIN_OUTCOMES])))
            cells += [_cells(key[0], o, own[o.name], notes) for o in outcomes]
        table = ShownTable(
            f"Pooled effects, {title}{', open' if is_open else ''}",
            ("Setting", "Outcome", "Verdict", "Change, %", "95 % range, %", "Adjustments", "Notes"),
            rows_of(cells),
            tuple(words.reason_sentence(code) for code in notes),
        )
        about = f"Pooled effects of {len(titled)} settings, {title}."
        identity = f"season-{number}-open" if is_open else f"season-{number}"
        parts.append(draw(effect_chart(titled), identity, about, table))
    return Folded(title, *parts)


def _cells(name: str, outcome: Outcome, row: dict[str, Any], notes: dict[str, int]) -> list[str]:
    """notes : reason codes with their numbers, to which new ones are added."""
    return [
        name,
        outcome.words,
        *outcome.cells,
        str(row["adjustments_pooled"] or 0),
        ", ".join(str(notes.setdefault(code, len(notes) + 1)) for code in outcome.reasons) or "–",
    ]
