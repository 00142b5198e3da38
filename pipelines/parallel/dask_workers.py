"""Workers on other machines that read files, prepare and fit field jobs, joined through a Dask scheduler.

They need the program in the same version, and the inbox and the lake under the same names: a folder on a share,
or an object store. They are checked before any work is handed out.
"""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.program_digest import program_digest

if TYPE_CHECKING:
    from prefect_dask import DaskTaskRunner

LONGEST_ANSWER_S = 20
_START = "dask scheduler; and on each machine: dask worker ADDRESS"


@dataclass(frozen=True, slots=True)
class Workers:
    """Workers that can do the work. ``threads``: of all of them together."""

    address: str
    threads: int

    def runner(self) -> DaskTaskRunner:
        """What Prefect hands tasks to, not yet started."""
        from prefect_dask import DaskTaskRunner

        return DaskTaskRunner(address=self.address, client_kwargs={"set_as_default": False})


def join(address: str, inbox: Path, lake: str) -> Workers:
    """The workers of the Dask scheduler at ``address``, such as ``tcp://10.0.0.5:8786``.

    Raises ``CallError`` where there is none, or where one of them lacks what it needs.
    """
    try:
        from distributed import Client
        from prefect_dask import DaskTaskRunner  # noqa: F401  whether it is there
    except ImportError:
        raise CallError(
            "--workers needs the package prefect-dask; install it with: pip install 'chaffinch[workers]'."
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
    return Workers(address, threads)


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
