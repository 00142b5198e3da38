"""Rows of a table that can't be read, as rows of ``set_aside``."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.ingest.text.text_table import TextTable
from chaffinch.pipelines.parsed import LONGEST_VALUE, SET_ASIDE_SCHEMA


def malformed_rows(table: TextTable) -> pl.DataFrame:
    """Rows with the wrong number of fields, an open quote or zero bytes."""
    text = pl.col("text")
    shown = text.str.replace_all("\0", "\u2400", literal=True)
    has_zero_bytes = text.str.contains("\0", literal=True)
    fields = text.str.count_matches(table.separator, literal=True) + 1
    wrong_count = pl.format(
        "The row does not have the {} fields of the header (separators make {}), or a quote is open.",
        len(table.headers),
        fields,
    )
    return table.malformed.select(
        row=pl.col("line").cast(pl.Int64),
        rule=pl.when(has_zero_bytes).then(pl.lit("not_text")).otherwise(pl.lit("wrong_number_of_fields")),
        column=pl.lit(None, dtype=pl.String),
        value=shown.str.slice(0, LONGEST_VALUE),
        sentence=pl.when(has_zero_bytes)
        .then(pl.lit("The row holds zero bytes; the logger may have lost power while writing it."))
        .otherwise(wrong_count),
        content=pl.struct(line=shown).struct.json_encode(),
        row_kept=pl.lit(False),
    )


def flagged_rows(
    table: TextTable,
    bad: pl.Series,
    rule: str,
    column: str,
    values: pl.Series,
    sentence: str,
    row_kept: bool = False,
) -> pl.DataFrame:
    """One row set aside for each row where ``bad``. ``{}`` in ``sentence`` is replaced by the value.

    row_kept : whether the rest of the row stays.
    """
    if not bad.any():
        return pl.DataFrame(schema=SET_ASIDE_SCHEMA)
    before, _, after = sentence.partition("{}")
    filled = pl.lit(before) + pl.col("value") + pl.lit(after) if "{}" in sentence else pl.lit(sentence)
    frame = pl.DataFrame(
        {
            "row": table.lines.filter(bad).cast(pl.Int64),
            "value": values.filter(bad).fill_null("").str.slice(0, LONGEST_VALUE),
            "content": table.rows.filter(bad).select(pl.struct(pl.all()).struct.json_encode()).to_series(),
        }
    )
    constants = {"rule": pl.lit(rule), "column": pl.lit(column), "row_kept": pl.lit(row_kept)}
    return frame.with_columns(sentence=filled, **constants).select(*SET_ASIDE_SCHEMA)
