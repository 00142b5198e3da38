"""One writer at a time: an advisory lock on a file in the lake.

The operating system lets go of the lock when its process ends, however it ends, so that no stale lock can be
left behind. The text of the file only shows people who is writing.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from chaffinch.pipelines.errors import LakeError

LOCK_FILE = ".writing"
# What waiting does not mend.
REFUSALS = frozenset({errno.EACCES, errno.EPERM, errno.EROFS})


@contextmanager
def exclusive(folder: Path, say: Callable[[str], None]) -> Iterator[Callable[[], bool]]:
    """Hold the only right to write into ``folder``. Waits for another run, and says so once.

    Returns a function that says whether the folder is still the one that was locked: a share may go away and
    leave an empty folder in its place. Raises ``LakeError`` where the folder can't be written to.
    """
    import fcntl

    path = folder / LOCK_FILE
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK, 0o644)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENXIO, errno.EISDIR):
            raise LakeError(_no_lock(path)) from None
        passing = error.errno not in REFUSALS
        raise LakeError(f"{folder} can't be written to: {error.strerror}.", passing) from None
    try:
        state = os.fstat(handle)
        # Its text is written over: a link would let somebody else choose which file that is.
        if not stat.S_ISREG(state.st_mode) or state.st_nlink > 1:
            raise LakeError(_no_lock(path))
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(handle, 200, 0).decode("utf-8", "replace").strip() or "another run"
            say(f"Waiting: {holder} is writing to {folder}.")
            fcntl.flock(handle, fcntl.LOCK_EX)
        except OSError as error:
            raise LakeError(f"{folder} lies on storage that can't be locked: {error.strerror}.") from None
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"process {os.getpid()} (since {datetime.now(UTC):%Y-%m-%d %H:%M} UTC)".encode(), 0)
        yield lambda: _same_file(handle, path)
        if _same_file(handle, path):
            os.ftruncate(handle, 0)
    finally:
        os.close(handle)


def _no_lock(path: Path) -> str:
    return (
        f"{path} is a link or no plain file, so it can't lock the lake; see who put it there, and delete it."
    )


def _same_file(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), os.stat(path))
    except OSError:
        return False
