"""How the work of a stage is spread over items: in turn or side by side here, as tasks in ``flow``.

A stage that handles many files or machine-fields is given a ``FanOut`` and knows nothing of who does the work.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Protocol, TypeVar

from chaffinch.pipelines.errors import NotYet

# What may be under way or wait for its turn while the stage is busy with earlier results.
MOST_AHEAD = 32
MOST_BYTES_AHEAD = 96 << 20

# Work that needs nothing but its item and storage that all can reach, so that it may be done anywhere. All
# else is done where the lake is held for writing.
ANYWHERE = frozenset({"read", "find delays", "prepare"})

T = TypeVar("T")
R = TypeVar("R")


class FanOut(Protocol):
    """Calls ``do`` for each item and yields the results in the order of the items.

    what : the work in two or three words, as run histories show it. name : of an item, for the same. Where an
    item is not ready, even after any tries that the fan-out allows, its ``NotYet`` is yielded in place of a
    result. Any other failure is raised.
    """

    def __call__(
        self, what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
    ) -> Iterator[R | NotYet]: ...


def one_by_one(
    what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
) -> Iterator[R | NotYet]:
    """Each item in turn and once; the next is begun when its result is asked for."""
    for item in items:
        yield _settled(do, item)


def side_by_side(
    what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
) -> Iterator[R | NotYet]:
    """Several items at once, in as many threads as there are processors; large files one at a time.

    Polars, which does nearly all of the work, leaves the interpreter to other threads.
    """
    workers = min(len(items), processors())
    if workers < 2:
        yield from one_by_one(what, do, items, name)
        return
    ahead: deque[tuple[Future[R | NotYet], int]] = deque()
    size_ahead = 0
    with ThreadPoolExecutor(workers, thread_name_prefix=what) as pool:
        try:
            for item in items:
                size = getattr(item, "size_bytes", 0)
                while ahead and (len(ahead) >= MOST_AHEAD or size_ahead + size > MOST_BYTES_AHEAD):
                    done, its_size = ahead.popleft()
                    yield done.result()
                    size_ahead -= its_size
                ahead.append((pool.submit(_settled, do, item), size))
                size_ahead += size
            while ahead:
                yield ahead.popleft()[0].result()
        finally:
            pool.shutdown(cancel_futures=True)


def processors() -> int:
    """How many this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _settled(do: Callable[[T], R], item: T) -> R | NotYet:
    try:
        return do(item)
    except NotYet as waiting:
        return waiting
