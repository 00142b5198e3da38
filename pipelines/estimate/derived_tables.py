"""Field jobs (one machine in one field) from readings to the derived tables, and from there to the estimator.

``plan_jobs`` says what each field job is made from, ``refresh_jobs`` makes the stale ones again and stores their
rows of ``work``, ``bins`` and ``field_jobs``, ``prepared_harvests`` gives all of them to the estimator.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime, time, timedelta
from functools import partial
from itertools import count, takewhile
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.load_tickets import FlowCalibration
from chaffinch.pipelines.agronomy.loss_checks import loss_check_kg_ha
from chaffinch.pipelines.estimate.data.bins import Binned, bin_work
from chaffinch.pipelines.estimate.data.changes import Change, made_at, real_adjustments
from chaffinch.pipelines.estimate.model.feed_noise import flow_noise, without_sensor_noise
from chaffinch.pipelines.estimate.results.calibration import MachineCrop, check_pairs
from chaffinch.pipelines.estimate.results.effects_table import Unanswered
from chaffinch.pipelines.estimate.sensors.sensor_facts import sensor_facts
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import Lake, ReadableLake
from chaffinch.pipelines.lake.freshness import (
    ALL_JOBS,
    Inputs,
    digest_of_frame,
    digest_of_text,
    made_from,
    shared_inputs,
)
from chaffinch.pipelines.lake.readable import job_id, job_key
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.parallel.processes import through_processes
from chaffinch.pipelines.program_digest import program_digest
from chaffinch.pipelines.trials.done.matching import match_trials
from chaffinch.pipelines.work import machine_delays
from chaffinch.pipelines.work.delays.lag import Delays
from chaffinch.pipelines.work.delays.of_machine import (
    delays_as_text,
    delays_from_text,
    pooled_delays,
    rounded,
)
from chaffinch.pipelines.work.load_calibration import WeighedLoads, weighed_loads
from chaffinch.pipelines.work.rows import by_log_clock, harvests, marked_harvests, work_rows
from chaffinch.pipelines.work.setting_state import readings_with_settings
from chaffinch.schemas.tables import tables

# No crop is longer under way from header to sensor than this.
LONGEST_DELAY_S = 600
# Rows of ``work`` that are held before they are written, and jobs of one commit.
ROWS_PER_COMMIT, JOBS_PER_COMMIT = 150_000, 64
# Jobs read from the lake at once, to limit memory.
JOBS_READ = 200
# Columns of ``bins`` that are arrays of ``Binned`` of the same name.
_ARRAYS = tuple(
    column.name
    for column in tables()["bins"].columns
    if column.kind == "number" and column.name in {f.name for f in fields(Binned)}
)

Row = Mapping[str, Any]
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
class Plan:
    """What the field jobs of a lake are made from.

    rows : of ``machine_fields``. changes : real adjustments by machine. near : by job, the changes in its days and
    the weighed loss checks of its machine in them. found, used : delays of each harvest by job, as found in its
    own readings and as used. inputs : digests, see ``freshness``. whole : jobs in the lake with what they were
    made from. trials : rows of the table with what was done of them.
    """

    lake: ReadableLake
    rows: tuple[Row, ...]
    changes: Mapping[str, pl.DataFrame]
    near: Mapping[str, tuple[pl.DataFrame, pl.DataFrame]]
    weighed: WeighedLoads
    found: Mapping[str, Sequence[Delays]]
    used: Mapping[str, Sequence[Delays]]
    inputs: Inputs
    whole: Mapping[str, str]
    trials: pl.DataFrame

    def made_from(self, row: Row) -> str:
        return made_from(self.inputs[job_key(*_key(row))])

    def is_whole(self, row: Row) -> bool:
        """Whether the lake holds the job as it would be made now."""
        return self.whole.get(job_id(*_key(row))) == self.made_from(row)

    def job(self, row: Row) -> PlannedJob:
        """What one field job is made from: all that a process needs of the plan."""
        job = job_id(*_key(row))
        changes, checks = self.near[job]
        return PlannedJob(
            self.lake,
            row,
            self.changes.get(row["machine"], changes),
            changes,
            checks,
            self.weighed.of(row["machine"], row["crop"]),
            self.found[job],
            self.used[job],
            self.made_from(row),
            self.inputs[job_key(*_key(row))]["readings"],
        )


@dataclass(frozen=True, slots=True)
class PlannedJob:
    """One field job of a ``Plan``. of_machine : all changes of its machine. readings : their digest."""

    lake: ReadableLake
    row: Row
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
        of = {"job": job_id(*_key(row)), "made_from": self.made_from}
        readings = self.lake.readings(*_key(row))
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
                    "delays_found_in": _found_in(self.readings),
                }
            )
        return {
            "work": work_rows(marked, of),
            "bins": pl.concat(bins),
            "field_jobs": tables()["field_jobs"].conform(pl.DataFrame(jobs, infer_schema_length=None)),
        }


def plan_jobs(
    lake: ReadableLake, farm: Farm, each: FanOut = one_by_one, machines: Collection[str] | None = None
) -> Plan:
    """What every field job is made from. Delays are found where the readings changed; ``each`` spreads that.
    machines : only their field jobs, where given."""
    adjustments = lake.scan("adjustments").collect()
    changes = {
        str(name[0]): real_adjustments(rows, farm.settings_log_of)
        for name, rows in adjustments.group_by("machine")
    }
    checks = lake.scan("loss_checks").collect()
    weighed = weighed_loads(lake, farm)
    rows = tuple(
        row
        for row in lake.machine_fields().sort("machine", "field", "first_time").to_dicts()
        if machines is None or row["machine"] in machines
    )
    last_seen = {row["machine"]: row["last_time"] for row in sorted(rows, key=lambda one: one["last_time"])}
    trials, changes = match_trials(lake.scan("trials").collect(), changes, last_seen)
    none = real_adjustments(adjustments.clear())
    known = {
        of: _checks_in_kg_ha(*of, checks, farm) for of in {(row["machine"], row["crop"]) for row in rows}
    }
    near = {
        job_id(*_key(row)): (
            _changes_near(row, changes.get(row["machine"], none)),
            _checks_near(row, known[row["machine"], row["crop"]]),
        )
        for row in rows
    }
    readings = _readings_digests(lake, rows)
    found = _found_delays(lake, rows, readings, each)
    together = pooled_delays({job_id(*_key(r)): (r["machine"], found[job_id(*_key(r))]) for r in rows})
    used = {job: [rounded(delays) for delays in of_job] for job, of_job in together.items()}
    begin = _settings_at_start(rows, changes)
    inputs: Inputs = {ALL_JOBS: shared_inputs(farm)}
    for row in rows:
        job = job_id(*_key(row))
        inputs[job_key(*_key(row))] = {
            "readings": readings[job],
            "settings": digest_of_text(digest_of_frame(near[job][0]) + begin.get(job, "")),
            "checks": digest_of_frame(near[job][1]),
            "loads": digest_of_text(repr(weighed.of(row["machine"], row["crop"]))),
            "delays": digest_of_text("\n".join(delays_as_text(delays) for delays in used[job])),
        }
    return Plan(lake, rows, changes, near, weighed, found, used, inputs, lake.whole_jobs(), trials)


def refresh_jobs(lake: Lake, farm: Farm, each: FanOut = one_by_one) -> Plan:
    """Make the derived rows of stale field jobs again, take out those whose readings are gone. Returns the plan.

    A job is written whole in three commits, of which the last counts; a run that ends between them leaves jobs
    that the next one makes again.
    """
    with lake.writing():
        plan = plan_jobs(lake, farm, each)
        lake.keep_jobs([job_id(*_key(row)) for row in plan.rows])
        batch: list[JobTables] = []
        for made in _made(plan, each):
            batch.append(made)
            if len(batch) >= JOBS_PER_COMMIT or sum(one["work"].height for one in batch) >= ROWS_PER_COMMIT:
                lake.put_jobs(batch)
                batch = []
        if batch:
            lake.put_jobs(batch)
        return replace(plan, whole=lake.whole_jobs())


def prepared_harvests(plan: Plan, each: FanOut = one_by_one) -> Iterator[Prepared]:
    """Every harvest of every field job, in the order of the plan's rows: from the lake, else made now."""
    made = _made(plan, each)
    for first in range(0, len(plan.rows), JOBS_READ):
        some = plan.rows[first : first + JOBS_READ]
        whole = [job_id(*_key(row)) for row in some if plan.is_whole(row)]
        bins, jobs = (
            _by_harvest(plan.lake.scan(name).filter(pl.col("job").is_in(whole)).collect()) if whole else {}
            for name in ("bins", "field_jobs")
        )
        for row in some:
            if plan.is_whole(row):
                yield from _harvests_of(row, jobs, bins, plan)
            else:
                job = next(made)
                yield from _harvests_of(row, _by_harvest(job["field_jobs"]), _by_harvest(job["bins"]), plan)


