"""Commands that write to the lake or the pages: nightly, ingest, estimate, pages, check, retract."""

from __future__ import annotations

import os
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from chaffinch.pipelines.command_line.app import app
from chaffinch.pipelines.command_line.output import Debug, Inbox, Json, LakeAt, SiteAt, give, progress, say
from chaffinch.pipelines.errors import CallError, ChaffinchError

if TYPE_CHECKING:
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.night.summary import NightSummary


@app.command(epilog="Example: chaffinch nightly inbox --lake lake --site site")
def nightly(
    inbox: Inbox,
    lake: LakeAt,
    site: SiteAt,
    schedule: Annotated[
        str | None,
        typer.Option("--schedule", metavar="CRON", help='Stay and run at these times, e.g. "0 2 * * *".'),
    ] = None,
    plain: Annotated[
        bool,
        typer.Option(
            "--plain",
            envvar="CHAFFINCH_PLAIN",
            help="Without Prefect: no records of runs, no further tries, nothing to start.",
        ),
    ] = False,
    workers: Annotated[
        str | None,
        typer.Option(
            "--workers",
            metavar="ADDRESS",
            help="Dask scheduler that hands work to other machines, e.g. tcp://10.0.0.5:8786.",
        ),
    ] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Take in what is new, refresh effects and pages.

    Runs through Prefect, which keeps a record of each run and tries again what may pass: on the server that
    PREFECT_API_URL names, else on a temporary one, which takes some seconds to start. With nothing new it is
    not started.
    """
    from chaffinch.pipelines.ingest.inbox.settled import ask_leases

    ask_leases()
    if workers is not None:
        if plain:
            raise CallError("Work is handed to --workers through Prefect; leave --plain out.")
        # Workers stand in folders of their own.
        inbox, lake = inbox.resolve(), lake if "://" in lake else str(Path(lake).resolve())
    if schedule is None:
        return _one_night(inbox, lake, site, plain, as_json, workers)
    from datetime import datetime

    from chaffinch.pipelines.night.schedule import next_night, wait_until

    coming = next_night(schedule, datetime.now())
    _require_folder(inbox)
    if not plain:
        return _serve_nights(schedule, inbox, lake, site, workers)
    while True:
        say(f"Next night at {coming:%Y-%m-%d %H:%M}. Stop with Ctrl+C.")
        wait_until(coming)
        try:
            _one_night(inbox, lake, site, plain, as_json)
        except ChaffinchError as error:
            say(f"This night failed: {error}")
        coming = next_night(schedule, datetime.now())


def _one_night(
    inbox: Path, lake: str, site: Path, plain: bool, as_json: bool, workers: str | None = None
) -> int:
    from chaffinch.pipelines.lake import Lake

    opened = Lake.open(lake)
    if not opened.is_there():
        _require_folder(inbox)
    night = (
        None if plain or not _worth_a_flow(inbox, opened) else _through_prefect(inbox, lake, site, workers)
    )
    if night is None:
        from chaffinch.pipelines.night.run import run_nightly

        with progress("Taking in") as step:
            night = run_nightly(inbox, opened, site, say, step)
    told = night.sentences()
    told += [f"Pages: {site / 'index.html'}"] if night.pages else []
    give(told, night.as_json(), as_json)
    return night.exit_code


def _worth_a_flow(inbox: Path, lake: Lake) -> bool:
    """Whether there is anything to do. A server that runs already is told of every night."""
    from chaffinch.pipelines.night.run import is_due

    return bool(os.environ.get("PREFECT_API_URL")) or is_due(inbox, lake)


def _through_prefect(inbox: Path, lake: str, site: Path, workers: str | None) -> NightSummary | None:
    """The night as a flow; None where Prefect can't be had, since the night matters more than its record."""
    from chaffinch.pipelines.night.prefect_server import NoServer, server

    try:
        if "PREFECT_API_URL" not in os.environ:
            say("Starting Prefect's own server, which takes some seconds; --plain does without.")
        with server():
            from chaffinch.pipelines.night.prefect_flow import run_as_flow

            return run_as_flow(inbox, lake, site, workers)
    except NoServer as error:
        say(f"{error} The night goes on without Prefect.")
        return None


def _serve_nights(schedule: str, inbox: Path, lake: str, site: Path, workers: str | None) -> int:
    from chaffinch.pipelines.night.prefect_server import server

    with server(schedules=True) as address:
        from chaffinch.pipelines.night.prefect_flow import serve_nights

        say(f"Nights run at '{schedule}', recorded at {address}. Stop with Ctrl+C.")
        serve_nights(
            schedule,
            inbox.resolve(),
            lake if "://" in lake else str(Path(lake).resolve()),
            site.resolve(),
            workers,
        )
    return 0


def _require_folder(inbox: Path) -> None:
    """Raises ``CallError`` before anything is made where there is no inbox."""
    if not inbox.is_dir():
        raise CallError(f"{inbox} is not a folder; give the folder that the logs lie in.")


@app.command(epilog="Example: chaffinch ingest inbox --lake lake")
def ingest(inbox: Inbox, lake: LakeAt, as_json: Json = False, debug: Debug = False) -> int:
    """Take in only: read, hold against the rules, judge, store."""
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.night.run import take_in_inbox

    _require_folder(inbox)
    with progress("Taking in") as step:
        summary = take_in_inbox(inbox, Lake.open(lake), say, step)
    give(summary.sentences(), asdict(summary), as_json)
    return 1 if summary.trouble else 0


@app.command(epilog="Example: chaffinch estimate --lake lake")
def estimate(lake: LakeAt, as_json: Json = False, debug: Debug = False) -> int:
    """Estimate the effects anew, whether or not anything changed."""
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.night.run import refresh

    summary = refresh(Lake.open(lake, must_exist=True), forced=True, say=say)
    give(summary.sentences(), asdict(summary), as_json)
    return 0


@app.command(epilog="Example: chaffinch pages --lake lake --site site")
def pages(lake: LakeAt, site: SiteAt, as_json: Json = False, debug: Debug = False) -> int:
    """Rewrite the pages from what the lake holds."""
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.night.run import write_pages

    summary = write_pages(Lake.open(lake, must_exist=True), site, say)
    give([f"Pages: {site / 'index.html'}"], summary, as_json)
    return 0


@app.command(epilog="Example: chaffinch check --lake lake")
def check(lake: LakeAt, as_json: Json = False, debug: Debug = False) -> int:
    """Verify that the lake is whole: every row that was taken in is there and can be read."""
    from chaffinch.pipelines.lake import Lake

    opened = Lake.open(lake, must_exist=True)
    found = opened.check()
    digest = None if found else opened.digest()
    told = found or [f"The lake is whole: {opened.ledger().height} deliveries. Content digest {digest}."]
    give(told, {"whole": not found, "faults": found, "content_digest": digest}, as_json)
    return 1 if found else 0


@app.command(epilog="Example: chaffinch retract machine_a/2026-07-14.csv --lake lake")
def retract(
    delivery: Annotated[
        str, typer.Argument(metavar="DELIVERY", help="Name in the inbox, or identifier of 'deliveries'.")
    ],
    lake: LakeAt,
    undo: Annotated[
        bool, typer.Option("--undo", help="Let a retracted delivery come back with the next night.")
    ] = False,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Take a delivery out again, with all that came of it.

    Effects are estimated anew without it. It stays out, even while its file lies in the inbox, until --undo.
    """
    from chaffinch.pipelines.lake import Lake
    from chaffinch.pipelines.night.run import refresh

    opened = Lake.open(lake, must_exist=True)
    if undo:
        name = opened.undo_retraction(delivery)
        told = [f"{name} comes back with the next night, if its file lies in the inbox."]
        give(told, {"retracted": None, "undone": name, "estimate": None}, as_json)
        return 0
    with opened.writing(say):
        name = opened.retract(delivery)
        summary = refresh(opened, say=say) if opened.effects_inputs() is not None else None
    told = [
        f"{name} is taken out. Pages show it until they are rewritten: "
        f"chaffinch pages --lake {lake} --site SITE"
    ]
    told += summary.sentences() if summary else []
    give(told, {"retracted": name, "undone": None, "estimate": asdict(summary) if summary else None}, as_json)
    return 0
