"""What reading one file of an inbox gives: the hand-over from ``ingest`` to ``validate``."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

# A value that was set aside is kept up to this many characters; ``content`` holds the whole row.
LONGEST_VALUE = 500
SET_ASIDE_SCHEMA: dict[str, pl.DataType] = {
    "row": pl.Int64(),
    "rule": pl.String(),
    "column": pl.String(),
    "value": pl.String(),
    "sentence": pl.String(),
    "content": pl.String(),
}


@dataclass(frozen=True, slots=True)
class Parsed:
    """One file, read.

    Frames have columns of the table contracts in ``schemas/tables.py`` *without* ``delivery`` and ``file``
    (``validate`` and ``lake`` add those); absent columns mean null. Every row of the file is either in one of
    the frames or in ``set_aside``: ``rows_read`` = rows kept + distinct rows set aside.

    kind : one of the kinds in the contract of ``deliveries``.
    readings, adjustments, loss_checks, load_tickets, fields : frames or None.
    set_aside : columns of ``SET_ASIDE_SCHEMA``, or None.
    rows_read : rows of data in the file.
    unmatched_columns : columns kept in ``other``.
    notes : sentences about how the file was read (zone assumed, units converted, clock changes).
    attention : those of the notes that need an action of the user (an unknown unit or setting).
    stated : content kept from a file without rows: a picture as a data URI.
    """

    kind: str
    readings: pl.DataFrame | None = None
    adjustments: pl.DataFrame | None = None
    loss_checks: pl.DataFrame | None = None
    fields: pl.DataFrame | None = None
    set_aside: pl.DataFrame | None = None
    rows_read: int = 0
    unmatched_columns: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    attention: tuple[str, ...] = ()
    load_tickets: pl.DataFrame | None = None
    stated: str | None = None


def combined_set_aside(frames: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """All rows set aside, by row. Of several faults under one rule in one row the first is kept."""
    whole = pl.concat([pl.DataFrame(schema=SET_ASIDE_SCHEMA), *frames])
    return whole.unique(["row", "rule"], keep="first", maintain_order=True).sort("row", maintain_order=True)
