"""What was set aside and why, and how the files of a machine-field were read."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from chaffinch.dashboards.figures.parts import Table, number, rows_of
from chaffinch.dashboards.words.shown_units import ShownUnits
from chaffinch.pipelines.work.facts import WorkFacts

WORK_WORDS = {
    "steady": "steady work, used",
    "lead_in": "start of a pass, while the machine fills",
    "lead_out": "end of a pass, while it empties",
    "turn": "turns and ways",
    "stop": "standing",
    "away": "away from the field",
    "thin_crop": "hardly any crop",
    "no_flow": "no grain flow logged",
    "unloading": "steady work while the tank is emptied, used",
    "reversing": "going backwards",
    "end_unlogged": "end of a pass whose grain is not logged",
    "cut_ground": "over ground that was cut before",
    "flow_outlier": "feed rate far from the field's",
    "speed_outlier": "speed at which no combine cuts",
    "moisture_outlier": "moisture far from the field's",
    "yield_limit": "yield that the crop can't have",
    "neighbour_outlier": "yield unlike that of the ground around",
    "short_segment": "too short a stretch between others",
    "steep_slope": "side slope over 20 %, kept apart",
    "gentle_slope": "gentler ground of a steep field, kept apart",
}


@dataclass(frozen=True, slots=True)
class Aside:
    """Rows of one file that failed one rule."""

    file: str
    rule: str
    rows: int
    sentence: str
    first_row: int
    column: str
    example: str


def deliveries_of(deliveries: pl.DataFrame, machine: str, field: str | None) -> pl.DataFrame:
    """Deliveries that hold something of a machine-field."""
    mine = deliveries.filter(pl.col("machines").list.contains(machine))
    if field is None:
        return mine
    return mine.filter(
        pl.col("fields").list.contains(field)
        | (pl.col("fields").list.len() == 0)
        | pl.col("fields").is_null()
    )


def asides(set_aside: pl.DataFrame, deliveries: pl.DataFrame) -> list[Aside]:
    """Rows set aside in these deliveries by file and rule, most first."""
    grouped = (
        set_aside.join(deliveries.select("delivery").unique(), on="delivery", how="semi")
        .sort("file", "rule", "row")
        .group_by("file", "rule", maintain_order=True)
        .agg(
            pl.col("row").n_unique().alias("rows"),
            pl.col("sentence").first(),
            pl.col("row").first().alias("first_row"),
            pl.col("column").first().fill_null(""),
            pl.col("value").first().fill_null("").alias("example"),
        )
        .sort("rows", "file", "rule", descending=[True, False, False])
    )
    return [
        Aside(r["file"], r["rule"], r["rows"], r["sentence"], r["first_row"], r["column"], r["example"][:120])
        for r in grouped.iter_rows(named=True)
    ]


def work_shares(marked: pl.DataFrame) -> list[tuple[str, int, float]]:
    """(what readings were used for, or why they were not, readings, share in %), most first."""
    use = pl.coalesce("unused_because", "work_class").alias("use")
    counted = marked.group_by(use).len().sort("len", "use", descending=[True, False])
    total = max(marked.height, 1)
    return [(WORK_WORDS.get(name, name or "unknown"), n, 100 * n / total) for name, n in counted.iter_rows()]


def screening_table(found: WorkFacts) -> Table:
    """Shares of the readings that each rule leaves out, in the order of the published screening."""
    rows = [[step, sentence, number(share, 2)] for step, sentence, share in found.screening_rows()]
    rows.append(["All", "Published, maize and soybean: 13 to 20 %", number(found.left_out.left_out_pct, 2)])
    return Table("What screening leaves out", ("Step", "Rule", "% of readings"), rows_of(rows))


def conditions_table(found: WorkFacts, units: ShownUnits) -> Table | None:
    """Steady work by bands of side slope, moisture and time of day; None where none is known."""
    if not found.conditions.height:
        return None
    rows = [
        [
            f"{r['kind'].capitalize()} {r['band']}" + (", kept apart" if r["apart"] else ""),
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
    return Table("Steady work by conditions", columns, rows_of(rows))
