"""Records and files of task data that can't be read: what, where, why."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

LONGEST_VALUE = 500
LONGEST_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Aside:
    """``number``: of the record in its log, counted from 1 over records and damaged stretches alike."""

    number: int
    rule: str
    sentence: str
    column: str | None = None
    value: str | None = None
    content: str = "{}"


def content_of(log: str, offset: int, data: bytes) -> str:
    """The bytes that were set aside, as JSON; of a long stretch only where it lies in the file."""
    place: dict[str, str] = {"log": log, "first_byte": str(offset), "length": str(len(data))}
    if len(data) <= LONGEST_BYTES:
        place["bytes"] = data.hex()
    return json.dumps(place, ensure_ascii=False)


def frame(asides: Sequence[Aside], first_row: int) -> pl.DataFrame:
    """Columns of ``Parsed.set_aside``; ``first_row`` is the row of record 1 of the log."""
    import polars as pl

    text = pl.String()
    schema = {
        "row": pl.Int64(),
        "rule": text,
        "column": text,
        "value": text,
        "sentence": text,
        "content": text,
    }
    rows = [
        (
            first_row + aside.number - 1,
            aside.rule,
            aside.column,
            None if aside.value is None else aside.value[:LONGEST_VALUE],
            aside.sentence,
            aside.content,
        )
        for aside in asides
    ]
    return pl.DataFrame(rows, schema=schema, orient="row")
