"""What was set aside and why, and how the files of a machine-field were read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

WORK_WORDS = {
    "steady": "steady work, used",
    "lead_in": "start of a pass, while the machine fills",
    "lead_out": "end of a pass, while it empties",
    "turn": "turns and ways",
    "stop": "standing",
    "away": "away from the field",
    "thin_crop": "hardly any crop",
    "no_flow": "no grain flow logged",
    "unsteady": "unsteady",
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


def of_field(row: dict[str, Any]) -> pl.Expr:
    """Picks the rows, with ``field`` and ``time``, of a row of ``machine_fields``."""
    here = pl.col("field").eq_missing(pl.lit(row["field"], pl.String))
    return here if row.get("day") is None else here & (pl.col("time").dt.date() == row["day"])


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
    """(words of the class of work, readings, share in %), most first."""
    counted = marked.group_by("work_class").len().sort("len", "work_class", descending=[True, False])
    total = max(marked.height, 1)
    return [(WORK_WORDS.get(name, name or "unknown"), n, 100 * n / total) for name, n in counted.iter_rows()]
