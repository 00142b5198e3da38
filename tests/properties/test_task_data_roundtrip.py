"""Any log that can be written reads back equal; any bytes are read without an exception or a lost byte."""

from __future__ import annotations

import time

import numpy as np
import pytest
from benchmarks import task_data_speed
from builders import environment
from chaffinch.pipelines.ingest.task_data.files.safe_xml import parse_xml
from chaffinch.pipelines.ingest.task_data.records.log_binary import decode_log
from chaffinch.pipelines.ingest.task_data.records.log_header import (
    POSITION_FIELDS,
    DataLogValue,
    LogHeader,
    read_header,
)
from chaffinch.pipelines.simulate.task_data.encoding import encode, header_xml
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

LIMITS = {"u1": 2**8 - 1, "<u2": 2**16 - 1, "<u4": 2**32 - 1, "|u1": 2**8 - 1}


@st.composite
def headers(draw: st.DrawFn, timed: bool | None = None) -> LogHeader:
    """A header with any mix of fields per record, constants and values."""
    with_time = draw(st.booleans()) if timed is None else timed
    fields: list[str] = ["time", "date"] if with_time else []
    constants: dict[str, float] = {}
    for _, name, _ in POSITION_FIELDS:
        state = draw(st.sampled_from(("absent", "record", "constant")))
        if state == "record":
            fields.append(name)
        elif state == "constant":
            constants[name] = float(draw(st.integers(0, 80)))
    count = draw(st.one_of(st.integers(0, 6), st.just(255)))
    values = tuple(DataLogValue(i, draw(st.integers(0, 0xFFFF)), f"DET-{i % 9}") for i in range(count))
    return LogHeader(tuple(fields), values, constants)


@st.composite
def logs(draw: st.DrawFn) -> tuple[LogHeader, np.ndarray, list[tuple[np.ndarray, np.ndarray]]]:
    """A header, fixed parts and values of up to 700 records, of one shape, of few, or of any."""
    header = draw(headers())
    records = draw(st.one_of(st.integers(0, 12), st.integers(250, 700)))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    fixed = np.zeros(records, header.fixed_type)
    for name in header.fixed_type.names or ():
        kind = header.fixed_type[name]
        if kind.kind == "i":
            fixed[name] = rng.integers(-(2**31), 2**31, records)
        else:
            fixed[name] = rng.integers(0, 2 ** (8 * kind.itemsize), records, dtype=np.uint64)
    if header.timed:
        fixed["time"] = rng.integers(0, 86_400_000, records)
        fixed["date"] = 17_000 + np.arange(records) // 300
    if "status" in header.fields:
        fixed["status"] = rng.integers(0, 16, records)
    share = draw(st.sampled_from((0.0, 0.05, 0.6, 1.0)))
    columns = []
    for _ in header.values:
        rows = np.flatnonzero(rng.random(records) < share).astype(np.int64)
        columns.append((rows, rng.integers(-(2**31), 2**31, len(rows)).astype(np.int32)))
    return header, fixed, columns


@pytest.mark.seconds
@given(logs())
@settings(deadline=None, max_examples=60, suppress_health_check=list(HealthCheck))
def test_a_log_that_was_written_reads_back_equal(log) -> None:  # type: ignore[no-untyped-def]
    header, fixed, columns = log
    read = decode_log(encode(header, fixed, columns), header)
    assert read.faults == ()
    assert len(read) == len(fixed)
    for name in header.fixed_type.names or ():
        np.testing.assert_array_equal(read.fixed[name], fixed[name])
    for (rows, raw), (expected_rows, expected_raw) in zip(read.columns, columns, strict=True):
        np.testing.assert_array_equal(rows, expected_rows)
        np.testing.assert_array_equal(raw, expected_raw)


@pytest.mark.seconds
@given(headers())
@settings(deadline=None, max_examples=50, suppress_health_check=list(HealthCheck))
def test_a_header_that_was_written_reads_back_equal(header: LogHeader) -> None:
    document = parse_xml(header_xml(header).encode())
    assert document.fault is None
    assert read_header(document.root) == header


