"""Commands that write to the lake or the pages: nightly, ingest, estimate, pages, check, retract."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from chaffinch.pipelines.command_line.app import app
from chaffinch.pipelines.command_line.output import (
    Debug,
    Inbox,
    Json,
    LakeAt,
    SiteAt,
    give,
    lake_at,
    progress,
)
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.terminal import say

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
            help="Without Prefect: no records of runs, no retries, no server to start.",
        ),
    ] = False,
    workers: Annotated[
        str | None,
        typer.Option(
            "--workers",
            metavar="ADDRESS",
            help="Dask scheduler that sends work to other machines, e.g. tcp://10.0.0.5:8786.",
        ),
    ] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Ingest new files, refresh effects and pages.

    Runs through Prefect, which keeps a record of each run and retries what may pass, such as a busy share. It uses
    the server in PREFECT_API_URL, else starts a temporary one, which takes some seconds, if there is anything new.
    """
    from chaffinch.pipelines.ingest.inbox.settled import ask_leases

    ask_leases()
    if workers is not None:
        if plain:
            raise CallError("--workers needs Prefect; leave --plain out.")
        # Workers run in other folders.
        inbox, lake = inbox.resolve(), lake if "://" in lake else str(Path(lake).resolve())
    if schedule is None:
        return _one_night(inbox, lake, site, plain, as_json, workers)
    from datetime import datetime

    from chaffinch.pipelines.night.schedule import next_night, night_of_its_own, wait_until

    coming = next_night(schedule, datetime.now())
    _require_folder(inbox)
    call = [
        sys.executable,
        "-m",
        str(__package__),
        "nightly",
        str(inbox),
        "--lake",
        lake,
        "--site",
        str(site),
    ]
    call += ["--workers", workers] if workers is not None else []
    call += ["--plain"] * plain + ["--json"] * as_json
    while True:
        say(f"Next night at {coming:%Y-%m-%d %H:%M}. Stop with Ctrl+C.")
        wait_until(coming)
        night_of_its_own(call, say)
        coming = next_night(schedule, datetime.now())


def _one_night(
    inbox: Path, lake: str, site: Path, plain: bool, as_json: bool, workers: str | None = None
) -> int:
    opened = lake_at(lake, must_exist=False)
    if not opened.is_there():
        _require_folder(inbox)
    night = (
        None if plain or not _worth_a_flow(inbox, opened) else _through_prefect(inbox, lake, site, workers)
    )
    if night is None:
        from chaffinch.pipelines.night.run import run_nightly

        with progress("Ingesting") as step:
            night = run_nightly(inbox, opened, site, say, step)
    pages = [f"Pages: {site / 'index.html'}"] if night.pages else []
    give([*night.sentences(), *pages], night.as_json(), as_json)
    return night.exit_code


def _worth_a_flow(inbox: Path, lake: Lake) -> bool:
    """Whether there is anything to do. A server that runs already records every night."""
    from chaffinch.pipelines.night.run import is_due

    return bool(os.environ.get("PREFECT_API_URL")) or is_due(inbox, lake)


def _through_prefect(inbox: Path, lake: str, site: Path, workers: str | None) -> NightSummary | None:
    """The night as a flow; None if Prefect can't be used, since the night matters more than its record."""
    from chaffinch.pipelines.night.prefect_server import NoServer, server

    try:
        if "PREFECT_API_URL" not in os.environ:
            say("Starting Prefect's own server, which takes some seconds; --plain runs without it.")
        with server(meanwhile=_import_flow):
            return _import_flow()(inbox, lake, site, workers)
    except NoServer as error:
        say(f"{error} The night goes on without Prefect.")
        return None


def _import_flow() -> Callable[[Path, str, Path, str | None], NightSummary]:
    # The stages need these later; importing them while the server starts saves time.
    from chaffinch.dashboards.pages import site  # noqa: F401
    from chaffinch.pipelines import estimate  # noqa: F401
    from chaffinch.pipelines.night.prefect_flow import run_as_flow

    return run_as_flow


