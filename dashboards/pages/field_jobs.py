"""Field pages that are due: made one after another, or by several processes where there are many.

A page takes about a third of a second, nearly all of it in the interpreter, so threads would not help. The
processes are plain ones that read jobs and write pages through their pipes; nothing of the caller's program is
run again in them.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, field, replace
from queue import SimpleQueue
from typing import IO, TYPE_CHECKING, Any

import polars as pl
from chaffinch.dashboards.pages.facts import Facts
from chaffinch.dashboards.pages.field_page import FieldInputs, field_context
from chaffinch.pipelines.parallel.fan_out import processors
from chaffinch.pipelines.parallel.processes import MOST_PROCESSES, portable, send

if TYPE_CHECKING:
    from datetime import date

    from chaffinch.dashboards.pages.site import Readable
    from chaffinch.pipelines.farm import Farm
    from chaffinch.pipelines.work.delays.known_delays import FieldKey
    from chaffinch.pipelines.work.delays.lag import Delays
    from chaffinch.pipelines.work.load_calibration import WeighedLoads

# Starting processes takes a few seconds; fewer pages than these are done by then.
FEWEST_FOR_PROCESSES = 24


@dataclass(frozen=True, slots=True)
class FieldJob:
    """A page to be made: its name, what it is made from, and the rows of the tables that concern it.

    day : of readings without a field, else None. boundary_wkt : outline of the field, or None.
    """

    page: str
    digest: str
    machine: str
    field: str | None
    day: date | None
    boundary_wkt: str | None
    narrowed: dict[str, pl.DataFrame]


@dataclass(frozen=True, slots=True)
class Ground:
    """What all pages are made from."""

    lake: Readable
    farm: Farm
    weighed: WeighedLoads
    delays: Mapping[FieldKey, Sequence[Delays]] = field(default_factory=dict)

    def make(self, job: FieldJob) -> tuple[bytes, Facts]:
        """The page of a job, and what pages of many fields need of its readings."""
        from chaffinch.dashboards.templates import render

        days = () if job.day is None else (job.day,)
        readings = self.lake.readings(job.machine, job.field, *days)
        # Those of several harvests hold for parts of the readings; the page then reads them off the whole.
        harvests = self.delays.get((job.machine, job.field, job.day), ())
        inputs = FieldInputs(
            job.machine,
            job.field,
            readings,
            boundary_wkt=job.boundary_wkt,
            weighed=self.weighed,
            delays=harvests[0] if len(harvests) == 1 else None,
            **job.narrowed,
        )
        context = field_context(inputs, self.farm)
        return render("field", context, "../"), context["facts"]


Made = tuple[FieldJob, bytes, Facts]


def make_all(ground: Ground, jobs: Sequence[FieldJob], processes: int | None = None) -> Iterator[Made]:
    """Every page, in any order. ``processes``: how many; None: as many as there are processors, for many pages.

    Only a lake on disk or in an object store can be read by several processes.
    """
    if processes is None:
        many = len(jobs) >= FEWEST_FOR_PROCESSES and hasattr(ground.lake, "uri")
        processes = min(processors(), MOST_PROCESSES) if many else 1
    if processes < 2:
        for job in jobs:
            yield job, *ground.make(job)
        return
    waiting: SimpleQueue[FieldJob | None] = SimpleQueue()
    for one in (*jobs, *[None] * processes):
        waiting.put(one)
    done: SimpleQueue[Made | None] = SimpleQueue()
    with ThreadPoolExecutor(processes) as pool:
        running = [pool.submit(_serve, ground, waiting, done) for _ in range(processes)]
        for _ in jobs:
            made = done.get()
            if made is None:  # a worker failed: what it raised is raised below
                break
            yield made
        # Where one failed, the others find nothing more to do.
        while not waiting.empty():
            waiting.get()
        for _ in range(processes):
            waiting.put(None)
        for finished in as_completed(running):
            finished.result()


def _serve(ground: Ground, waiting: SimpleQueue[FieldJob | None], done: SimpleQueue[Made | None]) -> None:
    """Feed one process with jobs until none is left. Raises what a page raised."""
    call = [sys.executable, "-m", __name__]
    surroundings = os.environ | {"POLARS_MAX_THREADS": "1", "PYTHONSAFEPATH": "1"}
    try:
        with subprocess.Popen(
            call, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=surroundings
        ) as worker:
            assert worker.stdin is not None and worker.stdout is not None
            try:
                # A process opens the lake by itself.
                send(worker.stdin, replace(ground, lake=ground.lake.uri))  # type: ignore[attr-defined]
                while (job := waiting.get()) is not None:
                    send(worker.stdin, job)
                    answer = pickle.load(worker.stdout)
                    if isinstance(answer, BaseException):
                        raise answer
                    done.put((job, *answer))
            finally:
                worker.stdin.close()
    except BaseException:
        done.put(None)
        raise


def _work(jobs: IO[bytes], pages: IO[bytes]) -> None:
    """What a process does: make the page of every job that comes, until no more come."""
    from chaffinch.pipelines.lake import Lake

    sent = pickle.load(jobs)
    ground = replace(sent, lake=Lake(sent.lake))
    while True:
        try:
            job = pickle.load(jobs)
        except EOFError:
            return
        try:
            answer: Any = ground.make(job)
        except Exception as error:  # noqa: BLE001  the caller raises it
            answer = portable(error)
        send(pages, answer)


if __name__ == "__main__":
    # What a library prints must not come between the pages.
    with os.fdopen(os.dup(1), "wb") as pages_out:
        os.dup2(2, 1)
        _work(sys.stdin.buffer, pages_out)
