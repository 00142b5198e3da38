"""The binary of a time log, decoded without a loop over its records.

ISO 11783-10, packed and little-endian: a fixed part that the header lays out, one byte with the number n of
values, then n times one byte (place of the value in the header) and an int32. A record is F + 1 + 5 n bytes
long and the next one can only be found through this one's n (``chain.py``).

A log is damaged when the chain meets what no record holds: a place beyond the header, a position status
above 15 (but for all ones, "not known"), a time beyond midnight. Then everything before is kept, and the
bytes up to the next sound record are one fault.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Ints, Octets, RawInts, Structured
from chaffinch.pipelines.ingest.task_data.records.chain import BLOCK_BYTES, chain_from
from chaffinch.pipelines.ingest.task_data.records.log_header import LogHeader
from chaffinch.pipelines.ingest.task_data.records.resync import (
    Layout,
    first_unsound,
    next_sound,
    swallows_next,
)
from chaffinch.pipelines.ingest.task_data.records.value_columns import sorted_into_columns

FIRST_BLOCK_BYTES = 2**16
MAX_FAULTS = 256
PADDING_RECORDS = 3
TAIL_BYTES = 2**16


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
        starts, equal = chain_from(buffer, position, layout, block)
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
    starts, fixed, columns = sorted_into_columns(buffer, runs, layout)
    records = LogRecords(starts, fixed, columns, tuple(faults))
    return _without_padding(data, records) if layout.timed else records


def _without_padding(data: bytes, records: LogRecords) -> LogRecords:
    """``records`` without those of zero bytes alone that end a file which was made longer than what was written.

    Each would be a record of the first moment of 1980; together they are one fault.
    """
    first = int(np.searchsorted(records.starts, _end_of_content(data)))
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


def _end_of_content(data: bytes) -> int:
    """Where the zero bytes at the end of ``data`` begin."""
    end = len(data)
    while end:
        part = np.flatnonzero(np.frombuffer(data[max(end - TAIL_BYTES, 0) : end], np.uint8))
        if len(part):
            return max(end - TAIL_BYTES, 0) + int(part[-1]) + 1
        end = max(end - TAIL_BYTES, 0)
    return 0


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
