"""Work of the interpreter done by processes of this machine: threads would take turns at it.

The processes are plain ones that read items and write results through their pipes; nothing of the caller's
program is run again in them, and they end with it, however it ends.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from queue import SimpleQueue
from typing import IO, Any, Generic, TypeVar

from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one, processors

# Starting processes takes seconds; fewer machine-fields than these are done by then.
FEWEST_FOR_PROCESSES = 16
MOST_PROCESSES = 8

T = TypeVar("T")
R = TypeVar("R")


@contextmanager
def in_processes(do: Callable[[T], R], fields: int, each: FanOut) -> Iterator[Callable[[T], R]]:
    """What does the same as ``do`` but in a process of its own, where ``each`` calls it for several items at once
    and the machine-fields to be worked on are many.

    ``do`` and what it gives must bear pickling. Elsewhere, as on another machine, it is ``do`` itself.
    """
    count = min(processors(), MOST_PROCESSES)
    if fields < FEWEST_FOR_PROCESSES or count < 2 or each is one_by_one:
        yield do
        return
    spread = _Spread(do, count)
    try:
        yield spread
    finally:
        spread.stop()


class _Spread(Generic[T, R]):
    """``do`` by up to ``count`` processes, each started when it is first needed. May be called from many threads."""

    def __init__(self, do: Callable[[T], R], count: int) -> None:
        self.do = do
        self._idle: SimpleQueue[_Process | None] = SimpleQueue()
        self._started: list[_Process] = []
        for _ in range(count):
            self._idle.put(None)

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...]]:
        return _itself, (self.do,)

    def __call__(self, item: T) -> R:
        process = self._idle.get()
        try:
            if process is None:
                process = _Process(self.do)
                self._started.append(process)
            answer = process.ask(item)
        except (OSError, EOFError, pickle.UnpicklingError):
            # It was killed, or never came up: what it had is done here, and another one takes its place.
            process = None
            answer = self.do(item)
        finally:
            self._idle.put(process)
        if isinstance(answer, BaseException):
            raise answer
        return answer

    def stop(self) -> None:
        for process in self._started:
            process.stop()


class _Process:
    def __init__(self, do: Callable[[Any], Any]) -> None:
        threads = ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
        self._running = subprocess.Popen(
            [sys.executable, "-m", __name__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=os.environ | dict.fromkeys(threads, "1") | {"PYTHONSAFEPATH": "1"},
        )
        assert self._running.stdin is not None and self._running.stdout is not None
        self._items, self._answers = self._running.stdin, self._running.stdout
        send(self._items, do)

    def ask(self, item: Any) -> Any:
        send(self._items, item)
        return pickle.load(self._answers)

    def stop(self) -> None:
        with suppress(OSError):
            self._items.close()
        self._answers.close()
        self._running.wait()


def _itself(do: Callable[[T], R]) -> Callable[[T], R]:
    return do


def send(pipe: IO[bytes], what: Any) -> None:
    pickle.dump(what, pipe, protocol=pickle.HIGHEST_PROTOCOL)
    pipe.flush()


def portable(error: Exception) -> Exception:
    """The error, or where it can't be sent what it says."""
    try:
        return (
            error if isinstance(pickle.loads(pickle.dumps(error)), type(error)) else RuntimeError(repr(error))
        )
    except Exception:  # noqa: BLE001  whatever keeps it from being sent
        return RuntimeError(repr(error))


def _work(items: IO[bytes], answers: IO[bytes]) -> None:
    """What a process does: every item that comes, until no more come."""
    do = pickle.load(items)
    while True:
        try:
            item = pickle.load(items)
        except EOFError:
            return
        try:
            answer: Any = do(item)
        except Exception as error:  # noqa: BLE001  the caller raises it
            answer = portable(error)
        # The caller may have gone.
        with suppress(BrokenPipeError):
            send(answers, answer)


if __name__ == "__main__":
    # What a library prints must not come between the answers.
    with os.fdopen(os.dup(1), "wb") as answers_out:
        os.dup2(2, 1)
        _work(sys.stdin.buffer, answers_out)
