"""The data of a page: rows set aside, deliveries, how readings were used, conditions."""

from __future__ import annotations

from typing import Any

import polars as pl
from chaffinch.dashboards.figures.parts import ShownTable, number, rows_of
from chaffinch.dashboards.words.shown_units import ShownUnits
from chaffinch.pipelines.work.facts import WorkFacts

WORK_WORDS = {
    "steady": "steady work, used",
    "lead_in": "start of a pass, while the machine fills",
    "lead_out": "end of a pass, while it empties",
    "turn": "turns and transport",
    "stop": "standing still",
    "away": "away from the field",
    "thin_crop": "hardly any crop",
    "no_flow": "no grain flow logged",
    "unloading": "steady work while unloading, used",
    "reversing": "reversing",
    "end_unlogged": "end of a pass, grain not logged",
    "cut_ground": "over ground already cut",
    "flow_outlier": "feed rate far from the field's",
    "speed_outlier": "implausible speed",
    "moisture_outlier": "moisture far from the field's",
    "yield_limit": "implausible yield",
    "neighbour_outlier": "yield far from the ground around",
    "short_segment": "too few seconds in a row",
    "steep_slope": "side slope over 20 %, not used",
    "gentle_slope": "gentler part of a steep field, not used",
}


def deliveries_of(deliveries: pl.DataFrame, machine: str, field: str | None) -> pl.DataFrame:
    """Deliveries with rows of a machine in a field."""
    mine = deliveries.filter(pl.col("machines").list.contains(machine))
    if field is None:
        return mine
    return mine.filter(
        pl.col("fields").list.contains(field)
        | (pl.col("fields").list.len() == 0)
        | pl.col("fields").is_null()
    )


def asides(set_aside: pl.DataFrame, deliveries: pl.DataFrame) -> list[dict[str, Any]]:
    """Rows set aside in these deliveries by file and rule, largest share of a file first.

    Each with ``file, rule, rows, share`` (of the file, %), ``value_only`` (the rest of the rows is used) and, of the
    first row, ``sentence, row, column, value``.
    """
    read = deliveries.select("delivery", "rows_read").unique("delivery")
    return (
        set_aside.join(read, on="delivery", how="inner")
        .sort("file", "rule", "row")
        .group_by("file", "rule", "rows_read", maintain_order=True)
        .agg(
            pl.col("row").n_unique().alias("rows"),
            (pl.col("row_kept").fill_null(0) == 1).all().alias("value_only"),
            pl.col("sentence", "row", "column", "value").first(),
        )
        .with_columns(share=100 * pl.col("rows") / pl.col("rows_read").clip(1))
        .sort("share", "rows", "file", "rule", descending=[True, True, False, False])
        .to_dicts()
    )


def work_shares(marked: pl.DataFrame) -> list[tuple[str, int, float]]:
    """(use of the readings, or why they are not used, readings, share in %), most first."""
    use = pl.coalesce("unused_because", "work_class").alias("use")
    counted = marked.group_by(use).len().sort("len", "use", descending=[True, False])
    total = max(marked.height, 1)
    return [(WORK_WORDS.get(name, name or "unknown"), n, 100 * n / total) for name, n in counted.iter_rows()]


def screening_table(found: WorkFacts) -> ShownTable:
    """Share of the readings left out by each rule, in the order of the published screening."""
    rows = [[step, sentence, number(share, 2)] for step, sentence, share in found.screening_rows()]
    rows.append(["All", "Published, maize and soybean: 13 to 20 %", number(found.left_out_pct, 2)])
    return ShownTable("Readings left out by screening", ("Step", "Rule", "% of readings"), rows_of(rows))


def conditions_table(found: WorkFacts, units: ShownUnits) -> ShownTable | None:
    """Steady work by bands of side slope, moisture and time of day; None where none is known."""
    if not found.conditions.height:
        return None
    rows = [
        [
            f"{r['kind'].capitalize()} {r['band']}" + (", not used" if r["apart"] else ""),
            number(r["share_pct"], 0),
            number(None if r["feed_t_h"] is None else r["feed_t_h"] * units.feed_rate[0], 1),
            number(r["loss_ratio"], 2),
        ]
        for r in found.conditions.iter_rows(named=True)
    ]
    columns = (
        "Condition",
        "% of steady work",
        f"Median grain feed rate, {units.feed_rate[1]}",
        "Loss per feed rate, 1 = the field's median",
    )
    return ShownTable("Steady work by conditions", columns, rows_of(rows))
