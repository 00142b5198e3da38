"""Rows that can't be read, with file row, rule, column, value and the whole row as it stood."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from chaffinch.pipelines.ingest.text.text_table import TextTable

if TYPE_CHECKING:
    import polars as pl

LONGEST_VALUE = 500


def schema() -> dict[str, pl.DataType]:
    """Columns of ``Parsed.set_aside``."""
    import polars as pl

    text = pl.String()
    return {"row": pl.Int64(), "rule": text, "column": text, "value": text, "sentence": text, "content": text}


def malformed_rows(table: TextTable) -> pl.DataFrame:
    """Rows with the wrong number of fields, an open quote or zero bytes."""
    import polars as pl

    text = pl.col("text")
    shown = text.str.replace_all("\0", "\u2400", literal=True)
    broken = text.str.contains("\0", literal=True)
    expected = len(table.headers)
    separator = table.separator
    fields = text.str.count_matches(separator, literal=True) + 1
    return table.malformed.select(
        pl.col("line").cast(pl.Int64).alias("row"),
        pl.when(broken).then(pl.lit("not_text")).otherwise(pl.lit("wrong_number_of_fields")).alias("rule"),
        pl.lit(None, dtype=pl.String).alias("column"),
        shown.str.slice(0, LONGEST_VALUE).alias("value"),
        pl.when(broken)
        .then(pl.lit("The row holds zero bytes; the logger may have lost power while writing it."))
        .otherwise(
            pl.format(
                "The row does not have the {} fields of the header (separators make {}), or a quote is open.",
                expected,
                fields,
            )
        )
        .alias("sentence"),
        pl.struct(line=shown).struct.json_encode().alias("content"),
    )


def flagged_rows(
    table: TextTable, bad: pl.Series, rule: str, column: str, values: pl.Series, sentence: str
) -> pl.DataFrame:
    """One row aside for each row where ``bad``. ``{}`` in ``sentence`` stands for the value."""
    import polars as pl

    if not bad.any():
        return pl.DataFrame(schema=schema())
    value = values.filter(bad).fill_null("").str.slice(0, LONGEST_VALUE)
    frame = pl.DataFrame({"row": table.lines.filter(bad).cast(pl.Int64), "value": value})
    content = table.rows.filter(bad).select(pl.struct(pl.all()).struct.json_encode()).to_series()
    before, _, after = sentence.partition("{}")
    told = pl.lit(before) + pl.col("value") + pl.lit(after) if "{}" in sentence else pl.lit(sentence)
    return frame.select(
        "row",
        pl.lit(rule).alias("rule"),
        pl.lit(column).alias("column"),
        "value",
        told.alias("sentence"),
        content.alias("content"),
    )


def gathered(frames: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """All rows aside by row; of several faults under one rule in one row the first is kept."""
    import polars as pl

    whole = pl.concat([pl.DataFrame(schema=schema()), *frames])
    return whole.unique(["row", "rule"], keep="first", maintain_order=True).sort("row", maintain_order=True)
