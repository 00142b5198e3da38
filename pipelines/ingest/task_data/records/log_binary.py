"""The binary of a time log, decoded without a loop over its records.

ISO 11783-10, packed and little-endian: a fixed part that the header lays out, one byte with the number n of
values, then n times one byte (place of the value in the header) and an int32. A record is F + 1 + 5 n bytes
long and the next one can only be found through this one's n. Two ways lead along this chain: stretches of
records with equal n are one strided view; where n keeps changing, every byte of a block gets an edge to where
the next record would begin if one began here, and one graph search collects the chain.

A log is damaged when the chain meets what no record holds: a place beyond the header, a position status
above 15 (but for all ones, "not known"), a time beyond midnight. Then everything before is kept, and the
bytes up to the next sound record are one fault.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.ingest.task_data.files.arrays import Ints, Octets, RawInts, Structured
from chaffinch.pipelines.ingest.task_data.records.log_header import LogHeader
from chaffinch.pipelines.ingest.task_data.records.resync import (
    Layout,
    first_unsound,
    next_sound,
    swallows_next,
)

RUN_RECORDS = 256
BLOCK_BYTES = 2**20
FIRST_BLOCK_BYTES = 2**16
MAX_FAULTS = 256
PADDING_RECORDS = 3
RECORDS_AT_ONCE = 4096


@dataclass(frozen=True, slots=True)
class Fault:
    """Bytes ``offset`` to ``offset + length`` hold no record. ``record``: records kept before."""

    offset: int
    length: int
    record: int
    rule: str
    sentence: str


@dataclass(frozen=True, slots=True)
class LogRecords:
    """Every sound record of one log.

    starts : (R,) byte offset of each record. fixed : (R,) structured, fields of the header.
    columns : for each value of the header, (rows, raw): the records that hold it, ascending, and its int32.
    faults : in the order of the file; records and faults together cover every byte.
    """

    starts: Ints
    fixed: Structured
    columns: tuple[tuple[Ints, RawInts], ...]
    faults: tuple[Fault, ...]

    def __len__(self) -> int:
        return len(self.starts)


def decode_log(data: bytes, header: LogHeader) -> LogRecords:
    """Decode the binary ``data`` of a log laid out by ``header``. Never raises on any bytes."""
    buffer = np.frombuffer(data, dtype=np.uint8)
    layout = Layout.of(header)
    runs: list[tuple[Ints, int]] = []
    faults: list[Fault] = []
    position, kept, block = 0, 0, FIRST_BLOCK_BYTES
    while position < len(buffer):
        starts, equal = _chain(buffer, position, layout, block)
        sound = first_unsound(buffer, starts, equal, layout)
        if sound:
            runs.append((starts[:sound], equal))
            kept += sound
            layout = layout.after(buffer, int(starts[sound - 1]))
        if sound == len(starts) and sound:
            last = int(starts[-1])
            position = last + layout.record_bytes(buffer, last)
            block = min(2 * block, BLOCK_BYTES)
            continue
        position = int(starts[sound]) if len(starts) else position
        if runs and swallows_next(buffer, runs[-1][0][-2:].tolist(), position, layout):
            position, kept = int(runs[-1][0][-1]), kept - 1
            _drop_last(runs)
        position, fault = _skip(buffer, position, layout, kept, len(faults))
        faults.append(fault)
        block = FIRST_BLOCK_BYTES
    starts, fixed, columns = _gather(buffer, runs, layout)
    records = LogRecords(starts, fixed, columns, tuple(faults))
    return _without_padding(data, records) if layout.timed else records


def _without_padding(data: bytes, records: LogRecords) -> LogRecords:
    """``records`` without those of zero bytes alone that end a file which was made longer than what was written.

    Each would be a record of the first moment of 1980; together they are one fault.
    """
    first = int(np.searchsorted(records.starts, len(data.rstrip(b"\0"))))
    if len(records) - first < PADDING_RECORDS:
        return records
    begin = int(records.starts[first])
    sentence = f"The log ends in {len(data) - begin} zero bytes from byte {begin} on, as when power fails."
    padding = Fault(begin, len(data) - begin, first, "damaged_log", sentence)
    return LogRecords(
        records.starts[:first],
        records.fixed[:first],
        tuple((rows[rows < first], raw[rows < first]) for rows, raw in records.columns),
        (*(fault for fault in records.faults if fault.offset < begin), padding),
    )


def _drop_last(runs: list[tuple[Ints, int]]) -> None:
    starts, equal = runs.pop()
    if len(starts) > 1:
        runs.append((starts[:-1], equal))


def _skip(buffer: Octets, position: int, layout: Layout, kept: int, faults: int) -> tuple[int, Fault]:
    """Where the next sound record begins, and the fault that covers the bytes up to there."""
    end = next_sound(buffer, position + 1, layout) if faults < MAX_FAULTS else None
    if end is None and layout.cut_short(buffer, position):
        length = len(buffer) - position
        sentence = f"The log ends inside a record: {length} bytes at byte {position} are left over."
        return len(buffer), Fault(position, length, kept, "cut_record", sentence)
    stop = len(buffer) if end is None else end
    where = f"bytes {position} to {stop - 1}"
    sentence = f"The log is damaged at {where}: they hold no record that the header allows."
    if faults >= MAX_FAULTS:
        sentence = f"The log is damaged in more than {MAX_FAULTS} places; {where} were not searched further."
    return stop, Fault(position, stop - position, kept, "damaged_log", sentence)


def _chain(buffer: Octets, position: int, layout: Layout, block: int) -> tuple[Ints, int]:
    """Starts of the records that follow one another from ``position``, whole ones only, about a block.

    Second: the number of values each holds where all hold as many, else -1.
    """
    count_at = position + layout.fixed_bytes
    if count_at >= len(buffer):
        return np.empty(0, np.int64), -1
    count = int(buffer[count_at])
    length = layout.fixed_bytes + 1 + 5 * count
    run = _run_length(buffer[count_at::length], count, 4 * BLOCK_BYTES // length + 1)
    run = min(run, (len(buffer) - position) // length)
    if run >= RUN_RECORDS:
        return position + length * np.arange(run, dtype=np.int64), count
    starts = _search(buffer, position, layout, block)
    last = int(starts[-1])
    return (starts if last + layout.record_bytes(buffer, last) <= len(buffer) else starts[:-1]), -1


def _run_length(counts: Octets, count: int, most: int) -> int:
    """How many of ``counts`` equal ``count`` before the first that does not, looked at in growing windows."""
    found, window = 0, 64
    while found < len(counts) and found < most:
        part = counts[found : found + window] != count
        if part.any():
            return found + int(part.argmax())
        found += len(part)
        window *= 8
    return min(found, most)


def _search(buffer: Octets, position: int, layout: Layout, block: int) -> Ints:
    """The chain of starts through one block of bytes by a graph search (one edge leads out of every byte)."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import breadth_first_order

    counts = buffer[position + layout.fixed_bytes : position + layout.fixed_bytes + block]
    nodes = len(counts)
    following = counts.astype(np.int32)
    following *= 5
    following += np.arange(layout.fixed_bytes + 1, layout.fixed_bytes + 1 + nodes, dtype=np.int32)
    np.minimum(following, nodes, out=following)
    edges = np.arange(nodes + 2, dtype=np.int32)
    edges[-1] = nodes
    graph = csr_array((np.ones(nodes), following, edges), shape=(nodes + 1, nodes + 1))
    chain = breadth_first_order(graph, 0, return_predecessors=False)
    return chain[:-1].astype(np.int64) + position


