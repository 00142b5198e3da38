"""Which column of a log feeds which channel, and which only have a part in one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.ingest.task_data.files.task_objects import Device
from chaffinch.pipelines.ingest.task_data.meaning.derived_channels import (
    DERIVED_FLOWS,
    DRY_MATTER,
    is_derived,
)
from chaffinch.pipelines.ingest.task_data.meaning.work_state import (
    CONDENSED,
    HEADER_LOW,
    HEADER_TURNS,
    PARTS,
    STATE,
    UNLOADING,
    WIDTHS,
)
from chaffinch.pipelines.ingest.task_data.records.log_reading import LogData
from chaffinch.pipelines.ingest.task_data.records.scaling import Scale


def chosen_columns(
    log: LogData, scales: Sequence[Scale | None], device: Device | None, notes: list[str]
) -> dict[str, int]:
    """Target -> column that feeds it: of the machine itself, of the lowest rank, then with most values."""
    candidates: dict[str, list[int]] = {}
    for index, column in enumerate(log.columns):
        # Widths by the dictionary, not by farm.toml, are put together over sections.
        is_width = column.entry is not None and "working_width_m" in column.entry.targets
        apart = is_width or is_derived(column)
        if column.target and scales[index] and len(log.rows[index]) and not apart:
            candidates.setdefault(column.target, []).append(index)
    chosen = {}
    for target, indexes in candidates.items():
        best = min(
            indexes, key=lambda i: (_foreign(log, i, device), *log.columns[i].rank, -len(log.rows[i]), i)
        )
        chosen[target] = best
        rivals = [i for i in indexes if i != best and log.columns[i].rank[0] == log.columns[best].rank[0]]
        if rivals:
            kept = ", ".join(log.columns[index].key for index in rivals)
            notes.append(f"{log.stem}: {target} is {log.columns[best].key}; {kept} is kept in other.")
    return chosen


def _foreign(log: LogData, index: int, device: Device | None) -> bool:
    """Whether a column is of another device than the machine's own."""
    element = log.columns[index].element
    return device is not None and element is not None and element.device != device.id


def of_device(log: LogData, device: Device | None) -> LogData:
    """``log`` with no values in the columns of other devices."""
    kept = [not _foreign(log, index, device) for index in range(len(log.columns))]
    return replace(
        log,
        rows=tuple(r if k else r[:0] for r, k in zip(log.rows, kept, strict=True)),
        values=tuple(v if k else v[:0] for v, k in zip(log.values, kept, strict=True)),
    )


def undecided(log: LogData) -> list[str]:
    """Sentences on columns that could feed one of several channels, when it is not known which."""
    return [
        f"{log.stem}: {column.key} may be {' or '.join(column.entry.targets)}; "
        "say which in farm.toml, under names."
        for column, rows in zip(log.columns, log.rows, strict=True)
        if column.entry is not None and len(column.entry.targets) > 1 and column.target is None and len(rows)
    ]


def fed_columns(log: LogData, chosen: Mapping[str, int]) -> dict[int, str]:
    """Column -> the channel it feeds, the only work state and the only width among them."""
    numbers = [column.place.identifier for column in log.columns]
    fed = {index: target for target, index in chosen.items()}
    for number, target in ((STATE, "working"), (WIDTHS[0], "working_width_m")):
        index = numbers.index(number) if numbers.count(number) == 1 else None
        element = log.columns[index].element if index is not None else None
        # The width or state of one part of the machine is not the machine's.
        if index is not None and (element is None or element.kind not in PARTS):
            fed.setdefault(index, target)
    return fed


def used_columns(log: LogData, chosen: Mapping[str, int], data: Mapping[str, Array]) -> dict[int, str]:
    """Column -> the channel that it had a part in, though its own values are kept in ``other``."""
    parts = {"working_width_m": WIDTHS, "working": (STATE, *CONDENSED, HEADER_LOW, HEADER_TURNS)}
    parts["unloading"] = (UNLOADING,)
    if "grain_moisture_pct" not in chosen:
        parts["grain_moisture_pct"] = (DRY_MATTER,)
    if "grain_flow_kg_s" not in chosen:
        parts["grain_flow_kg_s"] = DERIVED_FLOWS
    used: dict[int, str] = {}
    for index, column in enumerate(log.columns):
        for target, numbers in parts.items():
            if target in data and column.place.identifier in numbers:
                used[index] = target
        if is_derived(column) and column.target is not None and column.target in data:
            used[index] = column.target
    return used
