"""Read many small files in processes: parsing one is mostly Python, where threads would wait for each other."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from chaffinch.pipelines.parallel.fan_out import FanOut
from chaffinch.pipelines.parallel.processes import in_processes, processes_for

# Larger files are mostly parsed by Polars, which releases the interpreter, and copying their rows back is slow.
SMALL_BYTES = 64 << 10
# Reading fewer files takes less time than starting the processes.
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
    with in_processes(read, each, processes_for(small) if small >= FEWEST_SMALL else 0) as elsewhere:
        yield read if elsewhere is read else _BySize(read, elsewhere)


@dataclass(frozen=True, slots=True)
class _BySize(Generic[F, R]):
    here: Callable[[F], R]
    elsewhere: Callable[[F], R]

    def __call__(self, file: F) -> R:
        return (self.elsewhere if file.size_bytes <= SMALL_BYTES else self.here)(file)
