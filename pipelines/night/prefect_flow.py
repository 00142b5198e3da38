"""The night as a Prefect flow: a task for each delivery, batch, machine-field and site, with retries and records.

Nothing but wiring: the flow calls ``nightly.run_nightly`` and hands it a ``FanOut`` that makes tasks. What may
pass by itself (a file being copied, a share that is away, storage that is busy) is tried again with growing
pauses; what is wrong is not, since waiting does not mend it. Files are read and machine-fields prepared side by
side: in threads here, or by workers on other machines (``dask_workers``).

Import this module where Prefect is wanted only: importing Prefect takes over a second.
"""

from __future__ import annotations

import os
import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from typing import Any

from chaffinch.pipelines.errors import CallError, ChaffinchError, NotYet
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night import run as nightly
from chaffinch.pipelines.night.prefect_server import prepare
from chaffinch.pipelines.night.summary import NightSummary
from chaffinch.pipelines.parallel.fan_out import (
    ANYWHERE,
    MOST_AHEAD,
    MOST_BYTES_AHEAD,
    FanOut,
    R,
    T,
    processors,
)

prepare()

from prefect import flow, get_run_logger, task  # noqa: E402  it reads its settings when it is imported
from prefect.cache_policies import NO_CACHE  # noqa: E402
from prefect.task_runners import TaskRunner, ThreadPoolTaskRunner  # noqa: E402

RETRY_DELAYS_S = (5.0, 20.0, 60.0)
# From this many items on a task takes several, so that ten thousand small files do not make as many tasks.
MOST_TASKS = 500


class NightFailed(ChaffinchError):
    """A stage failed; the others are done and kept. Shows the run as failed in Prefect."""


def _to_standard_error(sentence: str) -> None:
    print(sentence, file=sys.stderr, flush=True)


_said: ContextVar[Callable[[str], None]] = ContextVar("_said")
_summary: ContextVar[list[NightSummary]] = ContextVar("_summary")


def run_as_flow(
    inbox: Path, lake: str, site: Path, say: Callable[[str], None], workers: str | None = None
) -> NightSummary:
    """One night through Prefect, to whose server ``PREFECT_API_URL`` points. Raises what the night raises.

    ``workers``: address of a Dask scheduler that hands work to other machines.
    """
    kept: list[NightSummary] = []
    _said.set(say)
    _summary.set(kept)
    try:
        with suppress(NightFailed):
            night(str(inbox), lake, str(site), workers)
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
def night(inbox: str, lake: str, site: str, workers: str | None = None) -> None:
    """Take in what is new in ``inbox``, refresh effects and pages; ``workers``: address of a Dask scheduler."""
    # For a night of a schedule Prefect pickles this function by value, which its variables do not bear.
    import chaffinch.pipelines.night.prefect_flow as own

    log, told = get_run_logger().info, own._said.get(_to_standard_error)

    def say(sentence: str) -> None:
        log(sentence)
        told(sentence)

    with own._spread(workers, Path(inbox), lake, say) as each:
        summary = nightly.run_nightly(Path(inbox), Lake.open(lake), Path(site), say, each=each)
    kept = own._summary.get(None)
    for sentence in summary.sentences():
        # A night of a schedule has nobody else to tell its summary.
        say(sentence) if kept is None else log(sentence)
    if kept is not None:
        kept.append(summary)
    if summary.failed:
        raise NightFailed(" ".join(summary.failed))


@contextmanager
def _spread(workers: str | None, inbox: Path, lake: str, say: Callable[[str], None]) -> Iterator[FanOut]:
    """What can be done anywhere goes to ``workers``, or to threads here; all else is done here, in turn."""
    if workers is None:
        threads: TaskRunner[Any] = ThreadPoolTaskRunner(max_workers=processors())
        with threads:
            yield SideBySide(threads, MOST_AHEAD, MOST_BYTES_AHEAD)
        return
    from chaffinch.pipelines.parallel.dask_workers import join, lost

    joined = join(workers, inbox, lake)
    say(f"Files are read and machine-fields prepared by workers at {workers}, {joined.threads} at a time.")
    each = SideBySide(joined.runner(), 2 * joined.threads + 2, None, lost, say)
    each.start()
    try:
        yield each
    finally:
        each.stop()


