"""The night as a Prefect flow: a task for each delivery, batch, machine-field and site, with retries and records.

Nothing but wiring: the flow calls ``nightly.run_nightly`` and hands it a ``FanOut`` that makes tasks. What may
pass by itself (a file being copied, a share that is away, storage that is busy) is tried again with growing
pauses; what is wrong is not, since waiting does not mend it.

Import this module where Prefect is wanted only: importing Prefect takes over a second.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from contextvars import ContextVar
from pathlib import Path
from typing import Any

from chaffinch.pipelines import nightly
from chaffinch.pipelines.errors import CallError, ChaffinchError, NotYet
from chaffinch.pipelines.fan_out import R, T
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night_summary import NightSummary
from chaffinch.pipelines.prefect_server import prepare

prepare()

from prefect import flow, get_run_logger, task  # noqa: E402  it reads its settings when it is imported
from prefect.cache_policies import NO_CACHE  # noqa: E402

RETRY_DELAYS_S = (5.0, 20.0, 60.0)
# From this many items on a task takes several, so that ten thousand small files do not make as many tasks.
MOST_TASKS = 500


class NightFailed(ChaffinchError):
    """A stage failed; the others are done and kept. Shows the run as failed in Prefect."""


def _to_standard_error(sentence: str) -> None:
    print(sentence, file=sys.stderr, flush=True)


_said: ContextVar[Callable[[str], None]] = ContextVar("_said")
_summary: ContextVar[list[NightSummary]] = ContextVar("_summary")


def run_as_flow(inbox: Path, lake: str, site: Path, say: Callable[[str], None]) -> NightSummary:
    """One night through Prefect, to whose server ``PREFECT_API_URL`` points. Raises what the night raises."""
    kept: list[NightSummary] = []
    _said.set(say)
    _summary.set(kept)
    try:
        with suppress(NightFailed):
            night(str(inbox), lake, str(site))
    finally:
        _hand_over_records()
    return kept[0]


def _hand_over_records() -> None:
    """Send what is still queued for the server, which may stop next; Prefect would try for a minute at exit."""
    from prefect.events.worker import EventsWorker
    from prefect.logging.handlers import APILogWorker

    for worker in (APILogWorker, EventsWorker):
        worker.drain_all(timeout=10)


@flow(name="nightly", persist_result=False, validate_parameters=False)
def night(inbox: str, lake: str, site: str) -> None:
    """Take in what is new in ``inbox``, refresh effects and pages."""
    # For a night of a schedule Prefect pickles this function by value, which its variables do not bear.
    import chaffinch.pipelines.flow as own

    log, told = get_run_logger().info, own._said.get(_to_standard_error)

    def say(sentence: str) -> None:
        log(sentence)
        told(sentence)

    summary = nightly.run_nightly(Path(inbox), Lake.open(lake), Path(site), say, each=as_tasks)
    kept = own._summary.get(None)
    for sentence in summary.sentences():
        # A night of a schedule has nobody else to tell its summary.
        say(sentence) if kept is None else log(sentence)
    if kept is not None:
        kept.append(summary)
    if summary.failed:
        raise NightFailed(" ".join(summary.failed))


def as_tasks(
    what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
) -> Iterator[R | NotYet]:
    """A ``FanOut``: each item is a task of its own, in turn; from ``MOST_TASKS`` on a task takes several."""
    size = -(-len(items) // MOST_TASKS) or 1
    for first in range(0, len(items), size):
        some = items[first : first + size]
        label = name(some[0]) + (f" and {size - 1} more" if len(some) > 1 else "")
        try:
            yield from _task(what, label)(do, some)
        except NotYet as waiting:
            # One of several was not ready: the others are done by themselves.
            yield from _each_alone(what, do, some, name) if len(some) > 1 else (waiting,)


def _each_alone(
    what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
) -> Iterator[R | NotYet]:
    for item in items:
        try:
            yield from _task(what, name(item))(do, [item])
        except NotYet as waiting:
            yield waiting


def _task(what: str, label: str) -> Callable[..., list[Any]]:
    made = task(  # type: ignore[call-overload]
        _do_all,
        name=what,
        # Braces would be filled in by Prefect.
        task_run_name=f"{what} {label}".replace("{", "(").replace("}", ")"),
        retries=len(RETRY_DELAYS_S),
        retry_delay_seconds=retry_delays_s(),
        retry_condition_fn=_may_pass,
        cache_policy=NO_CACHE,
        persist_result=False,
    )

    def call(do: Callable[[T], R], items: Sequence[T]) -> list[R]:
        # Inside a closure: Prefect would walk through parameters, and polygons are deep.
        result: list[R] = made(lambda: [do(item) for item in items])
        return result

    return call


def _do_all(work: Callable[[], list[Any]]) -> list[Any]:
    return work()


def retry_delays_s() -> list[float]:
    """Pauses before each further try [s]; ``CHAFFINCH_RETRY_DELAYS_S`` ("5,20,60") states others."""
    stated = os.environ.get("CHAFFINCH_RETRY_DELAYS_S")
    if not stated:
        return list(RETRY_DELAYS_S)
    try:
        return [float(part) for part in stated.split(",")]
    except ValueError:
        raise CallError(
            f"CHAFFINCH_RETRY_DELAYS_S must be seconds such as 5,20,60, not '{stated}'."
        ) from None


def _may_pass(task: Any, run: Any, state: Any) -> bool:
    """Whether trying again may help."""
    from prefect.states import aget_state_exception
    from prefect.utilities.asyncutils import run_coro_as_sync

    error: BaseException | None = run_coro_as_sync(aget_state_exception(state))
    return isinstance(error, ChaffinchError) and error.may_pass


def serve_nights(cron: str, inbox: Path, lake: str, site: Path) -> None:
    """Stay and run a night at each time of ``cron`` (local time), as a deployment of the Prefect server.

    Every night is a process of its own, and one waits for the other.
    """
    from prefect.schedules import Cron
    from prefect.types.entrypoint import EntrypointType

    night.serve(
        name="nightly",
        schedule=Cron(cron, timezone=_local_zone()),
        parameters={"inbox": str(inbox), "lake": lake, "site": str(site)},
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
