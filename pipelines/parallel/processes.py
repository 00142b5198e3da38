"""The pool of processes: work that keeps the interpreter busy, for which threads would take turns.

Much work starts processes (``spawned``); little work goes to those that run already (``warm``), if there are any. A
lost process costs only time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from threading import Lock
from typing import Any, Generic, TypeVar

from chaffinch.pipelines.errors import NotYet
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one, processors
from chaffinch.pipelines.parallel.spawned import MOST_PROCESSES, itself, spawned, work
from chaffinch.pipelines.parallel.warm import done_warm

# Starting processes takes seconds; fewer items than these are done by then.
FEWEST_FOR_PROCESSES = 16

T = TypeVar("T")
R = TypeVar("R")


def processes_for(items: int) -> int:
    """How many processes so many items (field jobs, pages) are worth."""
    return min(processors(), MOST_PROCESSES) if items >= FEWEST_FOR_PROCESSES else 1


def through_processes(
    each: FanOut,
    what: str,
    do: Callable[[T], R],
    items: Sequence[T],
    name: Callable[[T], str],
    processes: int | None = None,
) -> Iterator[R]:
    """``each`` over ``items`` with ``do`` in processes (``in_processes``). Raises the ``NotYet`` of an item."""
    with in_processes(do, each, processes_for(len(items)) if processes is None else processes) as spread:
        for result in each(what, spread, items, name):
            if isinstance(result, NotYet):
                raise result
            yield result


@contextmanager
def in_processes(do: Callable[[T], R], each: FanOut, processes: int) -> Iterator[Callable[[T], R]]:
    """The same as ``do``, run in one of several processes, for ``each`` to call side by side.

    It is ``do`` itself for no process, for one unless some are warm, where ``each`` works one by one, and on
    another machine. ``do``, the items and the results must be picklable.
    """
    if processes < 1 or each is one_by_one:
        yield do
        return
    if processes < 2:
        yield done_warm(do)
        return
    pool = _Pool(do, processes)
    try:
        yield pool
    finally:
        pool.stop()


class _Pool(Generic[T, R]):
    """``do`` by up to ``count`` processes, each started when it is first needed. May be called from many threads."""

    def __init__(self, do: Callable[[T], R], count: int) -> None:
        self._do, self._count, self._renewing = do, count, Lock()
        self._executor = spawned(self._count, self._do)

    def __call__(self, item: T) -> R:
        executor = self._executor
        try:
            return executor.submit(work, item).result()
        except BrokenProcessPool:
            # A process was killed, or did not start: its item is done here, and a new pool takes the others.
            with self._renewing:
                if self._executor is executor:
                    self._executor = spawned(self._count, self._do)
            return self._do(item)

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...]]:
        return itself, (self._do,)

    def stop(self) -> None:
        self._executor.shutdown(cancel_futures=True)
