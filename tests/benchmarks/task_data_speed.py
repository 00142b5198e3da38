"""Decoding speed of time logs against a plain loop over their records and against a bare copy, all in this run.

The bare copy is what no decoder can beat: it knows that all records have one shape and copies each value once,
without a look at what it means.

Run: python tests/benchmarks/task_data_speed.py [records]
"""

from __future__ import annotations

import struct
import sys
import time
from collections.abc import Iterator

import numpy as np
from chaffinch.pipelines.ingest.task_data.records.log_binary import decode_log
from chaffinch.pipelines.ingest.task_data.records.log_header import DataLogValue, LogHeader

FIELDS = ("time", "date", "north", "east", "status")


def plain_loop(data: bytes, header: LogHeader) -> tuple[list[tuple], list[tuple[list[int], list[int]]], int]:
    """Fixed parts, (rows, raw) of each value, and the bytes consumed, one record after another.

    Stops at the first record that breaks a rule of the layout or is not whole.
    """
    letters = {"u1": "B", "<u2": "H", "<u4": "I", "<i4": "i"}
    kinds = [header.fixed_type[name].str.replace("|", "") for name in header.fixed_type.names or ()]
    fixed = struct.Struct("<" + "".join(letters[kind] for kind in kinds))
    pair = struct.Struct("<Bi")
    names = header.fixed_type.names or ()
    time_at = names.index("time") if "time" in names else None
    status_at = names.index("status") if "status" in names else None
    heads: list[tuple] = []
    columns: list[tuple[list[int], list[int]]] = [([], []) for _ in header.values]
    position = 0
    while position + fixed.size < len(data):
        count = data[position + fixed.size]
        end = position + fixed.size + 1 + 5 * count
        if end > len(data) or count > len(columns):
            break
        head = fixed.unpack_from(data, position)
        if time_at is not None and not (head[time_at] < 86_400_000 or head[time_at] == 0xFFFFFFFF):
            break
        if status_at is not None and not (head[status_at] <= 15 or head[status_at] == 0xFF):
            break
        found = {}
        for at in range(position + fixed.size + 1, end, 5):
            index, raw = pair.unpack_from(data, at)
            found[index] = raw
        if any(index >= len(columns) for index in found):
            break
        for index, raw in found.items():
            columns[index][0].append(len(heads))
            columns[index][1].append(raw)
        heads.append(head)
        position = end
    return heads, columns, position


def made_up_log(
    records: int, values: int, counts: np.ndarray, seed: int = 1, in_order: bool = False
) -> tuple[bytes, LogHeader]:
    """A log with time, date, north, east and status, and ``counts[i]`` of ``values`` values in record i.

    in_order : whether a record of n values holds the first n, as terminals write them; else any, in any order.
    """
    rng = np.random.default_rng(seed)
    header = LogHeader(FIELDS, tuple(DataLogValue(i, 0x100 + i, "DET-1") for i in range(values)))
    parts = []
    for i, count in enumerate(counts.tolist()):
        parts.append(struct.pack("<IHiiB", 1000 * i % 86_400_000, 17_000, 520_000_000 + i, 70_000_000, 1))
        parts.append(bytes([count]))
        chosen = range(count) if count == values or in_order else rng.permutation(values)[:count].tolist()
        parts.append(b"".join(struct.pack("<Bi", index, i + index) for index in chosen))
    return b"".join(parts), header


def timed(call, times: int) -> float:
    """Fastest of ``times`` calls, in seconds of processor time, which other programs on the machine leave alone."""
    best = float("inf")
    for _ in range(times):
        begin = time.process_time()
        call()
        best = min(best, time.process_time() - begin)
    return best


def bare_copy(data: bytes, header: LogHeader, count: int) -> np.ndarray:
    """(count, R) values of a log of R equal records, copied some thousand records at a time and nothing else."""
    fixed = header.fixed_type.itemsize + 1
    record = np.dtype([("fixed", f"V{fixed}"), ("values", [("index", "u1"), ("value", "<i4")], (count,))])
    records = np.frombuffer(data, record)
    columns = np.empty((count, len(records)), np.int32)
    for begin in range(0, len(records), 1024):
        columns[:, begin : begin + 1024] = records[begin : begin + 1024]["values"]["value"].T
    return columns


def measure(records: int) -> Iterator[tuple[str, float, float, float, float | None]]:
    """For each kind of log: what it is, values a record, records a second of the plain loop, of ``decode_log`` and,
    where all records have one shape, of the bare copy.
    """
    rng = np.random.default_rng(7)
    scenes = {
        "one shape, 12 values": (12, np.full(records, 12)),
        "one shape, 25 values": (25, np.full(records, 25)),
        "9 more values in every 8th record": (24, np.where(np.arange(records) % 8 == 0, 24, 15)),
        "9 more in every 8th, one order": (24, np.where(np.arange(records) % 8 == 0, 24, 15)),
        "0 to 12 values, one order": (12, rng.integers(0, 13, records)),
        "shape changes at every record, 0 to 12": (12, rng.integers(0, 13, records)),
        "shape changes at every record, 0 to 25": (25, rng.integers(0, 26, records)),
        "position only": (12, np.zeros(records, int)),
    }
    for label, (values, counts) in scenes.items():
        data, header = made_up_log(records, values, counts, in_order="one order" in label)
        decode_log(data, header)
        loop = timed(lambda data=data, header=header: plain_loop(data, header), 2)
        here = timed(lambda data=data, header=header: decode_log(data, header), 5)
        bare = None
        if counts.min() == counts.max() > 0:
            bare = records / timed(lambda data=data, header=header, n=values: bare_copy(data, header, n), 5)
        yield label, float(counts.mean()), records / loop, records / here, bare


def main(records: int = 100_000) -> None:
    print(
        f"{'log':42} {'loop rec/s':>12} {'here rec/s':>12} {'ratio':>7} {'values/s':>12} {'of bare copy':>13}"
    )
    for label, values, loop, here, bare in measure(records):
        share = "" if bare is None else f"{here / bare:12.2f}x"
        print(
            f"{label:42} {loop:12,.0f} {here:12,.0f} {here / loop:6.1f}x {values * here:12,.0f} {share:>13}"
        )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
