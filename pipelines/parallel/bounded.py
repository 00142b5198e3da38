"""Decode untrusted files in a child process with a limit of memory and of time, which may die of it.

For native decoders that allocate whatever a file asks for, or crash. The child stays for the next file, and
ends when its input closes.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import time
from collections.abc import Callable
from select import select
from threading import Lock
from typing import Any, TypeVar

from chaffinch.pipelines.parallel.children import start_child, stop_child

MOST_MEMORY_BYTES = 2 << 30
LONGEST_S = 60.0
_SIZE_BYTES = 8

R = TypeVar("R")

_idle: list[subprocess.Popen[Any]] = []
_handing_out = Lock()


class TooMuch(Exception):
    """The work took more memory or time than it may, or crashed."""


def bounded(do: Callable[..., R], *given: Any) -> R:
    """``do(*given)`` in a child. What it raises is raised here.

    ``do`` is a function of a module; what goes in and comes out is picklable. Raises ``TooMuch``.
    """
    with _handing_out:
        child = _idle.pop() if _idle else None
    child = child or start_child(
        [sys.executable, "-m", __name__],
        {"POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1"},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    try:
        good, result = _answer(child, pickle.dumps((do, given)))
    except BaseException:
        stop_child(child)
        raise
    with _handing_out:
        _idle.append(child)
    if not good:
        raise result
    return result


def _answer(child: subprocess.Popen[Any], asked: bytes) -> tuple[bool, Any]:
    assert child.stdin is not None and child.stdout is not None
    try:
        child.stdin.write(len(asked).to_bytes(_SIZE_BYTES, "big") + asked)
        child.stdin.flush()
        until = time.monotonic() + LONGEST_S
        size = int.from_bytes(_read(child.stdout.fileno(), _SIZE_BYTES, until), "big")
        return pickle.loads(_read(child.stdout.fileno(), size, until))
    except OSError:
        raise TooMuch("its reader crashed, or needed too much memory") from None


def _read(handle: int, size: int, until: float) -> bytearray:
    whole = bytearray()
    while len(whole) < size:
        if not select([handle], [], [], max(0.0, until - time.monotonic()))[0]:
            raise TooMuch(f"reading it took longer than {LONGEST_S:.0f} s")
        piece = os.read(handle, min(size - len(whole), 1 << 20))
        if not piece:
            raise BrokenPipeError
        whole += piece
    return whole


def _serve() -> None:
    """Answer until the caller is gone."""
    import resource

    answers = os.dup(1)
    # What libraries print must not go between the answers.
    os.dup2(2, 1)
    asking = sys.stdin.buffer
    limited = False
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    while size := int.from_bytes(asking.read(_SIZE_BYTES), "big"):
        do, given = pickle.loads(asking.read(size))
        if not limited:
            # Only now are the libraries imported; memory that they only reserve does not count.
            most = _reserved_bytes() + MOST_MEMORY_BYTES
            resource.setrlimit(resource.RLIMIT_AS, (most, most))
            limited = True
        used = resource.getrusage(resource.RUSAGE_SELF)
        cpu_s = int(used.ru_utime + used.ru_stime + LONGEST_S)
        resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, resource.RLIM_INFINITY))
        try:
            answer = (True, do(*given))
        except MemoryError:
            os._exit(1)
        except Exception as error:  # noqa: BLE001  raised again where the work was asked for
            answer = (False, error)
        packed = pickle.dumps(answer)
        with os.fdopen(os.dup(answers), "wb") as stream:
            stream.write(len(packed).to_bytes(_SIZE_BYTES, "big") + packed)


def _reserved_bytes() -> int:
    try:
        with open("/proc/self/statm") as pages:
            return int(pages.read().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    except OSError:
        return 4 * MOST_MEMORY_BYTES


if __name__ == "__main__":
    _serve()
