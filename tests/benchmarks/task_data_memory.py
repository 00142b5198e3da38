"""Memory of reading 2,000,000 records of task data, as one log and as forty, each in a process of its own.

Run: python tests/benchmarks/task_data_memory.py [records]. Bound: 1.2 GB for either.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from builders import task_data_sets as sets  # noqa: E402
from chaffinch.pipelines.farm import Farm  # noqa: E402
from chaffinch.pipelines.ingest.task_data import read_task_data  # noqa: E402

LOGGED = ((397, 1), (87, 1), (99, 1), (141, 8), (67, 8), (0xE001, 1), (0xE002, 1), (254, 8))


def records(first: int, count: int) -> bytes:
    """One record a second on several days: eight values each, two of which feed no channel."""
    pairs = [
        (f"{kind}{i}", of) for i in range(len(LOGGED)) for kind, of in (("index", "u1"), ("value", "<i4"))
    ]
    fixed = [
        ("time", "<u4"),
        ("date", "<u2"),
        ("north", "<i4"),
        ("east", "<i4"),
        ("status", "u1"),
        ("n", "u1"),
    ]
    made = np.zeros(count, dtype=[*fixed, *pairs])
    at, rng = np.arange(first, first + count), np.random.default_rng(first)
    made["time"], made["date"] = at % 80_000 * 1000, sets.DAY + at // 80_000
    made["north"], made["east"] = 520_000_000 + at % 5000 * 130, 70_000_000 + at // 5000 * 900
    made["status"], made["n"] = 1, len(LOGGED)
    lows = (1500, 8_000_000, 140_000, 1, 9000, 0, 0, 18_000)
    spans = (50, 10**6, 5000, 1, 1, 1000, 1000, 1)
    for i, (low, span) in enumerate(zip(lows, spans, strict=True)):
        made[f"index{i}"], made[f"value{i}"] = i, low + rng.integers(0, span, count)
    return made.tobytes()


def peak_gb(count: int, logs: int) -> float:
    """Most memory that this process held while it read ``count`` records in so many logs, GB."""
    machine = sets.device((1, "machine", [(number, triggers, "", "") for number, triggers in LOGGED]))
    tasks = "".join(f'<TLG A="TLG{k:05d}" C="1"/>' for k in range(1, logs + 1))
    task_file = sets.task_file(devices=machine, tasks=f'<TSK A="TSK-1" G="4">{tasks}</TSK>', more="")
    header = sets.header(sets.values(*((number, 1) for number, _ in LOGGED)))
    members: dict[str, Callable[[], bytes]] = {"TASKDATA.XML": lambda: task_file}
    with tempfile.TemporaryDirectory() as folder:
        for k in range(1, logs + 1):
            path = Path(folder) / f"TLG{k:05d}.BIN"
            with path.open("wb") as stream:
                for part in range(0, count // logs, 50_000):
                    stream.write(records((k - 1) * (count // logs) + part, min(50_000, count // logs - part)))
            members |= {path.name: path.read_bytes, f"TLG{k:05d}.XML": lambda: header}
        parsed = read_task_data(members, "set", Farm(time_zone="UTC"))
    assert parsed.rows_read == count // logs * logs
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def main(count: int = 2_000_000) -> None:
    for logs in (1, 40):
        call = [sys.executable, __file__, str(count), str(logs)]
        peak = subprocess.run(call, capture_output=True, text=True, check=True).stdout.strip()
        print(f"{count:,} records, {logs:2} logs: {peak} GB")


if __name__ == "__main__":
    if len(sys.argv) > 2:
        print(f"{peak_gb(int(sys.argv[1]), int(sys.argv[2])):.2f}")
    else:
        main(*(int(argument) for argument in sys.argv[1:2]))
