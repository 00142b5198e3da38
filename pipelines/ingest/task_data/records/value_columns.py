"""The values of the records of a time log, sorted into the columns that its header lists."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Ints, Octets, RawInts, Structured
from chaffinch.pipelines.ingest.task_data.records.resync import Layout

RECORDS_AT_ONCE = 1024
PROBE_RECORDS = 8
TABLE_CELLS = 4_000_000


def sorted_into_columns(
    buffer: Octets, runs: list[tuple[Ints, int]], layout: Layout
) -> tuple[Ints, Structured, tuple[tuple[Ints, RawInts], ...]]:
    """Fixed parts of all records, and their values sorted into columns."""
    parts: list[list[_Part]] = [[] for _ in range(layout.values)]
    fixed = [np.empty(0, layout.fixed_type)]
    first = 0
    for starts, equal in _merged(runs, layout):
        fixed.append(layout.fixed_parts(buffer, starts, equal))
        columns = None if equal < 0 else _of_equal_length(buffer, starts, equal, layout)
        for index, raw in columns or ():
            parts[index].append(_Part(first, None, raw))
        # A table of many columns is made of few records at a time; records of one shape need none.
        step = max(TABLE_CELLS // max(layout.values, 1), 1)
        for begin in range(0, len(starts) if columns is None else 0, step):
            for index, rows, raw in _values(buffer, starts[begin : begin + step], layout):
                parts[index].append(_Part(first + begin, rows, raw))
        first += len(starts)
    all_starts = np.concatenate([np.empty(0, np.int64), *(starts for starts, _ in runs)])
    every_row = np.arange(len(all_starts), dtype=np.int64)
    every_row.flags.writeable = False
    return all_starts, np.concatenate(fixed), tuple(_joined(column, every_row) for column in parts)


@dataclass(frozen=True, slots=True)
class _Part:
    """What some records hold of a column. first : the first of them. rows : from it on, None where all hold it."""

    first: int
    rows: Ints | None
    raw: RawInts


def _joined(column: list[_Part], every_row: Ints) -> tuple[Ints, RawInts]:
    """A column of the parts; columns that all records hold share ``every_row``, which halves what is written."""
    if not column:
        return np.empty(0, np.int64), np.empty(0, np.int32)
    raw = column[0].raw if len(column) == 1 else np.concatenate([part.raw for part in column])
    if len(raw) == len(every_row):
        return every_row, raw
    rows = [
        every_row[part.first : part.first + len(part.raw)] if part.rows is None else part.rows + part.first
        for part in column
    ]
    return (rows[0] if len(rows) == 1 else np.concatenate(rows)), raw


def _merged(runs: list[tuple[Ints, int]], layout: Layout) -> Iterator[tuple[Ints, int]]:
    """``runs``, those of equal records that follow one another made one: its columns are then written once."""
    together: list[tuple[Ints, int]] = []
    for starts, equal in runs:
        length = layout.fixed_bytes + 1 + 5 * equal
        follows = together and together[-1][1] == equal >= 0 and together[-1][0][-1] + length == starts[0]
        if together and not follows:
            yield np.concatenate([of for of, _ in together]), together[0][1]
            together = []
        together.append((starts, equal))
    if together:
        yield np.concatenate([of for of, _ in together]), together[0][1]


def _of_equal_length(
    buffer: Octets, starts: Ints, equal: int, layout: Layout
) -> list[tuple[int, RawInts]] | None:
    """(index, raw) of each column of records that follow one another and name the same values, else None."""
    if equal == 0 or not len(starts):
        return []
    return _of_one_order(layout.equal_pairs(buffer, int(starts[0]), len(starts), equal))


def _values(buffer: Octets, starts: Ints, layout: Layout) -> Iterator[tuple[int, Ints | None, RawInts]]:
    """(index, rows, raw) of each column that these records hold; the last of a repeated index counts.

    rows : None where all records hold it.
    """
    # A table of these records: those of one length mostly name their values in one order, and go in column by column.
    table = np.empty((layout.values, len(starts)), np.int32)
    held = np.zeros(table.shape, dtype=bool)
    for places, pairs in layout.grouped_pairs(buffer, starts):
        columns = _of_one_order(pairs)
        for index, raw in columns or ():
            table[index, places], held[index, places] = raw, True
        if columns is None:
            # In the order of the file, so that the last of a repeated index counts.
            cells = pairs["index"].astype(np.int64)
            cells *= len(starts)
            cells += places[:, None]
            cells = cells.reshape(-1)
            np.put(table, cells, pairs["value"].reshape(-1))
            np.put(held, cells, True)
    for index in np.flatnonzero(held.any(axis=1)).tolist():
        rows = np.flatnonzero(held[index])
        yield (index, None, table[index]) if len(rows) == len(starts) else (index, rows, table[index][rows])


def _of_one_order(pairs: Structured) -> list[tuple[int, RawInts]] | None:
    """(index, raw) of each column where all (R, n) records name the same values in the same order, else None.

    Some thousand records at a time, which the processor holds close at hand for all columns.
    """
    names = pairs["index"][0].copy()
    if len(set(names.tolist())) < len(names) or not (pairs["index"][:PROBE_RECORDS] == names).all():
        return None
    columns = np.empty((len(names), len(pairs)), np.int32)
    for begin in range(0, len(pairs), RECORDS_AT_ONCE):
        part = pairs[begin : begin + RECORDS_AT_ONCE]
        if not (part["index"] == names).all():
            return None
        columns[:, begin : begin + RECORDS_AT_ONCE] = part["value"].T
    return list(zip(names.tolist(), columns, strict=True))
