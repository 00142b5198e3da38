"""The server that keeps Prefect's records, and a temporary one where none is named.

The temporary server of Prefect itself keeps running when the run is killed, prints its messages among ours, and
answers everybody on this machine. The one started here ends with its run, however that ends, writes to a log file,
and answers only who knows its secret, which is drawn anew for each server and which only this user's processes see.
It has no services that start runs. Prefect sends no telemetry, and its records lie in a folder of their own that
nobody else may enter, so that another use of Prefect on this machine is not affected.
"""

from __future__ import annotations

import os
import secrets
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from chaffinch.pipelines.errors import ChaffinchError
from chaffinch.pipelines.parallel.children import start_child, stop_child

LONGEST_START_S = 120.0
_SETTINGS = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
    "PREFECT_TELEMETRY_ENABLE_RESOURCE_METRICS": "false",
    "PREFECT_CLI_PROMPT": "false",
    "PREFECT_SERVER_UI_ENABLED": "false",
    # No page of a browser may ask: an origin is never the empty text.
    "PREFECT_SERVER_CORS_ALLOWED_ORIGINS": "",
    # Messages of a run go to Prefect's records; we print them on the terminal.
    "PREFECT_LOGGING_LEVEL": "INFO",
    "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL",
}


class NoServer(ChaffinchError):
    """Prefect's own server does not start, or the named one does not answer."""


def configure_prefect() -> Path:
    """Set Prefect's environment variables, before it is imported. Returns the folder of its records."""
    os.environ.update(_SETTINGS)
    if "PREFECT_HOME" not in os.environ:
        state = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
        os.environ["PREFECT_HOME"] = str(state / "chaffinch" / "prefect")
    return Path(os.environ["PREFECT_HOME"]).absolute()


@contextmanager
def prefect_folder() -> Iterator[None]:
    """Be in the folder of Prefect's records: importing Prefect reads settings from files in the working directory,
    and a folder of logs must not provide them.
    """
    before = os.getcwd()
    os.chdir(_own_folder(configure_prefect()))
    try:
        yield
    finally:
        os.chdir(before)


def _own_folder(home: Path) -> Path:
    """``home``, made where it is missing, closed to everybody else. Raises ``NoServer``."""
    try:
        home.mkdir(parents=True, exist_ok=True)
        state = home.stat()
        if state.st_uid != os.geteuid():
            raise NoServer(f"Prefect's records can't be kept in {home}, which belongs to another user.")
        if state.st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            home.chmod(stat.S_IRWXU)
    except OSError as error:
        raise NoServer(f"Prefect's records can't be kept in {home}: {error.strerror}.") from None
    return home


@contextmanager
def server(meanwhile: Callable[[], object] = lambda: None) -> Iterator[str]:
    """The address of the server that keeps the records: ``PREFECT_API_URL``, else a temporary one.

    meanwhile : done while it starts, such as imports. Raises ``NoServer``.
    """
    home = configure_prefect()
    if named := os.environ.get("PREFECT_API_URL"):
        _await_answer(named, None, 10.0)
        yield named
        return
    secret = f"night:{secrets.token_urlsafe(32)}"
    try:
        process, address = _started(_own_folder(home), secret, meanwhile)
        try:
            yield address
        finally:
            stop_child(process, 5.0)
    finally:
        for name in ("PREFECT_API_URL", "PREFECT_API_AUTH_STRING"):
            os.environ.pop(name, None)


def _started(home: Path, secret: str, meanwhile: Callable[[], object]) -> tuple[subprocess.Popen[Any], str]:
    """A temporary server that answers, and its address, which the environment has from the first moment: Prefect
    reads it as it is imported. One start at a time: the first makes the database."""
    import fcntl

    try:
        with (home / ".starting").open("w") as turn, (home / "server.log").open("a") as log:
            fcntl.flock(turn, fcntl.LOCK_EX)
            process = start_child(
                [sys.executable, "-m", __name__],
                {"PREFECT_SERVER_API_AUTH_STRING": secret, "PREFECT_HOME": str(home)},
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                cwd=home,
            )
            try:
                assert process.stdout is not None
                port = process.stdout.readline().strip()
                if not port:
                    raise NoServer(f"Prefect's own server did not start; see {home / 'server.log'}.")
                address = f"http://127.0.0.1:{port}/api"
                os.environ.update({"PREFECT_API_URL": address, "PREFECT_API_AUTH_STRING": secret})
                meanwhile()
                _await_answer(address, process, LONGEST_START_S)
            except BaseException:
                stop_child(process)
                raise
            return process, address
    except OSError as error:
        raise NoServer(f"Prefect's records can't be kept in {home}: {error.strerror}.") from None


def _await_answer(address: str, process: subprocess.Popen[Any] | None, longest_s: float) -> None:
    import httpx

    until = time.monotonic() + longest_s
    while time.monotonic() < until and (process is None or process.poll() is None):
        try:
            if httpx.get(f"{address}/health", timeout=5.0).status_code == 200:
                return
        except httpx.HTTPError:
            pass
        time.sleep(0.1)
    raise NoServer(f"No Prefect server answers at {address}.")


def _serve() -> None:
    """Run the server: print its port on standard output, and end when standard input closes with its owner."""
    import socket

    threading.Thread(target=_end_with_owner, daemon=True).start()
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    print(listening.getsockname()[1], flush=True)
    os.environ["PREFECT__SERVER_FINAL"] = "1"
    import uvicorn
    from prefect.server.api.server import create_app

    app = create_app(ephemeral=True)
    uvicorn.Server(uvicorn.Config(app, log_level="error", lifespan="on")).run([listening])


def _end_with_owner() -> None:
    sys.stdin.read()
    os._exit(0)


if __name__ == "__main__":
    _serve()
