"""Records and files of task data that can't be read: what, where, why."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl
from chaffinch.pipelines.parsed import LONGEST_VALUE, SET_ASIDE_SCHEMA

LONGEST_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Rejected:
    """``number``: of the record in its log, counted from 1 over records and damaged byte ranges alike.

    row_kept : whether only the value was dropped from its reading.
    """

    number: int
    rule: str
    sentence: str
    column: str | None = None
    value: str | None = None
    content: str = "{}"
    row_kept: bool = False


def content_of(log: str, offset: int, data: bytes) -> str:
    """The bytes that were set aside, as JSON; of a long range only where it lies in the file."""
    place: dict[str, str] = {"log": log, "first_byte": str(offset), "length": str(len(data))}
    if len(data) <= LONGEST_BYTES:
        place["bytes"] = data.hex()
    return json.dumps(place, ensure_ascii=False)


def rejected_frame(rejected: Sequence[Rejected], first_row: int) -> pl.DataFrame:
    """Rows of ``Parsed.set_aside``; ``first_row`` is the row of record 1 of the log."""
    rows = [
        (
            first_row + r.number - 1,
            r.rule,
            r.column,
            r.value and r.value[:LONGEST_VALUE],
            r.sentence,
            r.content,
            r.row_kept,
        )
        for r in rejected
    ]
    return pl.DataFrame(rows, schema=SET_ASIDE_SCHEMA, orient="row")
