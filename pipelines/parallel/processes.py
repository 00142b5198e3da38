"""The pool of processes: work that keeps the interpreter busy, for which threads would take turns.

``concurrent.futures`` with spawned processes, each with one thread for linear algebra and Polars. The caller's
program is not run again in them, a process that is lost costs nothing but time, and all end with the caller.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator, MutableMapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.context import SpawnContext, SpawnProcess
from multiprocessing.process import parent_process
from threading import Lock, Thread
from typing import Any, Generic, TypeVar

from chaffinch.pipelines.errors import NotYet
from chaffinch.pipelines.parallel.children import SAFE_IMPORTS
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one, processors

# Starting processes takes seconds; fewer items than these are done by then.
FEWEST_FOR_PROCESSES = 16
MOST_PROCESSES = 8
_ENVIRONMENT = SAFE_IMPORTS | dict.fromkeys(
    ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"
)
_NO_PROGRAM = {"__file__": None, "__spec__": None}
_starting = Lock()

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

    It is ``do`` itself for one process, where ``each`` takes items in turn, and on another machine. ``do``, the
    items and the results must be picklable.
    """
    if processes < 2 or each is one_by_one:
        yield do
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
        self._executor = self._new()

    def _new(self) -> ProcessPoolExecutor:
        # This starts a process of ``multiprocessing`` for its locks.
        with _starting, _changed(os.environ, _ENVIRONMENT):
            return ProcessPoolExecutor(self._count, _Context(), _begin, (self._do,))

    def __call__(self, item: T) -> R:
        executor = self._executor
        try:
            return executor.submit(_work, item).result()
        except BrokenProcessPool:
            # A process was killed, or did not start: its item is done here, and a new pool takes the others.
            with self._renewing:
                if self._executor is executor:
                    self._executor = self._new()
            return self._do(item)

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...]]:
        return _itself, (self._do,)

    def stop(self) -> None:
        self._executor.shutdown(cancel_futures=True)


def _itself(do: Callable[[T], R]) -> Callable[[T], R]:
    return do


class _Process(SpawnProcess):
    def start(self) -> None:
        # ``multiprocessing`` can neither set the environment of a child nor leave out the program of the caller.
        program = vars(sys.modules["__main__"])
        with _starting, _changed(os.environ, _ENVIRONMENT), _changed(program, _NO_PROGRAM):
            try:
                super().start()
            except OSError as error:
                raise BrokenProcessPool(f"A process could not be started: {error}") from error


class _Context(SpawnContext):
    Process = _Process


@contextmanager
def _changed(values: MutableMapping[str, Any], to: dict[str, Any]) -> Iterator[None]:
    before = dict(values)
    values.update(to)
    try:
        yield
    finally:
        for name in to:
            if name in before:
                values[name] = before[name]
            else:
                del values[name]


_do: Callable[[Any], Any]


def _begin(do: Callable[[Any], Any]) -> None:
    """Set up a process."""
    global _do
    _do = do
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    # Standard output is for the summary of the command; what a library prints goes to standard error.
    os.dup2(2, 1)
    Thread(target=_end_with_caller, daemon=True).start()


def _work(item: Any) -> Any:
    return _do(item)


def _end_with_caller() -> None:
    caller = parent_process()
    assert caller is not None
    caller.join()
    os._exit(1)
