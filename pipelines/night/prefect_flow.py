"""The night as a Prefect flow, which keeps a record of each run and retries what may pass.

The flow calls ``run_nightly`` and hands it a ``FanOut`` that makes tasks. A file that is still being copied, a
share that is away or storage that is busy is retried with growing pauses; an error that waiting does not
correct is not. Files are read and machine-fields prepared side by side: in threads here, or by workers on other
machines (``dask_workers``).

Import this module where Prefect is wanted only: importing Prefect takes over a second.
"""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Callable
from pathlib import Path

from chaffinch.pipelines.errors import ChaffinchError
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.prefect_tasks import SideBySide
from chaffinch.pipelines.night.run import run_nightly
from chaffinch.pipelines.night.summary import NightSummary
from chaffinch.pipelines.parallel.fan_out import processors
from prefect import flow, get_run_logger
from prefect.task_runners import ThreadPoolTaskRunner


class NightFailed(ChaffinchError):
    """A stage failed; the others are done and kept. Shows the run as failed in Prefect."""

    def __init__(self, summary: NightSummary) -> None:
        super().__init__(" ".join(summary.failed))
        self.summary = summary


def run_as_flow(inbox: Path, lake: str, site: Path, workers: str | None = None) -> NightSummary:
    """One night through Prefect, to whose server ``PREFECT_API_URL`` points. Raises what the night raises.

    ``workers``: address of a Dask scheduler that hands work to other machines.
    """
    from prefect.events.worker import EventsWorker
    from prefect.logging.handlers import APILogWorker

    try:
        return night(str(inbox), lake, str(site), workers)
    except NightFailed as failed:
        return failed.summary
    finally:
        # The server may stop next; Prefect would try for a minute at exit to send it what is still queued.
        for worker in (APILogWorker, EventsWorker):
            worker.drain_all(timeout=10)


@flow(name="nightly", persist_result=False, validate_parameters=False)
def night(
    inbox: str, lake: str, site: str, workers: str | None = None, scheduled: bool = False
) -> NightSummary:
    """Ingest new files of ``inbox``, refresh effects and pages.

    workers : address of a Dask scheduler. scheduled : no command prints the summary, so it goes to standard error.
    """
    log = get_run_logger().info

    def say(sentence: str) -> None:
        log(sentence)
        print(sentence, file=sys.stderr, flush=True)

    with _spread(workers, Path(inbox), lake, say) as each:
        summary = run_nightly(Path(inbox), Lake.open(lake), Path(site), say, each=each)
    for sentence in summary.sentences():
        (say if scheduled else log)(sentence)
    if summary.failed:
        raise NightFailed(summary)
    return summary


def _spread(workers: str | None, inbox: Path, lake: str, say: Callable[[str], None]) -> SideBySide:
    if workers is None:
        return SideBySide(ThreadPoolTaskRunner(max_workers=processors()))
    from chaffinch.pipelines.parallel.dask_workers import join, lost

    joined = join(workers, inbox, lake)
    say(f"Workers at {workers} read files and prepare machine-fields, {joined.threads} at a time.")
    return SideBySide(joined.runner(), 2 * joined.threads + 2, math.inf, lost, say)


def serve_nights(cron: str, inbox: Path, lake: str, site: Path, workers: str | None = None) -> None:
    """Stay and run a night at each time of ``cron`` (local time), as a deployment of the Prefect server.

    Every night is a process of its own, and one waits for the other.
    """
    from prefect.schedules import Cron
    from prefect.types.entrypoint import EntrypointType

    night.serve(
        name="nightly",
        schedule=Cron(cron, timezone=_local_zone()),
        parameters={
            "inbox": str(inbox),
            "lake": lake,
            "site": str(site),
            "workers": workers,
            "scheduled": True,
        },
        limit=1,
        print_starting_message=False,
        entrypoint_type=EntrypointType.MODULE_PATH,
    )


def _local_zone() -> str:
    """The name of this machine's time zone, such as Europe/Berlin; UTC where it has none."""
    from zoneinfo import available_timezones

    linked = os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2]
    for name in (os.environ.get("TZ", "").removeprefix(":"), linked):
        if name in available_timezones():
            return name
    return "UTC"
