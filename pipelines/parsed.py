"""What reading one file of an inbox gives: the hand-over from ``ingest`` and ``task_data`` to ``validate``."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl


@dataclass(frozen=True, slots=True)
class Parsed:
    """One file, read.

    Frames have columns of the table contracts in ``schemas/tables.py`` *without* ``delivery`` and ``file``
    (``validate`` and ``lake`` add those); absent columns mean null. Every row of the file is either in one of
    the frames or in ``set_aside``: ``rows_read`` = rows kept + distinct rows set aside.

    kind : one of the kinds in the contract of ``deliveries``.
    readings, adjustments, loss_checks, load_tickets, fields : frames or None.
    set_aside : columns row, rule, column, value, sentence, content.
    rows_read : rows of data in the file.
    unmatched_columns : columns kept in ``other``.
    notes : sentences about how the file was read (zone assumed, units converted, clock changes).
    stated : what a file without rows says that is kept: a picture as a data URI.
    attention : those of them that ask something of the user (a unit not known, a setting not known).
    """

    kind: str
    readings: pl.DataFrame | None = None
    adjustments: pl.DataFrame | None = None
    loss_checks: pl.DataFrame | None = None
    fields: pl.DataFrame | None = None
    set_aside: pl.DataFrame | None = None
    rows_read: int = 0
    unmatched_columns: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())
    attention: tuple[str, ...] = field(default=())
    load_tickets: pl.DataFrame | None = None
    stated: str | None = None
