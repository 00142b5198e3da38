"""Field jobs (one machine in one field) from readings to the derived tables, and from there to the estimator.

``plan_jobs`` says what each field job is made from, ``refresh_jobs`` makes the stale ones again and stores their
rows of ``work``, ``bins`` and ``field_jobs``, ``prepared_harvests`` gives all of them to the estimator.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from functools import partial
from typing import Any

import polars as pl
from chaffinch.pipelines.agronomy.loss_checks import loss_check_kg_ha
from chaffinch.pipelines.estimate.data.changes import made_at, real_adjustments
from chaffinch.pipelines.estimate.job_rows import (
    JobRow,
    JobTables,
    PlannedJob,
    Prepared,
    delays_stamp,
    harvests_of,
    job_of,
    key_of,
)
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
from chaffinch.pipelines.lake.readable import job_key
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.parallel.processes import through_processes
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
from chaffinch.pipelines.work.rows import by_log_clock, harvests
from chaffinch.pipelines.work.setting_state import readings_with_settings

# No crop is longer under way from header to sensor than this.
LONGEST_DELAY_S = 600
# Rows of ``work`` that are held before they are written, and jobs of one commit.
ROWS_PER_COMMIT, JOBS_PER_COMMIT = 150_000, 64
# Jobs read from the lake at once, to limit memory.
JOBS_READ = 200


@dataclass(frozen=True, slots=True)
class Plan:
    """What the field jobs of a lake are made from.

    rows : of ``machine_fields``. changes : real adjustments by machine. near : by job, the changes in its days and
    the weighed loss checks of its machine in them. found, used : delays of each harvest by job, as found in its
    own readings and as used. inputs : digests, see ``freshness``. whole : jobs in the lake with what they were
    made from. trials : rows of the table with what was done of them.
    """

    lake: ReadableLake
    rows: tuple[JobRow, ...]
    changes: Mapping[str, pl.DataFrame]
    near: Mapping[str, tuple[pl.DataFrame, pl.DataFrame]]
    weighed: WeighedLoads
    found: Mapping[str, Sequence[Delays]]
    used: Mapping[str, Sequence[Delays]]
    inputs: Inputs
    whole: Mapping[str, str]
    trials: pl.DataFrame

    def made_from(self, row: JobRow) -> str:
        return made_from(self.inputs[job_key(*key_of(row))])

    def is_whole(self, row: JobRow) -> bool:
        """Whether the lake holds the job as it would be made now."""
        return self.whole.get(job_of(row)) == self.made_from(row)

    def job(self, row: JobRow) -> PlannedJob:
        """What one field job is made from: all that a process needs of the plan."""
        job = job_of(row)
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
            self.inputs[job_key(*key_of(row))]["readings"],
        )


def plan_jobs(
    lake: ReadableLake, farm: Farm, each: FanOut = one_by_one, machines: Collection[str] | None = None
) -> Plan:
    """What every field job is made from. Delays are found where the readings changed; ``each`` spreads that.
    machines : only their field jobs, where given."""
    asked = pl.lit(True) if machines is None else pl.col("machine").is_in(list(machines))
    adjustments = lake.scan("adjustments").filter(asked).collect()
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
    trials, changes = match_trials(lake.scan("trials").filter(asked).collect(), changes, last_seen)
    none = real_adjustments(adjustments.clear())
    known = {
        of: _checks_in_kg_ha(*of, checks, farm) for of in {(row["machine"], row["crop"]) for row in rows}
    }
    near = {
        job_of(row): (
            _changes_near(row, changes.get(row["machine"], none)),
            _checks_near(row, known[row["machine"], row["crop"]]),
        )
        for row in rows
    }
    readings = _readings_digests(lake, rows)
    found = _found_delays(lake, rows, readings, each)
    together = pooled_delays({job_of(r): (r["machine"], found[job_of(r)]) for r in rows})
    used = {job: [rounded(delays) for delays in of_job] for job, of_job in together.items()}
    begin = _settings_at_start(rows, changes)
    inputs: Inputs = {ALL_JOBS: shared_inputs(farm)}
    for row in rows:
        job = job_of(row)
        inputs[job_key(*key_of(row))] = {
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
        lake.keep_jobs([job_of(row) for row in plan.rows])
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
        whole = [job_of(row) for row in some if plan.is_whole(row)]
        stored = {
            name: plan.lake.scan(name).filter(pl.col("job").is_in(whole)).collect()
            for name in (("bins", "field_jobs") if whole else ())
        }
        bins = _by_harvest(stored["bins"]) if whole else {}
        jobs = stored["field_jobs"].partition_by("job", as_dict=True) if whole else {}
        for row in some:
            near, _ = plan.near[job_of(row)]
            if plan.is_whole(row):
                yield from harvests_of(row, jobs[job_of(row),], bins, near)
            else:
                job = next(made)
                yield from harvests_of(row, job["field_jobs"], _by_harvest(job["bins"]), near)


def _by_harvest(rows: pl.DataFrame) -> dict[tuple[Any, ...], pl.DataFrame]:
    """Rows of ``bins`` by job and harvest, in order of time."""
    ordered = rows.sort("job", "harvest", "time")
    return ordered.partition_by("job", "harvest", as_dict=True, maintain_order=True)


def _made(plan: Plan, each: FanOut) -> Iterator[JobTables]:
    """The jobs that the lake does not hold as they would be made now, in the order of the plan's rows."""
    due = [plan.job(row) for row in plan.rows if not plan.is_whole(row)]
    return (
        through_processes(each, "prepare", PlannedJob.make, due, lambda one: _name(one.row))
        if due
        else iter(())
    )


