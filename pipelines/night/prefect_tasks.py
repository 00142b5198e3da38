"""Work as Prefect tasks, with retries: in turn, in threads, or by workers on other machines.

Import this module where Prefect is wanted only: importing Prefect takes over a second.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Protocol

from chaffinch.pipelines.errors import CallError, ChaffinchError, NotYet
from chaffinch.pipelines.night.prefect_server import prefect_folder
from chaffinch.pipelines.parallel.fan_out import (
    CALCULATED,
    FROM_STORAGE,
    MOST_AHEAD,
    R,
    T,
    begun_ahead,
    side_by_side,
)

with prefect_folder():
    from prefect import task
    from prefect.cache_policies import NO_CACHE
    from prefect.task_runners import ThreadPoolTaskRunner

RETRY_DELAYS_S = (5.0, 20.0, 60.0)
# Each task adds about 0.1 s to its work, so many items are grouped: a few to a task, more of ten thousand files.
ENOUGH_TASKS, A_FEW, MOST_TASKS = 64, 4, 500
FEWEST_AHEAD = 4


def as_tasks(
    what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
) -> Iterator[R | NotYet]:
    """A ``FanOut``: one task per item, one after another; many items share tasks."""
    for some in _in_groups(items):
        try:
            yield from _task(what, some, name)(_Work(do, some)).taken()
        except NotYet as waiting:
            yield from _each_alone(waiting, what, do, some, name)


class Runner(Protocol):
    """Begins work on some items; gives what has their results. name : of an item, for records. a_few : items that one
    piece of work may have, where there are many."""

    a_few: int

    def submit(
        self, what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
    ) -> Any: ...


class Threads:
    """A ``Runner`` of Prefect tasks in threads of this process."""

    a_few = A_FEW

    def __init__(self, count: int) -> None:
        self._runner: ThreadPoolTaskRunner[Any] = ThreadPoolTaskRunner(max_workers=count)

    def __enter__(self) -> Threads:
        self._runner.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._runner.__exit__(None, None, None)

    def submit(self, what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]) -> Any:
        return _Coming(self._runner.submit(_task(what, items, name), {"work": _Work(do, items)}))


class SideBySide:
    """A ``FanOut`` that hands work of the kinds ``handed`` to ``runner``.

    All else is done here, by ``as_tasks`` if it touches storage and may be worth a retry; so is what failed there and
    may pass.

    most_ahead, most_bytes_ahead : as of ``begun_ahead``. lost : whether a failure means that the workers went
    away; then the rest is done here.
    """

    def __init__(
        self,
        runner: Runner,
        handed: frozenset[str] = FROM_STORAGE,
        most_ahead: int | None = None,
        most_bytes_ahead: float | None = None,
        lost: Callable[[Exception], bool] = lambda error: False,
        say: Callable[[str], None] = print,
    ) -> None:
        self.runner, self.lost, self.say = runner, lost, say
        self.handed = handed
        self.most_ahead, self.most_bytes_ahead = most_ahead, most_bytes_ahead
        self.here_only = False

    def __call__(
        self, what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
    ) -> Iterator[R | NotYet]:
        if what in CALCULATED and (what not in self.handed or self.here_only):
            yield from side_by_side(what, do, items, name)
            return
        if what not in self.handed or len(items) < 2:
            yield from as_tasks(what, do, items, name)
            return

        def hand_out(some: Sequence[T]) -> tuple[Sequence[T], Any]:
            if not self.here_only:
                try:
                    return some, self.runner.submit(what, do, some, name)
                except Exception as error:
                    self._go_on_here(error)
            return some, None

        groups = _in_groups(items, self.runner.a_few)
        # Results of so many items are held at most, in however many pieces they come.
        most = max(FEWEST_AHEAD, (self.most_ahead or MOST_AHEAD) // len(groups[0]))
        for some, future in begun_ahead(hand_out, groups, most, self.most_bytes_ahead):
            try:
                here = future is None or self.here_only
                results = as_tasks(what, do, some, name) if here else future.result()
            except NotYet as waiting:
                results = _each_alone(waiting, what, do, some, name)
            except Exception as error:
                if not getattr(error, "may_pass", False):
                    self._go_on_here(error)
                results = as_tasks(what, do, some, name)
            yield from results

    def _go_on_here(self, error: Exception) -> None:
        """From now on all is done here, unless ``error`` is about the work itself: then it is raised."""
        if not self.lost(error):
            raise error
        self.say(f"The workers went away ({type(error).__name__}); the rest is done on this machine.")
        self.here_only = True


def _in_groups(items: Sequence[T], a_few: int = A_FEW) -> list[Sequence[T]]:
    few = min(a_few, math.ceil(len(items) / ENOUGH_TASKS))
    size = max(1, few, math.ceil(len(items) / MOST_TASKS))
    return [items[first : first + size] for first in range(0, len(items), size)]


def _each_alone(
    waiting: NotYet, what: str, do: Callable[[T], R], some: Sequence[T], name: Callable[[T], str]
) -> Iterator[R | NotYet]:
    """One of ``some`` is not ready: each is tried as a task of its own."""
    if len(some) == 1:
        yield waiting
        return
    for item in some:
        yield from as_tasks(what, do, [item], name)


def _task(what: str, some: Sequence[T], name: Callable[[T], str]) -> Any:
    label = name(some[0]) + (f" and {len(some) - 1} more" if len(some) > 1 else "")
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
        self.do, self.items = do, items


class _Done:
    """Results of some items, to be taken once. What a task returns stays in memory, in reference cycles of Prefect,
    until garbage is collected; by then there may be the results of hundreds of field jobs."""

    def __init__(self, results: list[Any]) -> None:
        self._results = results

    def taken(self) -> list[Any]:
        results, self._results = self._results, []
        return results


class _Coming:
    """Results of a task that is under way."""

    def __init__(self, future: Any) -> None:
        self._future = future

    def result(self) -> list[Any]:
        done: _Done = self._future.result()
        return done.taken()


def _do_all(work: _Work) -> _Done:
    return _Done([work.do(item) for item in work.items])


def retry_delays_s() -> list[float]:
    """Pauses before each retry [s]; ``CHAFFINCH_RETRY_DELAYS_S`` ("5,20,60") sets others."""
    stated = os.environ.get("CHAFFINCH_RETRY_DELAYS_S")
    try:
        return [float(part) for part in stated.split(",")] if stated else list(RETRY_DELAYS_S)
    except ValueError:
        raise CallError(
            f"CHAFFINCH_RETRY_DELAYS_S must be seconds such as 5,20,60, not '{stated}'."
        ) from None


def _may_pass(task: Any, run: Any, state: Any) -> bool:
    """Whether a retry may help."""
    from prefect.states import aget_state_exception
    from prefect.utilities.asyncutils import run_coro_as_sync

    error: BaseException | None = run_coro_as_sync(aget_state_exception(state))
    return isinstance(error, ChaffinchError) and error.may_pass
