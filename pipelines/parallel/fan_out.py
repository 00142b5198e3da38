"""How a stage spreads its work over items: in turn or in threads here, as Prefect tasks in ``night``.

A stage that handles many files or field jobs gets a ``FanOut`` and does not depend on who does the work.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Protocol, TypeVar

from chaffinch.pipelines.errors import NotYet

# What may be under way or wait for its turn while the stage is busy with earlier results.
MOST_AHEAD = 32
# Files, whose bytes are limited as well: small ones are read while others are judged and written.
MOST_FILES_AHEAD = 256
MOST_BYTES_AHEAD = 96 << 20

# Work that any machine may do, since it needs only its item and shared storage, or only its item. All else is done
# where the lake is open for writing.
FROM_STORAGE = frozenset({"read", "find delays", "prepare"})
CALCULATED = frozenset({"fit", "fit field jobs", "share", "make pages"})

T = TypeVar("T")
R = TypeVar("R")


class FanOut(Protocol):
    """Calls ``do`` for each item and yields the results in the order of the items.

    what : the work in two or three words, for the history of runs. name : of an item, for the same. Where an
    item is not ready, after all retries of the fan-out, its ``NotYet`` is yielded in place of a result. Any
    other failure is raised.
    """

    def __call__(
        self, what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
    ) -> Iterator[R | NotYet]: ...


def one_by_one(
    what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
) -> Iterator[R | NotYet]:
    """Each item in turn and once; the next begins when its result is needed."""
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
    with ThreadPoolExecutor(workers, thread_name_prefix=what) as pool:
        try:
            most = MOST_FILES_AHEAD if hasattr(items[0], "size_bytes") else MOST_AHEAD
            for future in begun_ahead(lambda item: pool.submit(_settled, do, item), items, most):
                yield future.result()
        finally:
            pool.shutdown(cancel_futures=True)


def begun_ahead(
    begin: Callable[[T], R],
    items: Iterable[T],
    most: int | None = None,
    most_bytes: float | None = None,
) -> Iterator[R]:
    """What ``begin`` gives for each item, such as a future, in order; later items begin before an earlier one
    is finished, as long as they are at most ``most`` and their ``size_bytes`` at most ``most_bytes``.

    None: ``MOST_AHEAD`` and ``MOST_BYTES_AHEAD``. An item may be a group of items.
    """
    most, most_bytes = most or MOST_AHEAD, most_bytes or MOST_BYTES_AHEAD
    ahead: deque[tuple[R, int]] = deque()
    size_ahead = 0
    for item in items:
        parts = item if isinstance(item, Sequence) else (item,)
        size = sum(getattr(part, "size_bytes", 0) for part in parts)
        while ahead and (len(ahead) >= most or size_ahead + size > most_bytes):
            begun, its_size = ahead.popleft()
            yield begun
            size_ahead -= its_size
        ahead.append((begin(item), size))
        size_ahead += size
    while ahead:
        yield ahead.popleft()[0]


def in_groups(items: Iterable[T], size: Callable[[T], int], most_size: int, most: int) -> Iterator[list[T]]:
    """Groups of up to ``most`` items in order; one is full as soon as the sizes in it add up to ``most_size``."""
    group: list[T] = []
    total = 0
    for item in items:
        group.append(item)
        total += size(item)
        if total >= most_size or len(group) >= most:
            yield group
            group, total = [], 0
    if group:
        yield group


def processors() -> int:
    """How many this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _settled(do: Callable[[T], R], item: T) -> R | NotYet:
    try:
        return do(item)
    except NotYet as waiting:
        return waiting
