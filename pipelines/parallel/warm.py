"""Processes that import while the night reads what is new, for work that is too little to start processes for."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from functools import lru_cache
from importlib import import_module
from typing import Any, Generic, TypeVar

from chaffinch.pipelines.parallel.fan_out import processors
from chaffinch.pipelines.parallel.spawned import MOST_PROCESSES, itself, spawned

T = TypeVar("T")
R = TypeVar("R")

_executor: ProcessPoolExecutor | None = None
_may_start = False


@contextmanager
def warm_processes() -> Iterator[None]:
    """Within this, ``warm_up`` may start processes; at the end they are stopped."""
    global _executor, _may_start
    _may_start = True
    try:
        yield
    finally:
        executor, _executor, _may_start = _executor, None, False
        if executor is not None:
            # They may still be importing, so they are killed; the executor has no call for it before Python 3.14.
            for process in list((executor._processes or {}).values()):
                process.kill()
            executor.shutdown(cancel_futures=True)


def warm_up(*modules: str) -> None:
    """Start processes that import ``modules`` while the caller goes on. Outside of ``warm_processes`` nothing is
    started."""
    global _executor
    count = min(processors(), MOST_PROCESSES)
    if _may_start and _executor is None and count > 1:
        _executor = spawned(count)
        with suppress(BrokenProcessPool):
            for _ in range(count):
                _executor.submit(_import_all, modules)


def done_warm(do: Callable[[T], R]) -> Callable[[T], R]:
    """``do`` in one of the warm processes; ``do`` itself where there are none."""
    return do if _executor is None else _Warm(do, _executor)


class _Warm(Generic[T, R]):
    """``do`` by processes that are warm, or here where they are lost."""

    def __init__(self, do: Callable[[T], R], executor: ProcessPoolExecutor) -> None:
        self._do, self._executor, self._pickled = do, executor, pickle.dumps(do)

    def __call__(self, item: T) -> R:
        try:
            return self._executor.submit(_work_by, self._pickled, item).result()
        except BrokenProcessPool:
            return self._do(item)

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...]]:
        return itself, (self._do,)


def _import_all(modules: Sequence[str]) -> None:
    for name in modules:
        import_module(name)


def _work_by(pickled: bytes, item: Any) -> Any:
    return _unpickled(pickled)(item)


@lru_cache(maxsize=1)
def _unpickled(pickled: bytes) -> Callable[[Any], Any]:
    # From the process that started this one.
    return pickle.loads(pickled)