def _gather(
    buffer: Octets, runs: list[tuple[Ints, int]], layout: Layout
) -> tuple[Ints, Structured, tuple[tuple[Ints, RawInts], ...]]:
    """Fixed parts of all records, and their values sorted into columns."""
    parts: list[list[tuple[Ints, RawInts]]] = [[] for _ in range(layout.values)]
    fixed = [np.empty(0, layout.fixed_type)]
    first = 0
    for starts, equal in runs:
        fixed.append(layout.fixed_parts(buffer, starts, equal))
        for index, rows, raw in _values(buffer, starts, equal, layout):
            parts[index].append((rows + first, raw))
        first += len(starts)
    all_starts = np.concatenate([np.empty(0, np.int64), *(starts for starts, _ in runs)])
    return all_starts, np.concatenate(fixed), tuple(_joined(column) for column in parts)


def _joined(column: list[tuple[Ints, RawInts]]) -> tuple[Ints, RawInts]:
    if not column:
        return np.empty(0, np.int64), np.empty(0, np.int32)
    if len(column) == 1:
        return column[0]
    return np.concatenate([rows for rows, _ in column]), np.concatenate([raw for _, raw in column])


def _values(buffer: Octets, starts: Ints, equal: int, layout: Layout) -> Iterator[tuple[int, Ints, RawInts]]:
    """(index, rows, raw) of each column that these records hold; the last of a repeated index counts."""
    if equal == 0 or not len(starts):
        return
    if equal > 0:
        pairs = layout.equal_pairs(buffer, int(starts[0]), len(starts), equal)
        columns = _of_one_order(pairs)
        if columns is not None:
            rows = np.arange(len(starts), dtype=np.int64)
            for index, raw in columns:
                yield index, rows, raw
            return
    # Records of one length mostly name their values in one order; the others are sorted value by value.
    found: list[list[tuple[Ints, RawInts]]] = [[] for _ in range(layout.values)]
    mixed = []
    for places, pairs in layout.grouped_pairs(buffer, starts):
        columns = _of_one_order(pairs)
        if columns is None:
            mixed.append(places)
        for index, raw in columns or ():
            found[index].append((places, raw))
    if mixed:
        others = np.sort(np.concatenate(mixed))
        for index, rows, raw in _sorted_out(*layout.pairs(buffer, starts[others]), layout.values):
            found[index].append((others[rows], raw))
    for index, parts in enumerate(found):
        if parts:
            yield index, *_in_order(parts)


