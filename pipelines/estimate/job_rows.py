"""One field job (one machine in one field): its rows of ``work``, ``bins`` and ``field_jobs``, and back to bins."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.load_tickets import FlowCalibration
from chaffinch.pipelines.estimate.data.bins import Binned, bin_work
from chaffinch.pipelines.estimate.data.changes import Change, made_at
from chaffinch.pipelines.estimate.model.feed_noise import flow_noise, without_sensor_noise
from chaffinch.pipelines.estimate.results.calibration import MachineCrop, check_pairs
from chaffinch.pipelines.estimate.results.effects_table import Unanswered
from chaffinch.pipelines.estimate.sensors.sensor_facts import sensor_facts
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.lake.freshness import digest_of_text
from chaffinch.pipelines.lake.readable import job_id
from chaffinch.pipelines.program_digest import program_digest
from chaffinch.pipelines.work.delays.lag import Delays
from chaffinch.pipelines.work.delays.of_machine import delays_as_text
from chaffinch.pipelines.work.rows import by_log_clock, marked_harvests, work_rows
from chaffinch.schemas.tables import tables

# Columns of ``bins`` that are arrays of ``Binned`` of the same name.
_ARRAYS = tuple(
    column.name
    for column in tables()["bins"].columns
    if column.kind == "number" and column.name in {f.name for f in fields(Binned)}
)

JobRow = Mapping[str, Any]
"""A row of ``machine_fields``."""
JobTables = dict[str, pl.DataFrame]
"""Rows of one field job, by derived table."""
Prepared = tuple[Binned | Unanswered, MachineCrop, np.ndarray]
"""One harvest: its bins or why there are none, its machine and crop, and what its loss checks say."""


def prepare_marked(
    marked: pl.DataFrame, adjustments: pl.DataFrame, checks: pl.DataFrame | None, delays: Delays
) -> tuple[Binned | None, np.ndarray]:
    """One harvest of a field job in bins, and what its loss checks say of its signals (``check_pairs``).

    marked : readings after ``mark_work`` with the same ``delays``. adjustments : real adjustments of its machine.
    checks : loss checks of the harvest with ``machine_loss_kg_ha`` known.
    """
    binned = bin_work(marked, adjustments, delays.loss_s)
    if binned is not None:
        binned = without_sensor_noise(binned, flow_noise(marked))
    if checks is None or checks.height == 0:
        return binned, np.empty((0, 3))
    return binned, check_pairs(marked, checks, delays.loss_s)


@dataclass(frozen=True, slots=True)
class PlannedJob:
    """One field job of a ``Plan``. of_machine : all changes of its machine. readings : their digest."""

    lake: ReadableLake
    row: JobRow
    of_machine: pl.DataFrame
    changes: pl.DataFrame
    checks: pl.DataFrame
    calibration: FlowCalibration | None
    found: Sequence[Delays]
    used: Sequence[Delays]
    made_from: str
    readings: str

    def make(self) -> JobTables:
        """Its derived rows."""
        row, changes = self.row, self.changes
        of = {"job": job_of(row), "made_from": self.made_from}
        readings = self.lake.readings(*key_of(row))
        marked = marked_harvests(readings, by_log_clock(self.of_machine), self.calibration, self.used)
        bins, jobs = [tables()["bins"].empty()], []
        for k, (harvest, delays) in enumerate(zip(marked, self.used, strict=True)):
            binned, pairs = prepare_marked(harvest, changes, self.checks, delays)
            shared = of | {"machine": row["machine"], "field": row["field"], "harvest": k + 1}
            bins.append(_bin_rows(binned, shared))
            jobs.append(
                shared
                | _about(harvest, binned, changes, delays)
                | {
                    "day": str(row["day"]) if row["day"] else None,
                    "bins": bins[-1].height,
                    "loss_checks": json.dumps(pairs.tolist()),
                    "delays_found": delays_as_text(self.found[k]),
                    "delays_found_in": delays_stamp(self.readings),
                }
            )
        return {
            "work": work_rows(marked, of),
            "bins": pl.concat(bins),
            "field_jobs": tables()["field_jobs"].conform(pl.DataFrame(jobs, infer_schema_length=None)),
        }


def key_of(row: JobRow) -> tuple[str, str | None, Any]:
    """Machine, field, and the day where there is no field."""
    return row["machine"], row["field"], row.get("day")


def job_of(row: JobRow) -> str:
    """The identifier of a field job."""
    return job_id(*key_of(row))


def delays_stamp(readings: str) -> str:
    """Digest of the program and of readings (``readings``: theirs): delays found under it still hold."""
    return digest_of_text(f"{program_digest()} {readings}")


def _about(
    harvest: pl.DataFrame, binned: Binned | None, changes: pl.DataFrame, delays: Delays
) -> dict[str, Any]:
    """What ``field_jobs`` says of one harvest after ``prepare``."""
    about = {
        "first_time": harvest["time"][0],
        "last_time": harvest["time"][-1],
        "readings": harvest.height,
        "loss_delay_s": delays.loss_s,
    } | {f"{s}_delay_s": delays.of(s).seconds for s in ("grain", "separation", "cleaning", "moisture")}
    if binned is None:
        during = made_at(changes).is_between(harvest["time"].min(), harvest["time"].max())
        return about | _no_work(harvest) | {"changes": json.dumps([0 if one else None for one in during])}
    number = {row: k for k, change in enumerate(binned.changes) for row in change.rows["row"]}
    return about | {
        "crop": binned.crop,
        "outcomes": list(binned.outcomes),
        "flaws": [f"{outcome}:{code}" for outcome, codes in binned.flaws.items() for code in codes],
        "calibrated": int(binned.calibrated),
        "sensors": json.dumps(sensor_facts(harvest, binned)),
        "changes": json.dumps([number.get(row) for row in changes["row"]]),
    }


def _no_work(harvest: pl.DataFrame) -> dict[str, Any]:
    """Why a harvest has no usable work, and the outcomes that stay unknown."""

    def known(name: str) -> bool:
        return name in harvest.columns and harvest[name].count() > 0

    places = [p for p in ("separation_loss", "cleaning_loss") if known(f"{p}_signal") or known(f"{p}_kg_s")]
    return {
        "crop": harvest["crop"].drop_nulls()[0] if known("crop") else None,
        "outcomes": [*places, *(["machine_loss"] if len(places) == 2 else []), "throughput", "capacity"],
        "not_usable_because": "no_readings" if known("grain_flow_kg_s") else "no_grain_flow",
    }


def _bin_rows(binned: Binned | None, shared: Mapping[str, Any]) -> pl.DataFrame:
    """Rows of ``bins``; unknown values are null."""
    if binned is None:
        return tables()["bins"].empty()
    arrays = {name: getattr(binned, name) for name in _ARRAYS}
    arrays |= {f"log_{outcome}": values for outcome, values in binned.outcomes.items()}
    frame = pl.DataFrame(arrays).with_columns(
        pl.Series("time", np.round(binned.time_s * 1e6).astype(np.int64)).cast(pl.Datetime("us", "UTC")),
        pl.Series("step", binned.step),
        *(pl.lit(value).alias(name) for name, value in shared.items()),
    )
    return tables()["bins"].conform(frame.with_columns(pl.col(pl.Float64).fill_nan(None)))


def harvests_of(
    row: JobRow,
    jobs: pl.DataFrame,
    bins: Mapping[tuple[Any, ...], pl.DataFrame],
    changes: pl.DataFrame,
) -> Iterator[Prepared]:
    """The harvests of a job from its rows of ``field_jobs`` and from ``bins`` by job and harvest: the reverse of
    ``PlannedJob.make``. changes : in its days."""
    for about in jobs.sort("harvest").iter_rows(named=True):
        number = pl.Series(json.loads(about["changes"]), dtype=pl.Int64)
        pairs = np.array(json.loads(about["loss_checks"]), dtype=float).reshape(-1, 3)
        if about["not_usable_because"] is not None:
            unanswered = Unanswered(
                about["machine"],
                about["field"],
                about["crop"],
                changes.filter(number.is_not_null()),
                tuple(about["outcomes"]),
                about["not_usable_because"],
            )
            yield unanswered, (row["machine"], row["crop"]), pairs
            continue
        key = about["job"], about["harvest"]
        mine = bins[key] if key in bins else tables()["bins"].empty()
        flaws: dict[str, list[str]] = {outcome: [] for outcome in about["outcomes"]}
        for flaw in about["flaws"]:
            outcome, _, code = flaw.partition(":")
            flaws.setdefault(outcome, []).append(code)
        arrays: dict[str, Any] = {name: _numbers(mine[name]) for name in _ARRAYS}
        binned = Binned(
            machine=about["machine"],
            field=about["field"],
            crop=about["crop"],
            changes=_changes(changes, number),
            time_s=mine["time"].dt.epoch("us").to_numpy() / 1e6,
            step=mine["step"].to_numpy().astype(int),
            outcomes={one: _numbers(mine[f"log_{one}"]) for one in about["outcomes"]},
            flaws=flaws,
            calibrated=bool(about["calibrated"]),
            loss_delay_s=about["loss_delay_s"],
            **arrays,
        )
        yield binned, (binned.machine, binned.crop), pairs


def _changes(adjustments: pl.DataFrame, number: pl.Series) -> list[Change]:
    """Adjustments by the number of their change (``group_changes``); those without one are left out."""
    ordered = adjustments.with_columns(made_at(adjustments).alias("made_at"), number.alias("_change"))
    ordered = ordered.sort("made_at", "setting", "row", maintain_order=True)
    found = []
    for rows in ordered.drop_nulls("_change").partition_by("_change", maintain_order=True, include_key=False):
        found.append(Change.of(rows))
    return found


def _numbers(column: pl.Series) -> np.ndarray:
    # Nulls become NaN.
    return np.array(column.to_numpy(), dtype=float)
