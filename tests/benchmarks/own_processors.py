"""Workers of a cluster with processors of their own, on a machine that does not have as many.

Time is shared out in turns: for a moment the workers run and all else is stopped, then all else runs and the workers
are stopped. So a machine of two processors stands for a cluster of two workers with one processor each and a third
machine with two, at half the speed: a second of the cluster is two by the clock.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from threading import Event, Thread

import psutil

TURN_S = 0.1
SLOWED = 2.0
# Finding the processes takes milliseconds; one that has just started runs in both turns for so long.
LOOK_EVERY_S = 1.0


@contextmanager
def in_turns(workers: Callable[[], Iterable[int]]) -> Iterator[None]:
    """Meanwhile the processes below this one take turns. workers : numbers of those that are workers now."""
    ended = Event()
    turns = Thread(target=_take_turns, args=(workers, ended))
    turns.start()
    try:
        yield
    finally:
        ended.set()
        turns.join()


def _take_turns(workers: Callable[[], Iterable[int]], ended: Event) -> None:
    own, others, looked = set[int](), set[int](), 0.0
    while not ended.wait(TURN_S):
        if time.monotonic() - looked > LOOK_EVERY_S:
            own, others = _found(workers())
            looked = time.monotonic()
        _signal(own, signal.SIGSTOP)
        _signal(others, signal.SIGCONT)
        if ended.wait(TURN_S):
            break
        _signal(others, signal.SIGSTOP)
        _signal(own, signal.SIGCONT)
    _signal({one.pid for one in psutil.Process().children(recursive=True)}, signal.SIGCONT)


def _found(workers: Iterable[int]) -> tuple[set[int], set[int]]:
    """Workers with all that they started, and the other processes below this one."""
    own = set(workers)
    for number in list(own):
        with suppress(psutil.Error):
            own |= {one.pid for one in psutil.Process(number).children(recursive=True)}
    return own, {one.pid for one in psutil.Process().children(recursive=True)} - own


def _signal(numbers: Iterable[int], which: signal.Signals) -> None:
    for number in numbers:
        with suppress(ProcessLookupError):
            os.kill(number, which)
