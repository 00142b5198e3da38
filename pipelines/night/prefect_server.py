"""The server that keeps Prefect's records, and a temporary one where none is named.

The temporary server of Prefect itself keeps running when the run is killed, and prints its messages among ours.
The one started here ends with its run, however that ends, and writes to a log file. Prefect sends no telemetry,
and its records lie in a folder of their own, so that another use of Prefect on this machine is not affected.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from chaffinch.pipelines.errors import ChaffinchError

LONGEST_START_S = 120.0
_SETTINGS = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
    "PREFECT_TELEMETRY_ENABLE_RESOURCE_METRICS": "false",
    "PREFECT_CLI_PROMPT": "false",
    "PREFECT_SERVER_UI_ENABLED": "false",
    # Messages of a run go to Prefect's records; we print them on the terminal.
    "PREFECT_LOGGING_LEVEL": "INFO",
    "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL",
}


class NoServer(ChaffinchError):
    """Prefect's own server does not start, or the named one does not answer."""


def configure_prefect() -> Path:
    """Set Prefect's environment variables, before it is imported. Gives the folder of its records."""
    os.environ.update(_SETTINGS)
    if "PREFECT_HOME" not in os.environ:
        state = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
        os.environ["PREFECT_HOME"] = str(state / "chaffinch" / "prefect")
    return Path(os.environ["PREFECT_HOME"])


@contextmanager
def server(schedules: bool = False) -> Iterator[str]:
    """The address of the server that keeps the records: ``PREFECT_API_URL``, else a temporary one.

    ``schedules``: with the services that start scheduled runs. Raises ``NoServer``.
    """
    home = configure_prefect()
    if named := os.environ.get("PREFECT_API_URL"):
        _await_answer(named, None, 10.0)
        yield named
        return
    process, address = _started(home, schedules)
    os.environ["PREFECT_API_URL"] = address
    try:
        yield address
    finally:
        del os.environ["PREFECT_API_URL"]
        process.terminate()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _started(home: Path, schedules: bool) -> tuple[subprocess.Popen[str], str]:
    """A temporary server that answers, and its address. One start at a time: the first makes the database."""
    import fcntl

    call = [sys.executable, "-m", __name__, *(["--schedules"] if schedules else [])]
    try:
        home.mkdir(parents=True, exist_ok=True)
        with (home / ".starting").open("w") as turn, (home / "server.log").open("a") as log:
            fcntl.flock(turn, fcntl.LOCK_EX)
            process = subprocess.Popen(
                call, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True
            )
            assert process.stdout is not None
            port = process.stdout.readline().strip()
            if not port:
                raise NoServer(f"Prefect's own server did not start; see {home / 'server.log'}.")
            address = f"http://127.0.0.1:{port}/api"
            _await_answer(address, process, LONGEST_START_S)
            return process, address
    except OSError as error:
        raise NoServer(f"Prefect's records can't be kept in {home}: {error.strerror}.") from None


def _await_answer(address: str, process: subprocess.Popen[str] | None, longest_s: float) -> None:
    import httpx

    until = time.monotonic() + longest_s
    while time.monotonic() < until and (process is None or process.poll() is None):
        try:
            if httpx.get(f"{address}/health", timeout=5.0).status_code == 200:
                return
        except httpx.HTTPError:
            pass
        time.sleep(0.1)
    if process is not None:
        process.kill()
    raise NoServer(f"No Prefect server answers at {address}.")


def _serve(schedules: bool) -> None:
    """Run the server: print its port on standard output, and end when standard input closes with its owner."""
    import socket

    threading.Thread(target=_end_with_owner, daemon=True).start()
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    print(listening.getsockname()[1], flush=True)
    os.environ["PREFECT__SERVER_FINAL"] = "1"
    import uvicorn
    from prefect.server.api.server import create_app

    app = create_app(ephemeral=not schedules)
    uvicorn.Server(uvicorn.Config(app, log_level="error", lifespan="on")).run([listening])


def _end_with_owner() -> None:
    sys.stdin.read()
    os._exit(0)


if __name__ == "__main__":
    _serve("--schedules" in sys.argv)