def _by_harvest(rows: pl.DataFrame) -> dict[tuple[Any, ...], pl.DataFrame]:
    """Rows of ``bins`` or ``field_jobs`` by job and harvest, in order of time."""
    ordered = rows.sort("job", "harvest", "time" if "time" in rows.columns else "first_time")
    return ordered.partition_by("job", "harvest", as_dict=True, maintain_order=True)


def _made(plan: Plan, each: FanOut) -> Iterator[JobTables]:
    """The jobs that the lake does not hold as they would be made now, in the order of the plan's rows."""
    due = [plan.job(row) for row in plan.rows if not plan.is_whole(row)]
    return (
        through_processes(each, "prepare", PlannedJob.make, due, lambda one: _name(one.row))
        if due
        else iter(())
    )


def _key(row: Row) -> tuple[str, str | None, Any]:
    return row["machine"], row["field"], row.get("day")


def _name(row: Row) -> str:
    return f"{row['machine']}, {row['field'] or row['day']}"


def _found_in(readings: str) -> str:
    return digest_of_text(f"{program_digest()} {readings}")


def _found_delays(
    lake: ReadableLake, rows: Sequence[Row], readings: Mapping[str, str], each: FanOut
) -> dict[str, list[Delays]]:
    """Delays of each harvest of each job by its own readings: as stored, else found now."""
    found: dict[str, list[Delays]] = {}
    kept = lake.scan("field_jobs").select("job", "harvest", "delays_found", "delays_found_in").collect()
    for job, _, text, found_in in kept.sort("job", "harvest").iter_rows():
        if job in readings and found_in == _found_in(readings[job]):
            found.setdefault(job, []).append(delays_from_text(text))
    due = [row for row in rows if job_id(*_key(row)) not in found]
    for row, delays in zip(
        due, through_processes(each, "find delays", partial(_find_delays, lake), due, _name), strict=True
    ):
        found[job_id(*_key(row))] = delays
    # In one order, whatever was stored: sums of floats depend on it.
    return {job: found[job] for job in sorted(readings)}


