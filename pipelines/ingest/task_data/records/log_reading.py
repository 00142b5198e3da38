"""One time log, from its two files to moments, positions and columns of plain numbers.

Records of one burst (same moment and place, no value twice) are one reading: some terminals write each
changed value as a record of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.array_types import Array, Flags, Ints
from chaffinch.pipelines.ingest.task_data.records.clock_offset import (
    Offset,
    local_moments,
    satellite_offset,
)
from chaffinch.pipelines.ingest.task_data.records.columns import LogColumn
from chaffinch.pipelines.ingest.task_data.records.log_binary import LogRecords, decode_log
from chaffinch.pipelines.ingest.task_data.records.log_header import LogHeader
from chaffinch.pipelines.ingest.task_data.records.log_positions import leave_empty, position_of
from chaffinch.pipelines.ingest.task_data.records.rejected_records import Rejected, content_of
from chaffinch.pipelines.ingest.task_data.records.resync import DAY_MS, MAX_STATUS
from chaffinch.pipelines.ingest.task_data.records.scaling import plain_numbers

NO_TIME = np.iinfo(np.int64).min
PROBE_BYTES = 2**16
# Share of records with a position status beyond the standard's from which the writer, not damage, is odd.
ODD_STATUS = 0.1


@dataclass(frozen=True, slots=True)
class LogData:
    """Readings of one log, N of them, in the order of the file.

    local_us : (N,) terminal's clock, microseconds since 1970. number : (N,) place of the reading's first
    record among the records and damaged stretches of the log, from 1. latitude_deg, longitude_deg,
    altitude_m : (N,), NaN where not known. columns : what each column is. rows, values : for each column the
    readings that hold it and the value there. satellites : what satellite time in it shows, see
    ``satellite_offset``. numbered : records and stretches in all.
    """

    stem: str
    header: LogHeader
    local_us: Ints
    number: Ints
    latitude_deg: Array
    longitude_deg: Array
    altitude_m: Array
    satellites: Offset | str | None
    columns: tuple[LogColumn, ...]
    rows: tuple[Ints, ...]
    values: tuple[Array, ...]
    numbered: int
    asides: tuple[Rejected, ...]
    notes: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.local_us)


def read_log(stem: str, data: bytes, header: LogHeader, columns: tuple[LogColumn, ...]) -> LogData:
    """Decode ``data`` and make readings of its records. Never raises on any bytes."""
    header, notes = _probed(stem, data, header)
    records = decode_log(data, header)
    number, numbered = _numbers(records)
    local_us = local_moments(records.fixed, header, len(records))
    latitude, longitude, altitude = position_of(records.fixed, header)
    bad_place = (np.abs(latitude) > 90) | (np.abs(longitude) > 180)
    asides = [_fault(stem, data, records, index) for index in range(len(records.faults))]
    decoded = _Decoded(stem, data, records, number)
    asides += _bad_times(decoded, local_us)
    kept = local_us != NO_TIME
    shown = [(row, f"{latitude[row]:.7f}, {longitude[row]:.7f}") for row in np.flatnonzero(bad_place & kept)]
    latitude[bad_place] = longitude[bad_place] = np.nan
    notes += leave_empty(stem, latitude, longitude, kept)
    reading = _bursts(records, kept, local_us, latitude, longitude)
    first = _first_of(reading)
    for row, place in shown:
        aside = decoded.rejected(
            int(row), "bad_position", f"lies outside the globe ({place})", "latitude", place
        )
        asides.append(replace(aside, number=int(number[first[reading[row]]]), row_kept=True))
    merged = int(kept.sum()) - len(first)
    if merged:
        notes.append(
            f"{stem}: {merged} of {len(records)} records repeat moment and place of the one before; joined."
        )
    rows, values, found = _columns(records, reading, len(first), header, columns)
    return LogData(
        stem, header, local_us[first], number[first], latitude[first], longitude[first], altitude[first],
        satellite_offset(records.fixed[first], local_us[first]), columns, rows, values, numbered,
        tuple(sorted(asides, key=lambda aside: aside.number)), (*notes, *found),
    )  # fmt: skip


def _probed(stem: str, data: bytes, header: LogHeader) -> tuple[LogHeader, list[str]]:
    """The header, or a layout that odd writers used under it, when only that decodes the beginning."""
    notes = [f"{stem}: {note}." for note in header.notes]
    if _sound(data, header, 1):
        return header, notes
    for other in header.alternatives():
        if _sound(data, other, 2):
            return other, [*notes, f"{stem}: {_difference(header, other)}"]
    return header, notes


def _difference(header: LogHeader, other: LogHeader) -> str:
    """What the log does other than its header says."""
    if other.fields == header.fields:
        return "its codes of position status are not those of the standard; they were not read."
    if other.timed and not header.timed:
        return "every record holds its time, other than the header says; read as it is."
    return "the log holds other position fields than its header says; read as it is."


def _sound(data: bytes, header: LogHeader, least: int) -> bool:
    """Whether the beginning decodes to ``least`` records or more, without damage or dates that jump."""
    if not data:
        return True
    records = decode_log(data[:PROBE_BYTES], header)
    # The probe may end inside a record; that alone is not damage.
    if len(records) < least or any(fault.rule != "cut_record" for fault in records.faults):
        return False
    if header.any_status and np.mean(records.fixed["status"] > MAX_STATUS) < ODD_STATUS:
        return False
    return not (
        header.timed and bool((np.abs(np.diff(records.fixed["date"].astype(np.int64))) > 20_000).any())
    )


def _numbers(records: LogRecords) -> tuple[Ints, int]:
    """(R,) number of each record, counting damaged stretches as well, and how many there are in all."""
    before = np.array([fault.record for fault in records.faults], dtype=np.int64)
    index = np.arange(len(records), dtype=np.int64)
    return index + 1 + np.searchsorted(before, index, side="right"), len(records) + len(before)


def _fault(stem: str, data: bytes, records: LogRecords, index: int) -> Rejected:
    fault = records.faults[index]
    content = content_of(stem, fault.offset, data[fault.offset : fault.offset + fault.length])
    return Rejected(fault.record + index + 1, fault.rule, f"{stem}: {fault.sentence}", None, None, content)


def _bad_times(log: _Decoded, local_us: Ints) -> list[Rejected]:
    """Records without a possible time: a clock that was never set, or all ones for "not known"."""
    found = []
    for row in np.flatnonzero(local_us == NO_TIME).tolist():
        value, why = "", "neither header nor record holds a time"
        if "date" in (log.records.fixed.dtype.names or ()):
            day, time = int(log.records.fixed["date"][row]), int(log.records.fixed["time"][row])
            value = str(np.datetime64("1980-01-01") + day)
            why = f"its date is {value}" if time < DAY_MS else "its time of day is not known"
        found.append(log.rejected(row, "bad_time", f"has no usable time: {why}", "time", value))
    return found


@dataclass(frozen=True, slots=True)
class _Decoded:
    """The records of one log, for what has to be set aside of them."""

    stem: str
    data: bytes
    records: LogRecords
    number: Ints

    def rejected(self, row: int, rule: str, what: str, column: str, value: str) -> Rejected:
        """The record in this row, set aside with its bytes."""
        offset = int(self.records.starts[row])
        count_at = offset + self.records.fixed.dtype.itemsize
        content = content_of(self.stem, offset, self.data[offset : count_at + 1 + 5 * self.data[count_at]])
        number = int(self.number[row])
        sentence = f"{self.stem}: record {number} at byte {offset} {what}."
        return Rejected(number, rule, sentence, column, value, content)


def _bursts(records: LogRecords, kept: Flags, local_us: Ints, latitude: Array, longitude: Array) -> Ints:
    """(R,) reading of each record, -1 for records set aside. A burst that holds a value twice stays apart."""
    fresh = np.ones(len(records), dtype=bool)
    same = local_us[1:] == local_us[:-1]
    same &= (latitude[1:] == latitude[:-1]) | (np.isnan(latitude[1:]) & np.isnan(latitude[:-1]))
    same &= (longitude[1:] == longitude[:-1]) | (np.isnan(longitude[1:]) & np.isnan(longitude[:-1]))
    fresh[1:] = ~(same & kept[1:] & kept[:-1])
    burst = np.cumsum(fresh) - 1
    if not fresh.all():
        clash = np.zeros(len(records), dtype=bool)
        for rows, _ in records.columns:
            twice = np.flatnonzero(burst[rows[1:]] == burst[rows[:-1]])
            clash[burst[rows[twice]]] = True
        fresh |= clash[burst]
    reading = np.cumsum(fresh & kept) - 1
    reading[~kept] = -1
    return reading


def _first_of(reading: Ints) -> Ints:
    """Index of the first record of each reading."""
    kept = np.flatnonzero(reading >= 0)
    numbers = reading[kept]
    return kept[np.append(True, numbers[1:] != numbers[:-1])] if len(kept) else kept


def _columns(
    records: LogRecords, reading: Ints, readings: int, header: LogHeader, columns: tuple[LogColumn, ...]
) -> tuple[tuple[Ints, ...], tuple[Array, ...], list[str]]:
    """Rows and values of each column by reading; a constant of the header fills a column the records lack."""
    all_rows, all_values, both = [], [], 0
    for place, column, (rows, raw) in zip(header.values, columns, records.columns, strict=True):
        numbers = plain_numbers(raw, column.entry)
        owner = reading[rows]
        use = (owner >= 0) & ~np.isnan(numbers)
        if place.constant is not None and len(rows):
            both += 1
        elif place.constant is not None:
            signed = np.array([place.constant & 0xFFFFFFFF], np.uint32).view(np.int32)
            numbers = np.repeat(plain_numbers(signed, column.entry), readings)
            owner = np.arange(readings, dtype=np.int64)
            use = ~np.isnan(numbers)
        all_rows.append(owner[use])
        all_values.append(numbers[use])
    notes = [f"{both} values stand both in the header and in the records; the records count."] if both else []
    return tuple(all_rows), tuple(all_values), notes