@pytest.mark.seconds
@given(logs(), st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=40, suppress_health_check=list(HealthCheck))
def test_the_order_of_values_inside_a_record_does_not_matter(log, seed: int) -> None:  # type: ignore[no-untyped-def]
    header, fixed, columns = log
    read = decode_log(_shuffled(encode(header, fixed, columns), header, seed), header)
    for (rows, raw), (expected_rows, expected_raw) in zip(read.columns, columns, strict=True):
        np.testing.assert_array_equal(rows, expected_rows)
        np.testing.assert_array_equal(raw, expected_raw)


def _shuffled(data: bytes, header: LogHeader, seed: int) -> bytes:
    """The same records with their values in random order, as one kind of terminal writes them."""
    rng = np.random.default_rng(seed)
    fixed, position, parts = header.fixed_type.itemsize, 0, []
    while position < len(data):
        count = data[position + fixed]
        begin = position + fixed + 1
        pairs = [data[begin + 5 * i : begin + 5 * i + 5] for i in rng.permutation(count)]
        parts += [data[position:begin], *pairs]
        position = begin + 5 * count
    return b"".join(parts)


@st.composite
def spoiled(draw: st.DrawFn) -> tuple[LogHeader, bytes]:
    """A written log with bytes changed, cut out, put in or cut off; or bytes out of nothing."""
    header, fixed, columns = draw(logs())
    data = bytearray(encode(header, fixed, columns))
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        piece = draw(st.binary(max_size=40))
        kind = draw(st.sampled_from(("replace", "insert", "delete", "cut", "noise")))
        if kind == "replace":
            data[at : at + len(piece)] = piece
        elif kind == "insert":
            data[at:at] = piece
        elif kind == "delete":
            del data[at : at + len(piece)]
        elif kind == "cut":
            del data[at:]
        else:
            data = bytearray(draw(st.binary(max_size=3000)))
    return header, bytes(data)


def holds_together(header: LogHeader, data: bytes) -> tuple[int, int]:
    """Records and faults cover every byte once, and what the plain loop finds before the first is there.

    Gives how many records were read and how many of them were held against the loop's.
    """
    read = decode_log(data, header)
    counts = np.frombuffer(data, np.uint8)[read.starts + header.fixed_type.itemsize].astype(np.int64)
    pieces = [
        *zip(read.starts.tolist(), (header.fixed_type.itemsize + 1 + 5 * counts).tolist(), strict=True),
        *((fault.offset, fault.length) for fault in read.faults),
    ]
    covered = 0
    for offset, length in sorted(pieces):
        assert offset == covered and length > 0
        covered += length
    assert covered == len(data)
    heads, columns, _ = task_data_speed.plain_loop(data, header)
    stretches = [(fault.offset, fault.offset + fault.length) for fault in read.faults]
    first_fault = min((begin for begin, _ in stretches), default=len(data))
    kept = int((read.starts < first_fault).sum())
    # The loop may run on a little into damage that passes its rules by luck; those bytes are in the fault.
    assert kept <= len(heads) or not read.faults
    assert [tuple(row) for row in read.fixed[:kept].tolist()] == heads[:kept]
    for (rows, raw), (loop_rows, loop_raw) in zip(read.columns, columns, strict=True):
        mine = rows < kept
        theirs = [(r, v) for r, v in zip(loop_rows, loop_raw, strict=True) if r < kept]
        assert list(zip(rows[mine].tolist(), raw[mine].tolist(), strict=True)) == theirs
    if not read.faults:
        assert len(heads) == len(read)
    return len(read), kept


@pytest.mark.seconds
@given(spoiled())
@settings(deadline=None, max_examples=60, suppress_health_check=list(HealthCheck))
def test_spoiled_logs_lose_no_byte(log: tuple[LogHeader, bytes]) -> None:
    holds_together(*log)


