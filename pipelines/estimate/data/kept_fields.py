"""Machine-fields that were prepared before: found again by all that they were made from, or made anew.

The readings of a machine-field are known by the deliveries that hold them, everything else by its content.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime, time, timedelta
from io import BytesIO
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.load_tickets import FlowCalibration, MoistureDrift
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import Change
from chaffinch.pipelines.estimate.results.effects_table import Unanswered
from chaffinch.pipelines.program_digest import program_digest
from chaffinch.pipelines.work.delays.lag import Delays, Lag

if TYPE_CHECKING:
    from chaffinch.pipelines.lake import Lake

T = TypeVar("T")
R = TypeVar("R")

# Object stores take their time to answer.
READ_AT_ONCE = 8
_CLASSES: dict[str, type[Any]] = {
    one.__name__: one for one in (Binned, Change, Unanswered, Delays, Lag, FlowCalibration, MoistureDrift)
}


class KeptFields:
    """What was kept of the machine-fields of a lake; ``clear`` deletes what was not asked for since."""

    def __init__(self, lake: Lake) -> None:
        self._kept = lake.kept()
        self._asked: set[str] = set()
        self._behind: dict[str, list[dict[str, Any]]] = defaultdict(list)
        for row in lake.ledger().sort("delivery").iter_rows(named=True):
            if '"readings"' in (row["rows_stored"] or ""):
                for machine in row["machines"] or ():
                    self._behind[machine].append(row)

    def readings(self, row: Mapping[str, Any]) -> list[Any]:
        """What the readings of a row of ``machine_fields`` are known by: the deliveries that may hold some of them,
        how each was read, and its name, by which one of two values for a moment is chosen."""
        deliveries = [
            [one[name] for name in ("delivery", "name", "rows_stored", "read_with")]
            for one in self._behind[row["machine"]]
            if (row["field"] is None or row["field"] in (one["fields"] or ())) and _may_hold(one, row)
        ]
        return [row["machine"], row["field"], str(row.get("day")), deliveries]

    def through(
        self,
        what: str,
        work: Callable[[Sequence[T]], Iterator[R]],
        items: Sequence[T],
        made_from: Callable[[T], list[Any]],
    ) -> Iterator[R]:
        """What ``work`` gives for each item, in their order: as it was kept, else worked out now and kept.

        made_from : all that the result depends on, as JSON takes it.
        """
        names = [_digest([what, program_digest(), made_from(item)]) for item in items]
        self._asked.update(names)
        with ThreadPoolExecutor(READ_AT_ONCE, thread_name_prefix="kept") as pool:
            found = list(pool.map(self._found, names))
        missing = [item for item, known in zip(items, found, strict=True) if known is None]
        made = work(missing) if missing else iter(())
        for name, known in zip(names, found, strict=True):
            if known is not None:
                yield known[0]
                continue
            result = next(made)
            self._kept.put(name, as_bytes(result))
            yield result

    def clear(self) -> None:
        """Delete what was kept and not asked for."""
        self._kept.only(self._asked)

    def _found(self, name: str) -> tuple[Any] | None:
        content = self._kept.get(name)
        with suppress(Exception):
            return None if content is None else (from_bytes(content),)
        return None


def told(value: Any) -> Any:
    """``value`` as JSON takes it, equal for equal values. Tables with every value and type."""
    if isinstance(value, pl.DataFrame):
        return [str(dict(value.schema)), value.write_ndjson()]
    arrays: list[np.ndarray] = []
    plain = _plain(value, arrays)
    return [plain, [array.tolist() for array in arrays]]


def as_bytes(value: Any) -> bytes:
    """Lists, tuples, dictionaries, tables, arrays, what preparing makes of them, and plain values as bytes.

    Raises ``TypeError`` for anything else.
    """
    arrays: list[np.ndarray] = []
    tree = json.dumps(_plain(value, arrays), ensure_ascii=False).encode()
    out = BytesIO()
    np.savez(out, allow_pickle=False, tree=np.frombuffer(tree, np.uint8), **_named(arrays))
    return out.getvalue()


def from_bytes(content: bytes) -> Any:
    """The reverse of ``as_bytes``."""
    with np.load(BytesIO(content), allow_pickle=False) as arrays:
        return _value(json.loads(arrays["tree"].tobytes()), arrays)


def _named(arrays: list[np.ndarray]) -> dict[str, Any]:
    return {f"a{k}": array for k, array in enumerate(arrays)}


def _plain(value: Any, arrays: list[np.ndarray]) -> Any:
    """``value`` as JSON takes it; arrays and tables go to ``arrays`` and are named by their place."""
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, np.ndarray):
        arrays.append(value)
        return {"array": f"a{len(arrays) - 1}"}
    if isinstance(value, pl.DataFrame):
        table = BytesIO()
        value.write_ipc(table, compression="uncompressed")
        arrays.append(np.frombuffer(table.getvalue(), np.uint8))
        return {"table": f"a{len(arrays) - 1}"}
    if isinstance(value, (list, tuple)):
        return {type(value).__name__: [_plain(one, arrays) for one in value]}
    if isinstance(value, dict):
        return {"dict": [[_plain(k, arrays), _plain(v, arrays)] for k, v in value.items()]}
    name = type(value).__name__
    if is_dataclass(value) and _CLASSES.get(name) is type(value):
        parts = {f.name: _plain(getattr(value, f.name), arrays) for f in fields(value)}
        return {"class": name, "of": parts}
    raise TypeError(f"{name} can't be kept")


def _value(plain: Any, arrays: Mapping[str, np.ndarray]) -> Any:
    if not isinstance(plain, dict):
        return plain
    if "class" in plain:
        return _CLASSES[plain["class"]](**{k: _value(v, arrays) for k, v in plain["of"].items()})
    ((kind, content),) = plain.items()
    if kind == "array":
        return arrays[content]
    if kind == "table":
        return pl.read_ipc(BytesIO(arrays[content].tobytes()))
    if kind == "dict":
        return {_value(k, arrays): _value(v, arrays) for k, v in content}
    parts = [_value(one, arrays) for one in content]
    return tuple(parts) if kind == "tuple" else parts


def _may_hold(delivery: Mapping[str, Any], row: Mapping[str, Any]) -> bool:
    """Whether a delivery may hold readings of the day of a machine-field that is a day without a field."""
    day, first, last = row.get("day"), delivery["first_time"], delivery["last_time"]
    if day is None or first is None or last is None:
        return True
    begins = datetime.combine(day, time(), UTC)
    return bool(first < begins + timedelta(days=1) and last >= begins)


def _digest(made_from: list[Any]) -> str:
    return hashlib.sha256(json.dumps(made_from).encode()).hexdigest()
