"""Workers on other machines that read files, prepare and fit field jobs, joined through a Dask scheduler.

They need the program in the same version, and the inbox and the lake under the same names: a folder on a share,
or an object store. They are checked before any work is handed out.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.parallel.fan_out import R, T
from chaffinch.pipelines.program_digest import program_digest

if TYPE_CHECKING:
    from distributed import Client

LONGEST_ANSWER_S = 20
LONGEST_REACH_S = 2
_START = "dask scheduler; and on each machine: dask worker ADDRESS"


@dataclass(frozen=True, slots=True)
class Workers:
    """Workers that can do the work. ``threads``: of all of them together. ``direct``: whether this machine reaches
    each of them, so that results need not pass through the scheduler."""

    address: str
    threads: int
    direct: bool = False

    def runner(self) -> DaskRunner:
        """What hands work to them, not yet started."""
        return DaskRunner(self.address, self.most_ahead, self.direct)

    @property
    def most_ahead(self) -> int:
        """Pieces of work that are best under way or waiting at once."""
        return 2 * self.threads + 2


class DaskRunner:
    """Hands work to the workers of the scheduler at ``address`` as plain Dask tasks.

    As tasks of Prefect each would speak to its server several times, which took a third of a worker's time, and all
    workers would have to reach it.
    """

    # If a worker is lost, its task is repeated, so tasks are small.
    a_few = 1

    def __init__(self, address: str, most_ahead: int, direct: bool) -> None:
        self.address, self.direct = address, direct
        self._client: Client | None = None
        # Results are fetched as soon as they are ready: those still on a worker are lost with it.
        self._home = ThreadPoolExecutor(most_ahead, thread_name_prefix="results")

    def __enter__(self) -> DaskRunner:
        return self

    def __exit__(self, *_: object) -> None:
        # A scheduler that went away does not answer.
        with suppress(Exception):
            if self._client is not None:
                self._client.close()
        self._home.shutdown(wait=False, cancel_futures=True)

    def submit(
        self, what: str, do: Callable[[T], R], items: Sequence[T], name: Callable[[T], str]
    ) -> Future[list[R]]:
        """``do`` for each of ``items``, as one task. name : of an item, for records."""
        from distributed import Client

        if self._client is None:
            self._client = Client(
                self.address,
                timeout=LONGEST_ANSWER_S,
                set_as_default=False,
                direct_to_workers=self.direct,
            )
        # A random key: Dask would otherwise hash the work, which can take longer than doing it.
        begun = self._client.submit(_do_all, do, list(items), key=f"{what} {name(items[0])} {uuid4().hex}")
        return self._home.submit(begun.result)


def _do_all(do: Callable[[T], R], items: Sequence[T]) -> list[R]:
    return [do(item) for item in items]


def join(address: str, inbox: Path, lake: str) -> Workers:
    """The workers of the Dask scheduler at ``address``, such as ``tcp://10.0.0.5:8786``.

    Raises ``CallError`` where there is none, or where one of them lacks what it needs.
    """
    try:
        from distributed import Client
    except ImportError:
        raise CallError(
            "--workers needs the package distributed; install it with: pip install 'chaffinch[workers]'."
        ) from None
    try:
        with Client(address, timeout=LONGEST_ANSWER_S, set_as_default=False) as client:
            threads = sum(client.nthreads().values())
            answers = client.run(_what_it_has, str(inbox), lake, on_error="return")
    except (OSError, ValueError, TimeoutError) as error:
        said = str(error).splitlines()[0][:200] if str(error) else type(error).__name__
        raise CallError(
            f"No Dask scheduler answers at {address} ({said}). Start one with: {_START}."
        ) from None
    if not answers:
        raise CallError(
            f"The Dask scheduler at {address} has no workers. Start some with: dask worker {address}."
        )
    ours = program_digest()
    for worker, answer in answers.items():
        if fault := _fault(answer, ours, inbox, lake):
            raise CallError(f"The worker at {worker} can't be used: {fault}")
    return Workers(address, threads, all(_is_reached(worker) for worker in answers))


def _is_reached(worker: str) -> bool:
    """Whether this machine reaches the worker at an address such as ``tcp://10.0.0.7:40000``."""
    host, _, port = worker.partition("://")[2].rpartition(":")
    try:
        with socket.create_connection((host.strip("[]"), int(port)), LONGEST_REACH_S):
            return True
    except (OSError, ValueError):
        return False


def _fault(answer: Any, ours: str, inbox: Path, lake: str) -> str | None:
    if not isinstance(answer, dict):
        return f"it does not have this program, or another version ({type(answer).__name__}: {str(answer)[:200]})."
    if answer["program"] != ours:
        return "it has another version of this program or of its libraries; install the same on both."
    if not answer["inbox"]:
        return f"it finds no folder {inbox}; mount the inbox there under the same name."
    if not answer["lake"]:
        return f"it finds no lake in {lake}; mount it there under the same name."
    return None


def _what_it_has(inbox: str, lake: str) -> dict[str, Any]:
    """The answer of a worker. For a lake that does not exist yet the parent folder decides."""
    place = Path(lake)
    there = "://" in lake or place.is_dir() or place.parent.is_dir()
    return {"program": program_digest(), "inbox": os.path.isdir(inbox), "lake": there}


def lost(error: BaseException) -> bool:
    """Whether ``error`` is about the workers or their scheduler, not about the work."""
    with suppress(ImportError):
        from distributed.comm import CommClosedError
        from distributed.scheduler import KilledWorker

        if isinstance(error, (CommClosedError, KilledWorker)):
            return True
    return isinstance(error, (OSError, TimeoutError)) or "Cancelled" in type(error).__name__
