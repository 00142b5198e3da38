"""Field pages that are due: what each is made from, and making them, in several processes where there are many."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, TypeVar

import polars as pl
from chaffinch.dashboards.pages.data_quality import deliveries_of
from chaffinch.dashboards.pages.field_facts import Facts
from chaffinch.dashboards.pages.field_page import FieldInputs, field_context
from chaffinch.dashboards.pages.group_page import GroupJob
from chaffinch.dashboards.pages.settings_in_use import InUse
from chaffinch.dashboards.site.digest import digest_of
from chaffinch.dashboards.words.links import field_href
from chaffinch.dashboards.words.machine_lines import MachineLines
from chaffinch.dashboards.words.shown_changes import TWINS, of_field
from chaffinch.dashboards.words.trial_words import SettingTrial, ShownTrial
from chaffinch.pipelines.errors import NotYet
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.lake.readable import job_id
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.work import machine_delays
from chaffinch.pipelines.work.delays.lag import SENSORS, Delays
from chaffinch.pipelines.work.facts import delay_sentence
from chaffinch.pipelines.work.load_calibration import WeighedLoads
from chaffinch.pipelines.work.outside_logs import OutsideLogs
from chaffinch.pipelines.work.rows import by_log_clock, marked_readings

# Changes and loss checks so near to the readings of a field belong to it.
NEAR = timedelta(minutes=10)
PooledDelays = Mapping[str, Sequence[Delays]]
"""Delays of each harvest, by field job."""


@dataclass(frozen=True, slots=True)
class FieldJob:
    """A page to be made: its name, what it is made from, and the rows of the tables that concern it.

    day : of readings without a field, else None. boundary_wkt : outline of the field, or None. whole, planned : lines
    and trials of the machine, of settings changed here. of_machine : its real adjustments. delays : pooled. in_use :
    settings, where ``work`` holds the job.
    """

    page: str
    digest: str
    machine: str
    field: str | None
    day: date | None
    boundary_wkt: str | None
    narrowed: dict[str, pl.DataFrame]
    of_machine: pl.DataFrame
    delays: Sequence[Delays]
    trials: tuple[ShownTrial, ...] = ()
    whole: tuple[MachineLines, ...] = ()
    planned: tuple[tuple[str | None, Mapping[str, SettingTrial]], ...] = ()
    outside: tuple[str, ...] = ()
    in_use: Sequence[InUse] | None = None

    @property
    def id(self) -> str:
        return job_id(self.machine, self.field, self.day)


@dataclass(frozen=True, slots=True)
class Ground:
    """What all pages are made from."""

    lake: ReadableLake
    farm: Farm
    weighed: WeighedLoads

    def make(self, job: FieldJob | GroupJob) -> tuple[bytes, Facts]:
        """The page of a job, and what pages of many fields need of the readings of a field."""
        if isinstance(job, GroupJob):
            return job.make(self.farm), {}
        from chaffinch.dashboards.templates import render

        job_at = (job.machine, job.field, job.day)
        readings = self.lake.readings(*job_at)
        crops = readings["crop"].drop_nulls().mode().sort()
        crop = crops[0] if crops.len() else None
        in_force, weighed = by_log_clock(job.of_machine), self.weighed.of(job.machine, crop)
        marked = marked_readings(self.lake, *job_at, in_force, weighed, readings)
        # Of several harvests the last one's.
        found = job.delays or [machine_delays(readings)]
        inputs = FieldInputs(
            job.machine,
            job.field,
            crop,
            marked,
            boundary_wkt=job.boundary_wkt,
            weighed=self.weighed,
            delays=found[-1],
            in_use=job.in_use,
            whole=job.whole,
            trials=dict(job.planned).get(crop, {}),
            **job.narrowed,
        )
        context = field_context(inputs, self.farm)
        shown = context | {"trials": job.trials, "outside": job.outside}
        return render("field", shown, "../"), context["facts"]


Job = TypeVar("Job", FieldJob, GroupJob)


def make_all(
    make: Callable[[Any], tuple[bytes, Facts]], jobs: Sequence[Job], each: FanOut = one_by_one
) -> Iterator[tuple[Job, bytes, Facts]]:
    """Every page, in the order of ``jobs``. make : of a ``Ground``, here or in processes. each : how the work is
    spread."""
    pages = each("make pages", make, jobs, lambda job: job.page)
    for job, page in zip(jobs, pages, strict=True):
        if isinstance(page, NotYet):
            raise page
        content, facts = page
        yield job, content, facts


@dataclass(frozen=True, slots=True)
class MachineTables:
    """Tables parted by machine (outlines by field, rows set aside by delivery), so that a thousand pages are
    not looked for in one long table each.
    """

    parts: dict[str, dict[tuple[Any, ...], pl.DataFrame]]
    none: dict[str, pl.DataFrame]
    lines: Mapping[str, tuple[MachineLines, ...]]

    @classmethod
    def of(
        cls,
        tables: dict[str, pl.DataFrame],
        weighed: WeighedLoads,
        machine_lines: Sequence[MachineLines],
    ) -> MachineTables:
        ledger = tables["deliveries"]
        whole = {
            **{
                name: tables[name]
                for name in (
                    "effects",
                    "adjustments",
                    "loss_checks",
                    "fields",
                    "set_aside",
                    "responses",
                    "loss_curves",
                )
            },
            "loads": weighed.loads,
            "deliveries": ledger.with_columns(pl.col("machines").alias("machine")).explode("machine"),
        }
        by = {"fields": "field", "set_aside": "delivery"}
        parts = {
            name: frame.partition_by(by.get(name, "machine"), as_dict=True) for name, frame in whole.items()
        }
        lines: dict[str, tuple[MachineLines, ...]] = {}
        for one in machine_lines:
            lines[one.machine] = (*lines.get(one.machine, ()), one)
        return cls(parts, {name: frame.clear() for name, frame in whole.items()}, lines)

    def get(self, name: str, key: str | None) -> pl.DataFrame:
        """Rows of a table for one machine, field or delivery."""
        return self.parts[name].get((key,), self.none[name])


def _changed_here(one: MachineLines, row: dict[str, Any], settings: Collection[str]) -> MachineLines:
    """The lines of a machine that are about changes in the field of ``row``."""
    lines = [
        line
        for line in one.lines
        if line.setting in settings
        or (line.setting is None and row["first_time"] - NEAR <= line.last_time <= row["last_time"] + NEAR)
    ]
    return replace(one, lines=lines, curves=[None] * len(lines))


def _span(row: dict[str, Any]) -> pl.Expr:
    return pl.col("time").is_between(row["first_time"] - NEAR, row["last_time"] + NEAR)


def adjustments_at(row: dict[str, Any], effects: pl.DataFrame, adjustments: pl.DataFrame) -> pl.DataFrame:
    """Adjustments within the time of a row of ``machine_fields``. effects, adjustments : of its machine.

    An adjustment names no field: one that has its effect in another field belongs there.
    """
    elsewhere = effects.filter((pl.col("scope") == "adjustment") & ~of_field(row)).select("setting", "time")
    return adjustments.filter(_span(row)).join(elsewhere, on=["setting", "time"], how="anti")


def shown_effects(effects: pl.DataFrame, adjustments: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``effects`` that the page of a field shows: the row of the field about a setting that was moved once in
    it says what the row of that change says.

    effects, adjustments : of the field. Rows logged within ``TWINS`` of a change with an effect are that change.
    """
    own = effects.filter(pl.col("scope") == "adjustment").select("setting", "time", pl.lit(1).alias("own"))
    moved = pl.concat([own.unique(), adjustments.select("setting", "time", pl.lit(0).alias("own"))])
    span = pl.col("time").max() - pl.col("time").min()
    once = ((pl.col("own").sum() == 1) & (span < TWINS)) | (pl.len() == 1)
    single = moved.group_by("setting").agg(once.alias("once")).filter("once")["setting"].to_list()
    pooled = (pl.col("scope") == "field") & pl.col("trial").is_null()
    return effects.filter(~(pooled & pl.col("setting").is_in(single)))