def _find_delays(lake: ReadableLake, row: Row) -> list[Delays]:
    return [machine_delays(harvest) for harvest in harvests(lake.readings(*_key(row)))]


def _readings_digests(lake: ReadableLake, rows: Sequence[Row]) -> dict[str, str]:
    """By job, of the deliveries that may hold some of its readings, how each was read, and its name, by which
    one of two values for a moment is chosen; and of its span, which one year of a lake may narrow."""
    holding: dict[str, list[dict[str, Any]]] = {}
    for one in lake.ledger().sort("delivery").iter_rows(named=True):
        if '"readings"' in (one["rows_stored"] or ""):
            for machine in one["machines"] or ():
                holding.setdefault(machine, []).append(one)
    return {
        job_id(*_key(row)): digest_of_text(
            repr(
                [str(row["first_time"]), str(row["last_time"])]
                + [
                    [one[name] for name in ("delivery", "name", "rows_stored", "read_with")]
                    for one in holding.get(row["machine"], ())
                    if (row["field"] is None or row["field"] in (one["fields"] or ())) and _may_hold(one, row)
                ]
            )
        )
        for row in rows
    }


def _may_hold(delivery: Mapping[str, Any], row: Row) -> bool:
    """Whether a delivery may hold readings of the day of a job that is a day without a field."""
    day, first, last = row.get("day"), delivery["first_time"], delivery["last_time"]
    if day is None or first is None or last is None:
        return True
    begins = datetime.combine(day, time(), UTC)
    return bool(first < begins + timedelta(days=1) and last >= begins)


def _changes_near(row: Row, changes: pl.DataFrame) -> pl.DataFrame:
    """Real adjustments of a machine in the days of a job. Which file they came in, and where in it, decides
    nothing any more but the order of what is simultaneous."""
    span = row["first_time"], row["last_time"]
    during = changes["time"].is_between(*span) | made_at(changes).is_between(*span)
    return changes.filter(during).drop("delivery", "file", "row", strict=False).with_row_index("row")


def _checks_in_kg_ha(machine: str, crop: str | None, checks: pl.DataFrame, farm: Farm) -> pl.DataFrame:
    """Loss checks of a machine as kg/ha, a count without its own kernel mass by that of the crop."""
    stated = farm.machines.get(machine)
    return (
        loss_check_kg_ha(
            checks.filter(pl.col("machine") == machine),
            thousand_kernel_mass_g=farm.of_crop("thousand_kernel_mass_g", crop),
            cut_width_m=stated.width_m if stated else None,
        )
        .drop_nulls("machine_loss_kg_ha")
        .select("time", "machine_loss_kg_ha")
    )


def _checks_near(row: Row, checks: pl.DataFrame) -> pl.DataFrame:
    """``checks`` in the days of a job. Crop that is weighed was cut a delay earlier."""
    late = timedelta(seconds=LONGEST_DELAY_S)
    return checks.filter(pl.col("time").is_between(row["first_time"] - late, row["last_time"] + late))


def _settings_at_start(rows: Sequence[Row], changes: Mapping[str, pl.DataFrame]) -> dict[str, str]:
    """By job, the settings in force when it began, as text."""
    known = [by_log_clock(of_machine) for of_machine in changes.values() if of_machine.height]
    if not known or not rows:
        return {}
    starts = pl.DataFrame(
        [{"job": job_id(*_key(r)), "machine": r["machine"], "time": r["first_time"]} for r in rows],
        schema_overrides={"time": pl.Datetime("us", "UTC")},
    )
    joined = readings_with_settings(starts, pl.concat(known, how="diagonal"))
    return {job: json.dumps(state) for job, state in joined.select("job", "settings").iter_rows()}


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


def _harvests_of(
    row: Row,
    jobs: Mapping[tuple[Any, ...], pl.DataFrame],
    bins: Mapping[tuple[Any, ...], pl.DataFrame],
    plan: Plan,
) -> Iterator[Prepared]:
    """The harvests of a job from rows of two tables (``_by_harvest``): the reverse of ``Plan.make``."""
    job = job_id(*_key(row))
    changes = plan.near[job][0]
    for key in takewhile(jobs.__contains__, ((job, k) for k in count(1))):
        about = jobs[key].row(0, named=True)
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
