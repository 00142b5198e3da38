"""The one place that starts other programs.

A child imports nothing from the folder it starts in, which may be an inbox; gets no secret of ours; has a process
group of its own, so that Ctrl+C reaches only us; and ends, with all that it started, when its time is over.
"""

from __future__ import annotations

import os
import signal
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

SAFE_IMPORTS = {"PYTHONSAFEPATH": "1"}
SECRETS = ("PREFECT_API_AUTH_STRING", "PREFECT_SERVER_API_AUTH_STRING")
_MOST_SAID_BYTES = 4096


class TookTooLong(Exception):
    """A child did not end in its time; it was stopped."""


def start_child(
    call: Sequence[str], environment: Mapping[str, str] | None = None, **how: Any
) -> subprocess.Popen[Any]:
    """Start a program. ``environment``: variables in addition to ours. ``how`` goes to ``subprocess.Popen``."""
    ours = {name: value for name, value in os.environ.items() if name not in SECRETS}
    whole = ours | SAFE_IMPORTS | dict(environment or {})
    return subprocess.Popen(list(call), env=whole, start_new_session=True, **how)


def run_child(
    call: Sequence[str], longest_s: float, given: bytes = b"", folder: Path | None = None
) -> tuple[int, str]:
    """Run a program to its end: its exit code, and the last line that it wrote to standard error.

    given : its standard input. Raises ``TookTooLong`` after ``longest_s``, ``OSError`` where it can't be started.
    """
    with tempfile.TemporaryFile() as inward, tempfile.TemporaryFile() as said:
        inward.write(given)
        inward.seek(0)
        child = start_child(call, stdin=inward, stdout=subprocess.DEVNULL, stderr=said, cwd=folder)
        try:
            code = child.wait(longest_s)
        except BaseException as error:
            stop_child(child)
            if isinstance(error, subprocess.TimeoutExpired):
                raise TookTooLong from None
            raise
        said.seek(max(0, said.seek(0, os.SEEK_END) - _MOST_SAID_BYTES))
        lines = said.read().decode("utf-8", "replace").strip().splitlines()
    return code, lines[-1][:200] if lines else ""


def stop_child(child: subprocess.Popen[Any], patience_s: float = 0.0) -> None:
    """End a child and what it started: asked first, given ``patience_s``."""
    if child.poll() is not None:
        return
    if patience_s:
        child.terminate()
        with suppress(subprocess.TimeoutExpired):
            child.wait(patience_s)
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(child.pid, signal.SIGKILL)
    child.wait()
