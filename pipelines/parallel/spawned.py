"""Spawned processes, each with one thread for linear algebra and Polars.

They don't run the caller's program again, import nothing from the working directory, and end with the caller.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator, MutableMapping
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.context import SpawnContext, SpawnProcess
from multiprocessing.process import parent_process
from threading import Lock, Thread
from typing import Any, TypeVar

from chaffinch.pipelines.parallel.children import SAFE_IMPORTS

MOST_PROCESSES = 8
_ENVIRONMENT = SAFE_IMPORTS | dict.fromkeys(
    ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"
)
_NO_PROGRAM = {"__file__": None, "__spec__": None}
_starting = Lock()

T = TypeVar("T")
R = TypeVar("R")


def spawned(count: int, do: Callable[[Any], Any] | None = None) -> ProcessPoolExecutor:
    """Up to ``count`` processes, each started when it is first needed. do : what ``work`` does there."""
    # This starts a process of ``multiprocessing`` for its locks.
    with _starting, _changed(os.environ, _ENVIRONMENT):
        return ProcessPoolExecutor(count, _Context(), _begin, (do,))


def itself(do: Callable[[T], R]) -> Callable[[T], R]:
    """``do``: another machine, which has no such processes, unpickles it as it is."""
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


_do: Callable[[Any], Any] | None


def _begin(do: Callable[[Any], Any] | None) -> None:
    """Set up a process, for ``do`` or for any work."""
    global _do
    _do = do
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    # Standard output is for the summary of the command; what a library prints goes to standard error.
    os.dup2(2, 1)
    Thread(target=_end_with_caller, daemon=True).start()


def work(item: Any) -> Any:
    assert _do is not None
    return _do(item)


def _end_with_caller() -> None:
    caller = parent_process()
    assert caller is not None
    caller.join()
    os._exit(1)
