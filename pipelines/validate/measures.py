"""What batch expectations bound: a few numbers about each delivery, each machine in it and its channels.

One row per delivery, per delivery and machine, and per delivery, machine and channel; measures that do not
apply to a row are empty.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

import polars as pl
from chaffinch.pipelines.parsed import Parsed

LOSS_CHANNELS = (
    "separation_loss_signal",
    "cleaning_loss_signal",
    "separation_loss_kg_s",
    "cleaning_loss_kg_s",
)
# A pause is an interval this many times the usual one; it is not irregular sampling.
PAUSE_INTERVALS = 10
_MEASURED_COLUMNS = (
    "row", "time", "machine", "field", "crop", "working", "speed_m_s", "grain_flow_kg_s",
)  # fmt: skip
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
        measured = readings.select(
            c
            for c in readings.columns
            if c in judged_channels or c in _MEASURED_COLUMNS or c in LOSS_CHANNELS
        )
        for (machine,), own in _by_machine(measured):
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
    own = _sorted(own, "row")
    logged_step_s = _steps_s(own["time"])
    ascends = logged_step_s.len() == own.height - 1 and (logged_step_s > 0).all()
    # Rows out of order say nothing about the interval: that is one between neighbours in time.
    step_s = logged_step_s if ascends else _steps_s(own["time"].sort())
    forward = step_s.filter(step_s > 0)
    usual_s = _number(forward.median()) if forward.len() else None
    work = _in_work(own)
    present = {c for c in own.columns if own[c].null_count() < own.height}
    whole: dict[str, Any] = {
        "no_field_pct": _empty_pct(own, "field"),
        "no_crop_pct": _empty_pct(own, "crop"),
        "backwards_pct": _share_pct(logged_step_s < 0) if logged_step_s.len() else None,
        "interval_s": usual_s,
        "shared_moment_pct": 0.0 if ascends else _share_pct(own["time"].is_duplicated()),
        "future_h": _hours_from_now(own["time"].max()),
        "loss_channels": float(len(present & set(LOSS_CHANNELS))),
        "grain_flow_channels": float("grain_flow_kg_s" in present),
    }
    if usual_s:
        busy = forward.filter(forward < PAUSE_INTERVALS * usual_s)
        whole["irregular_pct"] = _share_pct((busy - usual_s).abs() > usual_s / 2)
        whole["work_h"] = work.height * usual_s / 3600
    rows = [whole]
    if work.height and usual_s:
        ordered = _sorted(work, "time")
        for channel in [c for c in ordered.columns if c in judged_channels and c in present]:
            rows.append({"channel": channel, **_of_channel(ordered[channel], usual_s)})
    return [{key: value for key, value in row.items() if value is not None} for row in rows]


def _sorted(rows: pl.DataFrame, column: str) -> pl.DataFrame:
    return rows if rows[column].is_sorted() else rows.sort(column, maintain_order=True)


def _steps_s(times: pl.Series) -> pl.Series:
    return times.diff().dt.total_microseconds().drop_nulls() / 1e6


def _in_work(own: pl.DataFrame) -> pl.DataFrame:
    """Readings in work: as logged, else those that move with grain flowing, else those that move."""
    if "working" in own.columns and own["working"].null_count() < own.height:
        return own.filter(pl.col("working") == 1)
    moving = pl.col("speed_m_s") > 0.2 if "speed_m_s" in own.columns else pl.lit(True)
    flowing = pl.col("grain_flow_kg_s") > 0 if "grain_flow_kg_s" in own.columns else pl.lit(True)
    return own.filter(moving & flowing)


def _of_channel(values: pl.Series, usual_s: float) -> dict[str, Any]:
    known = values.drop_nulls()
    measures: dict[str, Any] = {"missing_pct": 100.0 * values.null_count() / values.len()}
    if known.len():
        runs = known.rle().struct.field("len")
        changes = runs.len() > 1
        measures["unmoved_h"] = _number(runs.max()) * usual_s / 3600
        measures["median"] = _number(known.median())
        top = known.max()
        if changes:
            measures["at_ceiling_pct"] = _share_pct(known == top)
    return measures


def _empty_pct(own: pl.DataFrame, column: str) -> float:
    return 100.0 * own[column].null_count() / own.height if column in own.columns else 100.0


def _share_pct(flags: pl.Series) -> float:
    return 100.0 * _number(flags.mean())


def _hours_from_now(moment: Any) -> float:
    return _number((moment - datetime.now(UTC)).total_seconds()) / 3600


def _number(value: Any) -> float:
    """A statistic of a numeric column as a float; polars types it as anything a column may hold."""
    return float(value)