def _name(row: JobRow) -> str:
    return f"{row['machine']}, {row['field'] or row['day']}"


def _found_delays(
    lake: ReadableLake, rows: Sequence[JobRow], readings: Mapping[str, str], each: FanOut
) -> dict[str, list[Delays]]:
    """Delays of each harvest of each job by its own readings: as stored, else found now."""
    found: dict[str, list[Delays]] = {}
    kept = lake.scan("field_jobs").select("job", "harvest", "delays_found", "delays_found_in").collect()
    for job, _, text, stamp in kept.sort("job", "harvest").iter_rows():
        if job in readings and stamp == delays_stamp(readings[job]):
            found.setdefault(job, []).append(delays_from_text(text))
    due = [row for row in rows if job_of(row) not in found]
    for row, delays in zip(
        due, through_processes(each, "find delays", partial(_find_delays, lake), due, _name), strict=True
    ):
        found[job_of(row)] = delays
    # In one order, whatever was stored: sums of floats depend on it.
    return {job: found[job] for job in sorted(readings)}


def _find_delays(lake: ReadableLake, row: JobRow) -> list[Delays]:
    return [machine_delays(harvest) for harvest in harvests(lake.readings(*key_of(row)))]


def _readings_digests(lake: ReadableLake, rows: Sequence[JobRow]) -> dict[str, str]:
    """By job, of the deliveries that may hold some of its readings, how each was read, and its name, by which
    one of two values for a moment is chosen; and of its span, which one year of a lake may narrow."""
    holding: dict[str, list[dict[str, Any]]] = {}
    for one in lake.ledger().sort("delivery").iter_rows(named=True):
        if '"readings"' in (one["rows_stored"] or ""):
            for machine in one["machines"] or ():
                holding.setdefault(machine, []).append(one)
    return {
        job_of(row): digest_of_text(
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


def _may_hold(delivery: Mapping[str, Any], row: JobRow) -> bool:
    """Whether a delivery may hold readings of the day of a job that is a day without a field."""
    day, first, last = row.get("day"), delivery["first_time"], delivery["last_time"]
    if day is None or first is None or last is None:
        return True
    begins = datetime.combine(day, time(), UTC)
    return bool(first < begins + timedelta(days=1) and last >= begins)


def _changes_near(row: JobRow, changes: pl.DataFrame) -> pl.DataFrame:
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


def _checks_near(row: JobRow, checks: pl.DataFrame) -> pl.DataFrame:
    """``checks`` in the days of a job. Crop that is weighed was cut a delay earlier."""
    late = timedelta(seconds=LONGEST_DELAY_S)
    return checks.filter(pl.col("time").is_between(row["first_time"] - late, row["last_time"] + late))


def _settings_at_start(rows: Sequence[JobRow], changes: Mapping[str, pl.DataFrame]) -> dict[str, str]:
    """By job, the settings in force when it began, as text."""
    known = [by_log_clock(of_machine) for of_machine in changes.values() if of_machine.height]
    if not known or not rows:
        return {}
    starts = pl.DataFrame(
        [{"job": job_of(r), "machine": r["machine"], "time": r["first_time"]} for r in rows],
        schema_overrides={"time": pl.Datetime("us", "UTC")},
    )
    joined = readings_with_settings(starts, pl.concat(known, how="diagonal"))
    return {job: json.dumps(state) for job, state in joined.select("job", "settings").iter_rows()}