@pytest.mark.seconds
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from(("replace", "insert", "delete")),
    st.integers(1, 60),
    st.sampled_from((3, 40, 255)),
)
@settings(deadline=None, max_examples=80, suppress_health_check=list(HealthCheck))
def test_damage_costs_only_the_records_it_touches(seed: int, kind: str, length: int, values: int) -> None:
    """Wherever bytes are changed, put in or taken out: every record that was not touched is found again.

    But for the one before: whether the last byte of its last value or the first of the next record's time is
    missing, nobody can tell.
    """
    rng = np.random.default_rng(seed)
    header = LogHeader(("time", "date", "north", "east", "status"), tuple(map(_value, range(values))))
    records = 400
    fixed = np.zeros(records, header.fixed_type)
    fixed["time"] = 36_000_000 + 1000 * np.arange(records)
    fixed["date"] = 17_003
    fixed["north"] = 520_000_000 + rng.integers(0, 10**6, records)
    fixed["east"] = 70_000_000 + rng.integers(0, 10**6, records)
    columns = []
    for _ in header.values:
        rows = np.flatnonzero(rng.random(records) < 3 / values).astype(np.int64)
        columns.append((rows, rng.integers(-(2**20), 2**20, len(rows)).astype(np.int32)))
    data = encode(header, fixed, columns)
    ends = np.append(decode_log(data, header).starts[1:], len(data))
    starts = decode_log(data, header).starts
    at = int(rng.integers(0, len(data) - length))
    noise = rng.bytes(length)
    spoilt = {
        "replace": data[:at] + noise + data[at + length :],
        "insert": data[:at] + noise + data[at:],
        "delete": data[:at] + data[at + length :],
    }[kind]
    touched = (starts < at + (0 if kind == "insert" else length)) & (ends > at)
    read = decode_log(spoilt, header)
    # Once in thousands the damage closes on a record's end and nothing is out of step; nothing could tell.
    assume(read.faults)
    found = set(read.fixed["time"].tolist())
    touched |= np.append(touched[1:], False)
    untouched = set(fixed["time"][~touched].tolist())
    # A record may have been changed into another sound one, so more may be found than was left.
    assert untouched <= found


@pytest.mark.seconds
@given(st.integers(0, 2**32 - 1), st.sampled_from((2, 10, 40, 120)), st.sampled_from((0.1, 0.5, 1.0)))
@settings(deadline=None, max_examples=60, suppress_health_check=list(HealthCheck))
def test_a_log_cut_off_anywhere_holds_its_first_records_and_no_other(
    seed: int, values: int, share: float
) -> None:
    """What is left of the last record may look like a short one of another year; it never becomes a reading."""
    rng = np.random.default_rng(seed)
    names = ("time", "date", "north", "east", "status")[: int(rng.integers(2, 6))]
    header = LogHeader(names, tuple(map(_value, range(values))))
    fixed = np.zeros(30, header.fixed_type)
    fixed["time"] = 36_000_000 + 1000 * np.arange(30)
    fixed["date"] = 17_003
    columns = []
    for _ in header.values:
        rows = np.flatnonzero(rng.random(30) < share).astype(np.int64)
        largest = int(rng.choice([0, 100, 10_000, 2**30]))
        columns.append((rows, rng.integers(-largest, largest + 1, len(rows)).astype(np.int32)))
    data = encode(header, fixed, columns)
    starts = decode_log(data, header).starts
    for cut in rng.integers(1, len(data), 20).tolist():
        read = decode_log(data[:cut], header)
        whole = int((np.append(starts[1:], len(data)) <= cut).sum())
        assert read.starts.tolist() == starts[:whole].tolist()


def _value(index: int) -> DataLogValue:
    return DataLogValue(index, 0x100 + index, "DET-1")


@pytest.mark.faults
def test_spoiled_logs_lose_no_byte_for_long() -> None:
    until = time.monotonic() + environment.number("CHAFFINCH_FUZZ_SECONDS")
    logs_read = records = compared = spoilt = 0

    @given(spoiled())
    @settings(deadline=None, max_examples=500, database=None, suppress_health_check=list(HealthCheck))
    def once(log: tuple[LogHeader, bytes]) -> None:
        nonlocal logs_read, records, compared, spoilt
        found, held = holds_together(*log)
        logs_read, records, compared = logs_read + 1, records + found, compared + held
        spoilt += len(log[1])

    while time.monotonic() < until:
        once()
    print(f"{logs_read:,} spoiled logs, {spoilt:,} bytes: {records:,} records, {compared:,} as by the loop")
    assert compared > 0
