"""Write the site: one page a field job, an overview, the season; only what changed is rewritten.

The site is plain files with relative links, so that it works from a memory stick. The same data give the same
bytes.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import polars as pl
from chaffinch.dashboards.figures.theme import script_palette, style_properties
from chaffinch.dashboards.pages.field_jobs import (
    FieldJob,
    Ground,
    MachineTables,
    field_job,
    machine_digest,
    make_all,
)
from chaffinch.dashboards.pages.group_page import GroupJob, Lot, lot_of, lot_of_machine
from chaffinch.dashboards.pages.morning_page import SINCE, Morning, morning_context, recent
from chaffinch.dashboards.pages.overview_page import costly_settings, index_context
from chaffinch.dashboards.pages.season_page import crops_of, season_context
from chaffinch.dashboards.pages.settings_in_use import InUse, as_noted, settings_in_use, settings_of_jobs
from chaffinch.dashboards.pages.trial_page import trial_context
from chaffinch.dashboards.paper.page import paper_page
from chaffinch.dashboards.paper.printing import print_pdf
from chaffinch.dashboards.sensors.sensor_page import sensor_context
from chaffinch.dashboards.site.digest import digest_of
from chaffinch.dashboards.site.record import Pages
from chaffinch.dashboards.site.suggested_trials import suggested_trials
from chaffinch.dashboards.start_sheet.collected import start_sheet_href, start_sheets_of
from chaffinch.dashboards.start_sheet.sheet import Said, start_sheet
from chaffinch.dashboards.templates import render
from chaffinch.dashboards.templates import text as template
from chaffinch.dashboards.words import terms as words
from chaffinch.dashboards.words.begun_trials import (
    BegunTrial,
    MachineSetting,
    begun_trials,
    worth_suggesting,
)
from chaffinch.dashboards.words.links import crop_href, field_href, machine_href, sensors_href
from chaffinch.dashboards.words.machine_lines import MachineLines, machine_lines, not_known
from chaffinch.dashboards.words.trial_words import (
    SettingTrial,
    ShownTrial,
    setting_trials,
    shown_trials,
    suggestion_sentence,
    trial_href,
)
from chaffinch.pipelines.estimate.data.changes import real_adjustments
from chaffinch.pipelines.estimate.responses.best_value import judging_curves
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake.readable import ReadableLake
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.parallel.processes import in_processes, processes_for
from chaffinch.pipelines.program_digest import program_digest
from chaffinch.pipelines.trials.answers.blocks_driven import randomisation_of
from chaffinch.pipelines.trials.answers.standing import Standing, standings
from chaffinch.pipelines.trials.answers.worth_trying import Suggestion
from chaffinch.pipelines.work.delays.of_machine import pooled_delays_of
from chaffinch.pipelines.work.load_calibration import WeighedLoads, weighed_loads
from chaffinch.pipelines.work.outside_logs import rows_outside_logs
from chaffinch.pipelines.work.sensor_health import suspicions
from chaffinch.schemas.tables import tables as contracts

# Trials that the page of a machine suggests.
MOST_SUGGESTED = 3
TABLES = (
    "effects",
    "responses",
    "loss_curves",
    "trials",
    "adjustments",
    "loss_checks",
    "deliveries",
    "set_aside",
    "fields",
    "field_jobs",
)


def write_site(
    lake: ReadableLake,
    site: Path,
    farm: Farm,
    *,
    each: FanOut = one_by_one,
    notes: Sequence[str] = (),
    now: datetime | None = None,
) -> dict[str, int]:
    """Write or refresh all pages under ``site``; returns counts of pages written, unchanged and removed.

    lake : as of ``chaffinch.pipelines.lake.Lake``. each : how field pages are spread. notes : sentences about this
    night for the morning page. now : moment for which that page is written, the present one if none.
    """

    pages = Pages.open(Path(site))
    # By key, so that the order of ingesting does not matter.
    tables = {name: lake.scan(name).collect().sort(contracts()[name].key, nulls_last=True) for name in TABLES}
    tables["adjustments"] = real_adjustments(tables["adjustments"])
    tables["deliveries"] = tables["deliveries"].filter(pl.col("status") != "retracted")
    ground = digest_of([program_digest(), farm.model_dump_json()])
    weighed = weighed_loads(lake, farm)
    # The deliveries identify the readings.
    everything = digest_of([ground, *(tables[name] for name in TABLES)])
    now = now or datetime.now(UTC)
    earlier = lake.effects_at(now - SINCE)
    morning = _morning_digest(everything, farm, tables, earlier, notes, now)
    whole = digest_of([everything, weighed.loads, morning])
    if pages.all_hold(whole):
        count = sum(name.endswith(".html") for name in pages.made_from)
        return {"written": 0, "unchanged": count, "removed": 0}
    # Suggested trials follow from the curves of all outcomes; no page shows others than these.
    would_pay, pages.suggested = suggested_trials(lake, farm, tables, ground, pages.suggested)
    tables["responses"] = judging_curves(tables["responses"])
    _put_assets(pages)
    where = lake.machine_fields().sort("first_time", "machine", "field")
    lines = machine_lines(tables["effects"], tables["loss_curves"], tables["adjustments"])
    lots = MachineTables.of(tables, weighed, lines)
    found = standings(tables["trials"], tables["effects"], where["machine"].unique().sort().to_list())
    begun = begun_trials(found)
    suggested = worth_suggesting(not_known(would_pay, lines), begun)
    planned = setting_trials(tables, suggested, farm)
    made, delays = lake.whole_jobs(), pooled_delays_of(lake)
    trials = shown_trials(found)
    outside = rows_outside_logs(lake)
    due = []
    before, pages.machines = pages.machines, {}
    for (machine,), of_machine in where.group_by("machine", maintain_order=True):
        rows = of_machine.to_dicts()
        inputs = ground, made, planned, delays, trials, outside
        pages.machines[str(machine)] = digest = machine_digest(lots, rows, *inputs)
        for row in rows:
            page = field_href(row)
            held = pages.made_from.get(page, "")
            if before.get(str(machine)) != digest or not pages.holds(page, held) or page not in pages.facts:
                job = field_job(lots, row, *inputs)
                if page not in pages.facts or not pages.holds(page, job.digest):
                    due.append(job)
                    continue
                held = job.digest
            pages.put(page, held, bytes)
    used = _settings_used(lake, pages, due, made)
    due = [replace(job, in_use=used.get(job.id)) for job in due]
    on = Ground(lake, farm, weighed)
    with in_processes(on.make, each, processes_for(len(due))) as make:
        for job, content, facts in make_all(make, due, each):
            # As JSON gives it back, so that a first run and a later one make the same pages of it.
            pages.facts[job.page] = json.loads(json.dumps(facts))
            pages.work[job.page] = made.get(job.id, "")
            pages.write(job.page, job.digest, content)
        sheets = _put_start_sheets(pages, where, tables, farm, ground, begun, lines)
        groups = _groups(pages, where, tables, farm, ground, trials, planned, suggested, sheets, lines)
        for group, content, _ in make_all(make, groups, each):
            pages.write(group.page, group.digest, content)
    _put_sensors(pages, tables["field_jobs"], weighed, farm, ground)
    _put_trials(pages, lake, found, where, tables["effects"], farm, ground)
    overview = {"trials": trials}
    worse = costly_settings(tables, farm, suggested, lines)
    pages.put(
        "index.html",
        everything,
        lambda: render("index", index_context(where, tables, farm, worse) | overview, ""),
    )
    pages.put(
        "season.html",
        everything,
        lambda: render("season", season_context(where, tables) | overview, ""),
    )

    def make_morning() -> bytes:
        about = Morning(now, notes, suspicions(lake, weighed, pages.days), earlier, worse)
        return render("nightly", morning_context(where, tables, farm, about) | overview, "")

    pages.put("nightly.html", morning, make_morning)
    removed = pages.close(whole)
    return {
        "written": sum(name.endswith(".html") for name in pages.written),
        "unchanged": sum(name.endswith(".html") for name in pages.unchanged),
        "removed": len(removed),
    }


def _settings_used(
    lake: ReadableLake, pages: Pages, due: Sequence[FieldJob], made: Mapping[str, str]
) -> dict[str, list[InUse]]:
    """Settings of the field jobs that ``work`` holds: as noted when a page was made before of the same ``work``."""
    stored = {one: job.page for job in due if (one := job.id) in made}
    noted = {
        one: as_noted(pages.facts[page]["in_use"])
        for one, page in stored.items()
        if page in pages.facts and pages.work.get(page) == made[one]
    }
    rest = settings_of_jobs(lake, [one for one in stored if one not in noted])
    return noted | {one: settings_in_use(rows) for one, rows in rest.items()}


def _morning_digest(
    everything: str,
    farm: Farm,
    tables: dict[str, pl.DataFrame],
    earlier: pl.DataFrame | None,
    notes: Sequence[str],
    now: datetime,
) -> str:
    """Of the morning page, which stays the same until a day passes or something else is true of it."""
    new = recent(tables["deliveries"], now)["delivery"].sort().to_list()
    before = tables["effects"].clear() if earlier is None else earlier
    return digest_of([everything, words.day(now, farm.time_zone), repr(new), repr(list(notes)), before])


def _put_start_sheets(
    pages: Pages,
    where: pl.DataFrame,
    tables: dict[str, pl.DataFrame],
    farm: Farm,
    ground: str,
    begun: Mapping[MachineSetting, BegunTrial],
    lines: Sequence[MachineLines],
) -> dict[str, list[tuple[str, str]]]:
    """A page and a PDF per machine and crop; of each machine the crops with their pages."""
    facts = {name: noted for name, noted in pages.facts.items() if name in pages.kept}
    placed = where.with_columns(
        pl.Series("href", list(map(field_href, where.iter_rows(named=True))), pl.String)
    )
    found: dict[str, list[tuple[str, str]]] = {}
    for one in start_sheets_of(placed, tables, facts, farm, begun, lines):
        page = start_sheet_href(one.machine, one.crop)
        found.setdefault(one.machine, []).append((words.crop_label(one.crop), page))
        paper = page.removesuffix(".html") + ".pdf"
        said = Said.of(one, farm)
        digest = digest_of([ground, repr((said, one.last, one.fields))])
        if pages.holds(page, digest) and pages.holds(paper, digest):
            pages.put(page, digest, bytes)
            pages.put(paper, digest, bytes)
            continue
        links = [
            (one.machine, f"../{machine_href(one.machine)}"),
            ("Print this sheet (PDF, one page)", paper.split("/")[-1]),
        ]
        sheet = start_sheet(one, said, farm, links)
        pages.write(page, digest, paper_page(sheet))
        pages.write(paper, digest, print_pdf(sheet, one.last))
    return found


def _put_sensors(
    pages: Pages, field_jobs: pl.DataFrame, weighed: WeighedLoads, farm: Farm, ground: str
) -> None:
    """A page per machine, of its sensors."""
    for (machine,), mine in field_jobs.group_by("machine", maintain_order=True):
        name = str(machine)

        def make(name: str = name, mine: pl.DataFrame = mine) -> bytes:
            return render("sensors", sensor_context(name, mine, weighed.by_machine_and_crop, farm), "../")

        loads = [one for of, one in weighed.by_machine_and_crop.items() if of[0] == name]
        pages.put(sensors_href(name), digest_of([ground, mine, repr(loads)]), make)


def _put_trials(
    pages: Pages,
    lake: ReadableLake,
    found: Sequence[Standing],
    where: pl.DataFrame,
    effects: pl.DataFrame,
    farm: Farm,
    ground: str,
) -> None:
    """A page per trial."""
    for one in found:
        mine = effects.filter(pl.col("trial") == one.name, pl.col("machine") == one.machine)

        def make(one: Standing = one, mine: pl.DataFrame = mine) -> bytes:
            context = trial_context(one, mine, where, randomisation_of(lake, one), farm)
            return render("trial", context, "../")

        pages.put(trial_href(one), digest_of([ground, repr(one), mine]), make)


def _groups(
    pages: Pages,
    where: pl.DataFrame,
    tables: dict[str, pl.DataFrame],
    farm: Farm,
    ground: str,
    trials: Sequence[ShownTrial],
    planned: Mapping[tuple[str, str | None], Mapping[str, SettingTrial]],
    suggested: Sequence[Suggestion],
    sheets: Mapping[str, list[tuple[str, str]]],
    lines: Sequence[MachineLines],
) -> list[GroupJob]:
    """Pages of machines and crops that are due. planned : of ``setting_trials``. sheets : start sheets, by machine.
    lines : of all machines."""
    effects = tables["effects"]
    facts = {name: noted for name, noted in pages.facts.items() if name in pages.kept}
    lot = lot_of(where, tables, facts, planned, lines)
    # Curves and money follow from the same estimates.
    told = {
        name: tables[name].partition_by("machine", as_dict=True)
        for name in ("responses", "loss_curves", "adjustments")
    }
    season = effects.filter(pl.col("scope") == "season", pl.col("machine").is_null())
    with_jobs = tables["field_jobs"]["machine"].unique()
    sensors_of = {machine_href(machine): sensors_href(machine) for machine in with_jobs}
    by_machine = lot.effects.partition_by("machine", as_dict=True)
    of_all = by_machine.get((None,), lot.effects.clear())
    season_of_all = of_all.filter(pl.col("scope") == "season")
    sheets_of = {machine_href(machine): listed for machine, listed in sheets.items()}

    due: list[GroupJob] = []

    def put(
        page: str,
        mine: pl.DataFrame,
        of: tuple[str, str, Callable[[], Lot]],
        shown: Sequence[ShownTrial] = (),
        worth: Sequence[str] = (),
        curves: Sequence[pl.DataFrame] = (),
        plans: Sequence[Mapping[str, SettingTrial]] = (),
    ) -> None:
        here = lot.where.join(mine.select("machine", "field").unique(), on=["machine", "field"], how="semi",
                              nulls_equal=True)  # fmt: skip
        noted = json.dumps({href: facts.get(href) for href in here["href"]}, sort_keys=True)
        digest = digest_of(
            [
                ground,
                here,
                mine.drop("href", strict=False),
                noted,
                *curves,
                repr((shown, worth, plans, sensors_of.get(page), sheets_of.get(page))),
            ]  # fmt: skip
        )
        more = {
            "trials": shown,
            "suggested": worth,
            "sensors_href": sensors_of.get(page),
            "start_sheets": sheets_of.get(page, []),
        }
        if pages.holds(page, digest):
            pages.put(page, digest, bytes)
        else:
            kind, name, lot_of_it = of
            due.append(GroupJob(page, digest, kind, name, lot_of_it(), more))

    for machine in where["machine"].unique().sort():
        mine = by_machine.get((machine,), lot.effects.clear())
        places = pl.concat([mine, lot.where.filter(pl.col("machine") == machine)], how="diagonal")
        shown = [one for one in trials if one.machine == machine]
        worth = [
            suggestion_sentence(one, farm)
            for one in suggested
            if one.machine == machine and not planned[machine, one.crop][one.setting].going_on
        ][:MOST_SUGGESTED]
        in_fields = mine.filter(pl.col("scope") == "field")
        pooled = season.filter(
            pl.col("crop").is_in(crops_of(in_fields)),
            pl.col("setting").is_in(in_fields["setting"].unique().to_list()),
        )
        curves = [pooled, *(of.get((machine,), tables[name].clear()) for name, of in told.items())]
        plans = [dict(sorted(of.items())) for (whose, _), of in planned.items() if whose == machine]
        narrowed = partial(lot_of_machine, lot, machine, mine, season_of_all)
        put(machine_href(machine), places, ("machine", machine, narrowed), shown, worth, curves, plans)
    for crop in crops_of(effects):
        of_crop = lot.effects.filter(pl.col("crop") == crop)
        bare = partial(Lot, lot.where, of_crop, lot.facts, lot.responses.clear(), {}, {})
        put(crop_href(crop), of_crop, ("crop", crop, bare))
    return due


def _put_assets(pages: Pages) -> None:
    from plotly.offline import get_plotlyjs

    made = {
        "plotly.min.js": get_plotlyjs,
        "site.css": lambda: style_properties() + template("assets/site.css"),
        "look.js": lambda: template("assets/look.js"),
        "filter.js": lambda: template("assets/filter.js"),
        "figures.js": lambda: '"use strict";\n' + script_palette() + template("assets/figures.js"),
    }
    for name, make in made.items():
        pages.put(f"assets/{name}", program_digest(), partial(_encoded, make))


def _encoded(make: Callable[[], str]) -> bytes:
    return make().encode("utf-8")
