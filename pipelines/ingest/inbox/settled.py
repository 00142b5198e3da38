"""Whether a file in the inbox has come to rest, or is still being written: then it is left for the next run.

A file is still growing when it changed between two looks, or when a program on this machine holds it
open for writing. A copy from afar that stalls can look at rest; its whole content then counts the next night.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterable
from pathlib import Path

from chaffinch.pipelines.ingest.inbox.inbox_file import InboxFile, Stamp

# A file changed within this time, by either clock, is looked at twice with a pause between.
RECENT_S = 5.0
PAUSE_S = 0.3
# Who writes to a file is asked where it changed within this time.
ASKED_S = 3600.0


def stamp_of(path: Path) -> Stamp | None:
    """Size and time of change [ns]; of a folder, those of the files in it, summed and newest. None: gone."""
    try:
        if not path.is_dir():
            state = path.stat()
            return state.st_size, state.st_mtime_ns
        states = [entry.stat() for entry in os.scandir(path) if entry.is_file()]
    except OSError:
        return None
    return sum(s.st_size for s in states), max((s.st_mtime_ns for s in states), default=0)


def changed(file: InboxFile) -> bool:
    """Whether the file on disk is another than the one that was hashed."""
    return file.source is not None and stamp_of(file.source) != file.stamp


def growing(files: Iterable[InboxFile]) -> set[str]:
    """Names of the files that are still being written. Waits a moment where some were changed just now."""
    files = [file for file in files if file.source is not None]
    if any(is_young(file.stamp) for file in files):
        time.sleep(PAUSE_S)
    # Many files may come from one archive.
    asked = {file.source: file for file in files if _age_s(file.stamp) < ASKED_S}
    held = {source for source in asked if held_open(source)}
    return {file.name for file in files if file.source in held or changed(file)}


def is_young(stamp: Stamp | None) -> bool:
    """Whether what has this stamp changed just now, and could change again unnoticed."""
    return _age_s(stamp) < RECENT_S


def _age_s(stamp: Stamp | None) -> float:
    """Seconds since the change; either clock may be wrong, so that a file of the future is as young."""
    return abs(time.time_ns() - stamp[1]) / 1e9 if stamp is not None else 0.0


def held_open(path: Path | None) -> bool:
    """Whether a program on this machine holds the file open for writing, as far as the system tells.

    The system grants a read lease only on files that nobody writes to. It is given back at once; the signal
    that a lease may bring must be ignored for that, so that nothing is asked where it is not (``ask_leases``).
    """
    import fcntl

    if (
        path is None
        or not hasattr(fcntl, "F_SETLEASE")
        or signal.getsignal(signal.SIGIO) is not signal.SIG_IGN
    ):
        return False
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except BlockingIOError:
        return True
    except OSError:
        return False  # no leases on this storage, or not for this user
    finally:
        os.close(handle)
    return False


def ask_leases() -> None:
    """Let ``held_open`` ask the system: ignore the signal of a lease. Only the main thread can."""
    import threading

    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGIO, signal.SIG_IGN)