def _require_folder(inbox: Path) -> None:
    """Raises ``CallError`` before anything is written if there is no inbox."""
    if not inbox.is_dir():
        raise CallError(f"{inbox} is not a folder; give the folder of the logs.")


@app.command(epilog="Example: chaffinch ingest inbox --lake lake")
def ingest(inbox: Inbox, lake: LakeAt, as_json: Json = False, debug: Debug = False) -> int:
    """Ingest new files only: read, check against the rules, judge, store."""
    from chaffinch.pipelines.night.run import ingest_inbox

    _require_folder(inbox)
    with progress("Ingesting") as step:
        summary = ingest_inbox(inbox, lake_at(lake, must_exist=False), say, step)
    give(summary.sentences(), asdict(summary), as_json)
    return 1 if summary.trouble else 0


@app.command(epilog="Example: chaffinch estimate --lake lake")
def estimate(lake: LakeAt, as_json: Json = False, debug: Debug = False) -> int:
    """Re-estimate the effects, whether or not inputs changed."""
    from chaffinch.pipelines.night.run import refresh

    summary = refresh(lake_at(lake, hurt=True), forced=True, say=say)
    give(summary.sentences(), asdict(summary), as_json)
    return 0


@app.command(epilog="Example: chaffinch pages --lake lake --site site")
def pages(lake: LakeAt, site: SiteAt, as_json: Json = False, debug: Debug = False) -> int:
    """Rewrite the pages from the lake."""
    from chaffinch.pipelines.night.run import write_pages

    summary = write_pages(lake_at(lake), site, say)
    give([f"Pages: {site / 'index.html'}"], summary, as_json)
    return 0


@app.command(epilog="Example: chaffinch check --lake lake")
def check(
    lake: LakeAt,
    mend_from: Annotated[
        Path | None,
        typer.Option(
            "--repair", metavar="INBOX", help="Ingest damaged files again from this folder of logs."
        ),
    ] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Verify that the lake is whole: every file is as it was written, every ingested row is there and can be read."""
    opened = lake_at(lake, must_exist=mend_from is None, hurt=True)
    done: list[str] = []
    if mend_from is not None:
        from chaffinch.pipelines.night.repair import repair

        _require_folder(mend_from)
        done = repair(opened, mend_from, say)
    found = opened.check()
    digest = None if found else opened.digest()
    sentences = [*done, *found]
    if not found:
        sentences.append(f"The lake is whole: {opened.ledger().height} deliveries. Content digest {digest}.")
    give(
        sentences, {"whole": not found, "faults": found, "repaired": done, "content_digest": digest}, as_json
    )
    return 1 if found else 0


@app.command(epilog="Example: chaffinch retract machine_a/2026-07-14.csv --lake lake")
def retract(
    delivery: Annotated[
        str,
        typer.Argument(
            metavar="DELIVERY", help="Its name in the inbox, or its identifier in the table deliveries."
        ),
    ],
    lake: LakeAt,
    undo: Annotated[
        bool, typer.Option("--undo", help="Let the next night ingest a retracted delivery again.")
    ] = False,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Take a delivery out of the lake, with everything derived from it.

    Effects are re-estimated without it. It stays out, even if its file is in the inbox, until --undo.
    """
    from chaffinch.pipelines.night.run import refresh

    opened = lake_at(lake)
    if undo:
        name = opened.undo_retraction(delivery)
        give(
            [f"The next night ingests {name} again, if its file is in the inbox."],
            {"retracted": None, "undone": name, "estimate": None},
            as_json,
        )
        return 0
    with opened.writing(say):
        name = opened.retract(delivery)
        summary = refresh(opened, say=say) if opened.effects_inputs() is not None else None
    sentences = [
        f"{name} was taken out. Pages show it until you rewrite them: chaffinch pages --lake {lake} --site SITE",
        *(summary.sentences() if summary else []),
    ]
    give(
        sentences,
        {"retracted": name, "undone": None, "estimate": asdict(summary) if summary else None},
        as_json,
    )
    return 0