def machine_digest(
    lots: MachineTables,
    rows: Sequence[dict[str, Any]],
    ground: str,
    made: Mapping[str, str],
    planned: Mapping[tuple[str, str | None], Mapping[str, SettingTrial]],
    delays: PooledDelays,
    trials: Sequence[ShownTrial] = (),
    outside: Sequence[OutsideLogs] = (),
) -> str:
    """Digest of everything the field pages of one machine are made from: while it stays the same, no page of the
    machine has to be checked on its own.

    rows : of ``machine_fields``, of this machine. The rest as for ``field_job``.
    """
    machine = rows[0]["machine"]
    deliveries = lots.get("deliveries", machine)
    names = ("effects", "adjustments", "loss_checks", "loss_curves", "responses", "loads")
    frames = [
        deliveries,
        *(lots.get(name, machine) for name in names),
        *(lots.get("fields", row["field"]) for row in rows),
        *(lots.get("set_aside", one) for one in deliveries["delivery"]),
    ]
    jobs = [job_id(machine, row["field"], row.get("day")) for row in rows]
    stated = [
        [sorted(row.items()) for row in rows],
        [(made.get(job), delays.get(job)) for job in jobs],
        [(crop, sorted(of.items())) for (whose, crop), of in planned.items() if whose == machine],
        [one for one in trials if one.machine == machine],
        [one for one in outside if one.machine == machine],
        lots.lines.get(machine, ()),
    ]
    return digest_of([ground, *map(repr, stated), *frames])


