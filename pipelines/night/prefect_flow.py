"""The night as a Prefect flow, which keeps a record of each run and retries what may pass.

The flow calls ``run_nightly`` and hands it a ``FanOut`` that makes tasks. A file that is still being copied, a
share that is away or storage that is busy is retried with growing pauses; an error that waiting does not
correct is not. Files are read, field jobs prepared and fitted side by side: here, or by workers on other machines
(``dask_workers``).

Import this module where Prefect is wanted only: importing Prefect takes over a second.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from chaffinch.pipelines.errors import ChaffinchError
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night.prefect_tasks import SideBySide, Threads
from chaffinch.pipelines.night.run import run_nightly
from chaffinch.pipelines.night.summary import NightSummary
from chaffinch.pipelines.parallel.fan_out import CALCULATED, FROM_STORAGE, processors
from chaffinch.pipelines.terminal import say, visible
from prefect import flow, get_run_logger


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

    # What a run works on is fixed here. It is not a parameter: whoever starts a run could choose it.
    @flow(name="nightly", flow_run_name=_plain(f"{inbox} into {lake}"), persist_result=False)
    def night() -> NightSummary:
        log = get_run_logger().info

        def report(sentence: str) -> None:
            log(visible(sentence))
            say(sentence)

        with _spread(workers, inbox, lake, report) as each:
            summary = run_nightly(inbox, Lake.open(lake), site, report, each=each)
        for sentence in summary.sentences():
            log(visible(sentence))
        if summary.failed:
            raise NightFailed(summary)
        return summary

    try:
        return night()
    except NightFailed as failed:
        return failed.summary
    finally:
        # The server may stop next; Prefect would try for a minute at exit to send it what is still queued.
        for worker in (APILogWorker, EventsWorker):
            worker.drain_all(timeout=10)


def _plain(name: str) -> str:
    """``name`` without braces, which Prefect would fill in."""
    return name.replace("{", "(").replace("}", ")")


@contextmanager
def _spread(workers: str | None, inbox: Path, lake: str, say: Callable[[str], None]) -> Iterator[SideBySide]:
    if workers is None:
        with Threads(processors()) as threads:
            yield SideBySide(threads)
        return
    from chaffinch.pipelines.parallel.dask_workers import join, lost

    joined = join(workers, inbox, lake)
    say(
        f"Workers at {workers} read files, prepare and fit field jobs and make pages, {joined.threads} at a time."
    )
    anywhere = FROM_STORAGE | CALCULATED
    with joined.runner() as runner:
        yield SideBySide(runner, anywhere, joined.most_ahead, math.inf, lost, say)