def _of_one_order(pairs: Structured) -> list[tuple[int, RawInts]] | None:
    """(index, raw) of each column where all (R, n) records name the same values in the same order, else None.

    Some thousand records at a time, which the processor holds close at hand for all columns.
    """
    names = pairs["index"][0].copy()
    if len(set(names.tolist())) < len(names):
        return None
    columns = [np.empty(len(pairs), np.int32) for _ in names]
    for begin in range(0, len(pairs), RECORDS_AT_ONCE):
        part = pairs[begin : begin + RECORDS_AT_ONCE]
        if not (part["index"] == names).all():
            return None
        for place, column in enumerate(columns):
            column[begin : begin + RECORDS_AT_ONCE] = part["value"][:, place]
    return list(zip(names.tolist(), columns, strict=True))


def _sorted_out(records: Ints, pairs: Structured, values: int) -> Iterator[tuple[int, Ints, RawInts]]:
    """(index, rows, raw) of each column out of (V,) values in any order; the last of a repeated index counts."""
    order = np.argsort(pairs["index"], kind="stable")
    bounds = np.searchsorted(pairs["index"][order], np.arange(values + 1))
    for index in np.flatnonzero(np.diff(bounds)).tolist():
        chosen = order[bounds[index] : bounds[index + 1]]
        rows, raw = records[chosen], pairs["value"][chosen]
        last = np.append(rows[1:] != rows[:-1], True)
        yield index, (rows if last.all() else rows[last]), (raw if last.all() else raw[last])


def _in_order(parts: list[tuple[Ints, RawInts]]) -> tuple[Ints, RawInts]:
    """One column out of what records of several lengths hold of it."""
    if len(parts) == 1:
        return parts[0]
    rows, raw = (np.concatenate(of) for of in zip(*parts, strict=True))
    order = np.argsort(rows, kind="stable")
    return rows[order], raw[order]