def field_job(
    lots: MachineTables,
    row: dict[str, Any],
    ground: str,
    made: Mapping[str, str],
    planned: Mapping[tuple[str, str | None], Mapping[str, SettingTrial]],
    delays: PooledDelays,
    trials: Sequence[ShownTrial] = (),
    outside: Sequence[OutsideLogs] = (),
) -> FieldJob:
    """The page of a row of ``machine_fields``, and everything it is made from except the readings: only what it
    shows, so that it stays where nothing of that changed.

    made : what the field jobs in ``work`` were made from. planned : of ``setting_trials``. trials : of the lake.
    outside : changes and loss checks outside the logs of their machine, of which the page lists those of its days.
    """
    machine, name = row["machine"], row["field"]
    deliveries = deliveries_of(lots.get("deliveries", machine).drop("machine"), machine, name)
    outlines = lots.get("fields", name).sort("delivery", "row")["boundary_wkt"]
    boundary = outlines[-1] if outlines.len() else None
    effects = lots.get("effects", machine)
    same_crop = pl.col("crop").eq_missing(pl.lit(row["crop"], pl.String))
    narrowed = {
        "effects": effects.filter(of_field(row)),
        "adjustments": adjustments_at(row, effects, lots.get("adjustments", machine)),
        "loss_checks": lots.get("loss_checks", machine).filter(
            _span(row),
            pl.col("field").eq_missing(pl.lit(name, pl.String)) | pl.col("field").is_null(),
        ),
        "loss_curves": lots.get("loss_curves", machine).filter(
            pl.col("field").eq_missing(pl.lit(name, pl.String)),
            pl.col("first_time").is_between(row["first_time"], row["last_time"]),
        ),
        "deliveries": deliveries,
        "set_aside": pl.concat(
            [lots.none["set_aside"], *(lots.get("set_aside", one) for one in deliveries["delivery"].unique())]
        ),
    }
    changed = {*narrowed["effects"]["setting"], *narrowed["adjustments"]["setting"]}
    narrowed["effects"] = shown_effects(narrowed["effects"], narrowed["adjustments"])
    responses = lots.get("responses", machine)
    narrowed["responses"] = responses.filter(same_crop, pl.col("setting").is_in(list(changed)))
    job = job_id(machine, name, row.get("day"))
    work = made.get(job)
    of_machine = [lots.get("loads", machine)] + ([] if work else [lots.get("adjustments", machine)])
    here = tuple(one for one in trials if one.machine == machine and name in one.fields)
    lines = tuple(
        _changed_here(one, row, changed) for one in lots.lines.get(machine, ()) if one.crop == row["crop"]
    )
    of_settings = planned.get((machine, row["crop"]), {})
    own_trials = (
        (row["crop"], {setting: one for setting, one in of_settings.items() if setting in changed}),
    )
    first, last = row["first_time"].date(), row["last_time"].date()
    doubtful = tuple(
        one.sentence
        for one in outside
        if one.machine == machine and any(first <= day <= last for day in one.days)
    )
    stated = [
        repr(sorted(row.items())),
        repr(here),
        repr(lines),
        repr([(crop, sorted(found.items())) for crop, found in own_trials]),
        *(delay_sentence(sensor, one.of(sensor)) for one in delays.get(job, ()) for sensor in SENSORS),
        boundary or "",
        work or "",
        *doubtful,
    ]
    digest = digest_of([ground, *stated, *of_machine, *narrowed.values()])
    page, day = field_href(row), row.get("day")
    return FieldJob(
        page,
        digest,
        machine,
        name,
        day,
        boundary,
        narrowed,
        lots.get("adjustments", machine),
        delays.get(job, ()),
        here,
        lines,
        own_trials,
        doubtful,
    )
