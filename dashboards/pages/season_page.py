"""The season: effects pooled over fields, by machine and crop."""

from __future__ import annotations

from typing import Any

import polars as pl
from chaffinch.dashboards.figures.effect_chart import Row, effect_chart, rows_of_outcomes
from chaffinch.dashboards.figures.parts import ShownTable, draw, rows_of
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.links import crop_href, machine_href
from chaffinch.dashboards.words.shown_changes import MAIN_OUTCOMES, Outcome, outcome_of
from chaffinch.pipelines.farm import Farm


def season_context(where: pl.DataFrame, tables: dict[str, pl.DataFrame], farm: Farm) -> dict[str, Any]:
    """What the template of the season page shows: one group a machine and crop, pooled groups first."""
    effects = tables["effects"].filter(pl.col("scope") == "season")
    groups = []
    keys = effects.select("machine", "crop").unique().sort("machine", "crop", nulls_last=False)
    for number, (machine, crop) in enumerate(keys.iter_rows(), 1):
        mine = effects.filter(
            pl.col("machine").eq_missing(pl.lit(machine)), pl.col("crop").eq_missing(pl.lit(crop))
        )
        title = f"{machine or 'All machines'}, {words.crop_label(crop) if crop else 'all crops'}"
        groups.append({"title": title, "id": f"group-{number}", "figure": _figure(mine, number, title)})
    return {
        "groups": groups,
        "machines": [(name, machine_href(name)) for name in where["machine"].unique().sort()],
        "crops": [(words.crop_label(name), crop_href(name)) for name in crops_of(effects)],
    }


def crops_of(effects: pl.DataFrame) -> list[str]:
    """Crops that any effect was estimated in, sorted."""
    return effects["crop"].drop_nulls().unique().sort().to_list()


def _figure(effects: pl.DataFrame, number: int, title: str) -> Any:
    titled: list[tuple[list[str], list[Row]]] = []
    cells = []
    by_setting = effects.sort("setting", "from_value", "to_value").group_by(
        "setting", "from_value", "to_value", "joint_id", "per_step", "unit", maintain_order=True
    )
    for (setting, before, after, _, step, unit), rows in by_setting:
        name = words.pooled_name(setting, before, after, step, unit)
        outcomes = {row["outcome"]: (outcome_of(row), row) for row in rows.iter_rows(named=True)}
        listed = [outcomes[o] for o in MAIN_OUTCOMES if o in outcomes]
        pooled = max((row["adjustments_pooled"] or 0 for _, row in listed), default=0)
        lines = [words.name_in_figure(name, 42), f"from {pooled} adjustment{'s' if pooled != 1 else ''}"]
        titled.append((lines, rows_of_outcomes([outcome for outcome, _ in listed])))
        cells += [_cells(name, *outcomes[o]) for o in words.OUTCOME_WORDS if o in outcomes]
    table = ShownTable(
        f"Pooled effects, {title}",
        ("Setting", "Outcome", "Verdict", "Change, %", "95 % range, %", "Adjustments", "Why or remark"),
        rows_of(cells),
    )
    figure = effect_chart(titled)
    return draw(figure, f"season-{number}", f"Pooled effects of {len(titled)} settings, {title}.", table)


def _cells(name: str, outcome: Outcome, row: dict[str, Any]) -> list[str]:
    return [
        name,
        outcome.words,
        *outcome.cells,
        str(row["adjustments_pooled"] or 0),
        " ".join(words.reason_sentence(code) for code in outcome.reasons) or "–",
    ]
