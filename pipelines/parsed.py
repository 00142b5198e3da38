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
    "row_kept": pl.Boolean(),
}

REMARK = "no_change"


@dataclass(frozen=True, slots=True)
class Parsed:
    """One file, read.

    Frames have columns of the table contracts in ``schemas/tables.py`` *without* ``delivery`` and ``file``
    (``validate`` and ``lake`` add those); absent columns mean null. Every row of the file is either in one of
    the frames or set aside whole: ``rows_read`` = rows kept + ``rows_set_aside``. A row of ``set_aside`` with
    ``row_kept`` is about one value: it is empty in the table, where the rest of its row stays.

    kind : one of the kinds in the contract of ``deliveries``.
    readings, adjustments, loss_checks, load_tickets, trials, fields : frames or None.
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
    trials: pl.DataFrame | None = None

    @property
    def _aside(self) -> pl.DataFrame | None:
        """``set_aside`` where it has rows."""
        return self.set_aside if self.set_aside is not None and self.set_aside.height else None

    @property
    def rows_set_aside(self) -> int:
        """Distinct rows set aside whole; one row may fail several rules."""
        return 0 if self._aside is None else int(rows_aside(self._aside).n_unique())

    @property
    def rows_of_remarks(self) -> int:
        """Rows set aside whole that are sound and say nothing about a setting: "rain", "losses ok"."""
        return 0 if self._aside is None else self._aside.filter(rule=REMARK).height

    @property
    def rows_with_values_set_aside(self) -> int:
        """Distinct rows that stay but for a value that was set aside."""
        return 0 if self._aside is None else int(self._aside.filter(pl.col("row_kept"))["row"].n_unique())

    @property
    def share_set_aside_pct(self) -> float:
        """Share of the rows read that were set aside, whole or but for a value, %; remarks are not counted."""
        aside = self.rows_set_aside - self.rows_of_remarks + self.rows_with_values_set_aside
        return 100.0 * aside / self.rows_read if self.rows_read else 0.0


def rows_aside(set_aside: pl.DataFrame) -> pl.Series:
    """Row numbers of what left its table whole."""
    return set_aside.filter(~pl.col("row_kept").fill_null(False))["row"]


def combined_set_aside(frames: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """All that was set aside, by row. Of several faults of one rule in one column of a row the first is kept."""
    whole = pl.concat([pl.DataFrame(schema=SET_ASIDE_SCHEMA), *frames])
    if whole.is_empty():
        return whole
    return whole.unique(["row", "rule", "column"], keep="first", maintain_order=True).sort(
        "row", maintain_order=True
    )
