"""What batch expectations bound: a few numbers about each delivery, each machine in it and its channels.

One row per delivery, per delivery and machine, and per delivery, machine and channel; measures that do not
apply to a row are empty.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.parsed import Parsed
from numpy.typing import NDArray

LOSS_CHANNELS = (
    "separation_loss_signal",
    "cleaning_loss_signal",
    "separation_loss_kg_s",
    "cleaning_loss_kg_s",
)
# A pause is an interval this many times the usual one; it is not irregular sampling.
PAUSE_INTERVALS = 10
MEASURES = (
    "set_aside_pct", "values_aside_pct", "rows_kept", "no_field_pct", "no_crop_pct", "backwards_pct", "irregular_pct",
    "interval_s", "shared_moment_pct", "future_h", "work_h", "loss_channels", "grain_flow_channels",
    "missing_pct", "unmoved_h", "at_ceiling_pct", "median",
)  # fmt: skip


def measure(name: str, parsed: Parsed, judged_channels: frozenset[str]) -> list[dict[str, Any]]:
    """Rows for delivery ``name``: ``delivery``, ``machine``, ``channel`` and the measures that apply.

    Shares in % of rows, durations in hours, ``interval_s`` in seconds, ``median`` in the channel's unit.
    """
    if not parsed.rows_read:
        return []
    rows: list[dict[str, Any]] = [
        {
            "delivery": name,
            "set_aside_pct": 100.0 * (parsed.rows_set_aside - parsed.rows_of_remarks) / parsed.rows_read,
            "values_aside_pct": 100.0 * parsed.rows_with_values_set_aside / parsed.rows_read,
            "rows_kept": float(parsed.rows_read - parsed.rows_set_aside),
        }
    ]
    readings = parsed.readings
    if readings is not None and readings.height:
        for (machine,), own in _by_machine(readings):
            rows.extend(
                {"delivery": name, "machine": machine, **one} for one in _of_machine(own, judged_channels)
            )
    return rows


def _by_machine(readings: pl.DataFrame) -> Iterable[tuple[tuple[Any, ...], pl.DataFrame]]:
    machines = readings["machine"].unique()
    if machines.len() == 1:
        return [((machines[0],), readings)]
    return readings.group_by("machine", maintain_order=True)


def _of_machine(own: pl.DataFrame, judged_channels: frozenset[str]) -> list[dict[str, Any]]:
    """With NumPy, since a log of thirty rows takes Polars twice as long: each small call has its own cost."""
    if not own["row"].is_sorted():
        own = own.sort("row", maintain_order=True)
    time_us = own["time"].to_physical().to_numpy()
    logged_step_s = np.diff(time_us) / 1e6
    ascends = bool((logged_step_s > 0).all())
    # Rows out of order say nothing about the interval: that is one between neighbours in time.
    step_s = logged_step_s if ascends else np.diff(np.sort(time_us)) / 1e6
    forward = step_s[step_s > 0]
    usual_s = float(np.median(forward)) if forward.size else None
    present = {c for c in own.columns if own[c].null_count() < own.height}
    whole: dict[str, Any] = {
        "no_field_pct": _empty_pct(own, "field"),
        "no_crop_pct": _empty_pct(own, "crop"),
        "backwards_pct": _share_pct(logged_step_s < 0) if logged_step_s.size else None,
        "interval_s": usual_s,
        "shared_moment_pct": 0.0 if ascends else _share_pct(own["time"].is_duplicated().to_numpy()),
        "future_h": (time_us.max() / 1e6 - datetime.now(UTC).timestamp()) / 3600,
        "loss_channels": float(len(present & set(LOSS_CHANNELS))),
        "grain_flow_channels": float("grain_flow_kg_s" in present),
    }
    rows = [whole]
    if usual_s:
        busy, work = forward[forward < PAUSE_INTERVALS * usual_s], np.flatnonzero(_in_work(own))
        whole["irregular_pct"] = _share_pct(np.abs(busy - usual_s) > usual_s / 2)
        whole["work_h"] = work.size * usual_s / 3600
        if not ascends:
            work = work[np.argsort(time_us[work], kind="stable")]
        for channel in [c for c in own.columns if c in judged_channels and c in present and work.size]:
            rows.append({"channel": channel, **_of_channel(own[channel].to_numpy()[work], usual_s)})
    return [{key: value for key, value in row.items() if value is not None} for row in rows]


def _in_work(own: pl.DataFrame) -> NDArray[np.bool_]:
    """Readings in work: as logged, else those that move with grain flowing, else those that move."""
    if "working" in own.columns and own["working"].null_count() < own.height:
        return np.asarray(own["working"].to_numpy() == 1)
    work = np.ones(own.height, dtype=bool)
    for channel, least in (("speed_m_s", 0.2), ("grain_flow_kg_s", 0.0)):
        if channel in own.columns:
            work &= own[channel].to_numpy() > least
    return work


def _of_channel(values: Array, usual_s: float) -> dict[str, float]:
    """values : at the readings in work, in the order of time; NaN where missing."""
    known = values[~np.isnan(values)]
    measures = {"missing_pct": 100.0 * (values.size - known.size) / values.size}
    if known.size:
        begins = np.flatnonzero(np.r_[True, known[1:] != known[:-1], True])
        measures["unmoved_h"] = float(np.diff(begins).max()) * usual_s / 3600
        measures["median"] = float(np.median(known))
        if begins.size > 2:
            measures["at_ceiling_pct"] = _share_pct(known == known.max())
    return measures


def _empty_pct(own: pl.DataFrame, column: str) -> float:
    return 100.0 * own[column].null_count() / own.height if column in own.columns else 100.0


def _share_pct(flags: NDArray[np.bool_]) -> float:
    return 100.0 * float(flags.mean())