class SideBySide:
    """A ``FanOut`` that hands what can be done anywhere to ``runner``, and does all else by ``as_tasks``.

    At most so many tasks, and source files of so many bytes, are under way or wait for their turn. ``lost``: of a
    failure, whether the work is sound and who did it went away; then it is done here.
    """

    def __init__(
        self,
        runner: TaskRunner[Any],
        most_ahead: int,
        most_bytes_ahead: int | None,
        lost: Callable[[Exception], bool] = lambda error: False,
        say: Callable[[str], None] = _to_standard_error,
    ) -> None:
        self.runner: TaskRunner[Any] | None = runner
        self.most_ahead = most_ahead
        self.most_bytes_ahead = most_bytes_ahead
        self.lost = lost
        self.say = say
        self._stop: Callable[[], Any] = lambda: None

    def start(self) -> None:
        try:
            started = self.runner
            assert started is not None
            started.__enter__()
            self._stop = lambda: started.__exit__(None, None, None)
        except Exception as error:
            self._do_here(error)

    def stop(self) -> None:
        # A scheduler that went away can't be told good-bye.
        with suppress(Exception):
            self._stop()

    def __call__(
        self, what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
    ) -> Iterator[R | NotYet]:
        if what not in ANYWHERE or len(items) < 2:
            yield from as_tasks(what, do, items, name)
            return
        ahead: deque[tuple[Any, Sequence[T], int]] = deque()
        for some in _in_groups(items):
            size = sum(getattr(item, "size_bytes", 0) for item in some)
            while ahead and self._is_enough(len(ahead), size + sum(sent[2] for sent in ahead)):
                future, sent, _ = ahead.popleft()
                yield from self._results(future, what, do, sent, name)
            ahead.append((self._hand_out(what, do, some, name), some, size))
        while ahead:
            future, sent, _ = ahead.popleft()
            yield from self._results(future, what, do, sent, name)

    def _is_enough(self, tasks: int, size: int) -> bool:
        return tasks >= self.most_ahead or (
            self.most_bytes_ahead is not None and size > self.most_bytes_ahead
        )

    def _hand_out(
        self, what: str, do: Callable[[T], R], some: Sequence[T], name: Callable[[T], str]
    ) -> Any | None:
        if self.runner is None:
            return None
        try:
            return self.runner.submit(_made(what, _label(some, name)), {"work": _Work(do, some)})
        except Exception as error:
            self._do_here(error)
            return None

    def _results(
        self, future: Any, what: str, do: Callable[[T], R], some: Sequence[T], name: Callable[[T], str]
    ) -> Iterator[R | NotYet]:
        if future is None or self.runner is None:
            yield from as_tasks(what, do, some, name)
            return
        try:
            results = future.result()
        except NotYet as waiting:
            # One of several was not ready: the others are done by themselves.
            results = _each_alone(what, do, some, name) if len(some) > 1 else (waiting,)
        except Exception as error:
            self._do_here(error)
            results = as_tasks(what, do, some, name)
        yield from results

    def _do_here(self, error: Exception) -> None:
        """From now on all is done here, unless ``error`` is about the work itself: then it is raised."""
        if not self.lost(error):
            raise error
        self.say(f"The workers went away ({type(error).__name__}); what is left is done on this machine.")
        self.runner = None


def _in_groups(items: Sequence[T]) -> Iterator[Sequence[T]]:
    size = -(-len(items) // MOST_TASKS) or 1
    return (items[first : first + size] for first in range(0, len(items), size))


def _label(some: Sequence[T], name: Callable[[T], str]) -> str:
    return name(some[0]) + (f" and {len(some) - 1} more" if len(some) > 1 else "")


def as_tasks(
    what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
) -> Iterator[R | NotYet]:
    """A ``FanOut``: each item is a task of its own, in turn; from ``MOST_TASKS`` on a task takes several."""
    for some in _in_groups(items):
        try:
            yield from _made(what, _label(some, name))(_Work(do, some))
        except NotYet as waiting:
            # One of several was not ready: the others are done by themselves.
            yield from _each_alone(what, do, some, name) if len(some) > 1 else (waiting,)


def _each_alone(
    what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
) -> Iterator[R | NotYet]:
    for item in items:
        try:
            yield from _made(what, name(item))(_Work(do, [item]))
        except NotYet as waiting:
            yield waiting


def _made(what: str, label: str) -> Any:
    return task(  # type: ignore[call-overload]
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


class _Work:
    """Work on some items. No dataclass: Prefect walks through those, and polygons are deep."""

    def __init__(self, do: Callable[[Any], Any], items: Sequence[Any]) -> None:
        self.do = do
        self.items = items


def _do_all(work: _Work) -> list[Any]:
    return [work.do(item) for item in work.items]


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


def serve_nights(cron: str, inbox: Path, lake: str, site: Path, workers: str | None = None) -> None:
    """Stay and run a night at each time of ``cron`` (local time), as a deployment of the Prefect server.

    Every night is a process of its own, and one waits for the other.
    """
    from prefect.schedules import Cron
    from prefect.types.entrypoint import EntrypointType

    night.serve(
        name="nightly",
        schedule=Cron(cron, timezone=_local_zone()),
        parameters={"inbox": str(inbox), "lake": lake, "site": str(site), "workers": workers},
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
