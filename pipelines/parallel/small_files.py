"""Small files are read in processes: reading one keeps the interpreter busy, for which threads would take turns."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from chaffinch.pipelines.parallel.fan_out import FanOut
from chaffinch.pipelines.parallel.processes import in_processes, processes_for

# Larger ones are mostly read by Polars, which leaves the interpreter to others; their rows are better not copied.
SMALL_BYTES = 64 << 10
# Processes start in about the time in which so many small files are read.
FEWEST_SMALL = 256


class Sized(Protocol):
    @property
    def size_bytes(self) -> int: ...


F = TypeVar("F", bound=Sized)
R = TypeVar("R")


@contextmanager
def small_files_in_processes(
    read: Callable[[F], R], files: Sequence[F], each: FanOut
) -> Iterator[Callable[[F], R]]:
    """The same as ``read``, which does small ``files`` in processes if there are many; for ``each`` to call."""
    small = sum(file.size_bytes <= SMALL_BYTES for file in files)
    with in_processes(read, each, processes_for(small) if small >= FEWEST_SMALL else 1) as elsewhere:
        yield read if elsewhere is read else _BySize(read, elsewhere)


@dataclass(frozen=True, slots=True)
class _BySize(Generic[F, R]):
    here: Callable[[F], R]
    elsewhere: Callable[[F], R]

    def __call__(self, file: F) -> R:
        return (self.elsewhere if file.size_bytes <= SMALL_BYTES else self.here)(file)
