"""Serve the pages on the loopback address only. A page asks for its own version now and then (``look.js``)."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from http import HTTPStatus
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from chaffinch.pipelines.errors import CallError

# A browser holds connections open that it may never use.
LONGEST_SILENCE_S = 20
MOST_WAITING = 512
HOST = "127.0.0.1"


class _Pages(SimpleHTTPRequestHandler):
    """Files below the site folder, for callers on this machine; no listings, no links that lead outside."""

    server_version = "chaffinch"
    sys_version = ""
    timeout = LONGEST_SILENCE_S

    def send_head(self) -> Any:
        # A page of another origin could reach us through a name that resolves to this machine.
        host = (self.headers.get("Host") or "").partition(":")[0]
        if host not in (HOST, "localhost"):
            self.send_error(HTTPStatus.FORBIDDEN, "This server answers on this machine only")
            return None
        wanted = self.translate_path(self.path)
        if "\0" in wanted or not self._is_inside(Path(wanted)):
            self.send_error(HTTPStatus.NOT_FOUND)
            return None
        return super().send_head()

    def _is_inside(self, wanted: Path) -> bool:
        page = wanted / "index.html" if wanted.is_dir() else wanted
        return page.resolve().is_relative_to(Path(self.directory).resolve())

    def list_directory(self, path: Any) -> Any:
        self.send_error(HTTPStatus.NOT_FOUND)

    def end_headers(self) -> None:
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")
        super().end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        pass


class _Server(ThreadingHTTPServer):
    """Many open pages ask at once, and some go away before they are answered."""

    request_queue_size = MOST_WAITING

    def handle_error(self, request: Any, client_address: Any) -> None:
        if not isinstance(sys.exception(), OSError):
            super().handle_error(request, client_address)


def serve(site: Path, port: int, started: Callable[[str], None], say: Callable[[str], None]) -> None:
    """Serve ``site`` until interrupted; ``started`` gets the address.

    Raises ``CallError`` where there are no pages or the port is taken.
    """
    if not (site / "index.html").is_file():
        raise CallError(
            f"There are no pages in {site}; write them with: chaffinch pages --lake LAKE --site {site}"
        )
    try:
        server = _Server((HOST, port), partial(_Pages, directory=str(site)))
    except OSError as error:
        raise CallError(
            f"Port {port} can't be used ({error.strerror}); choose another with --port."
        ) from None
    with server:
        started(f"http://{HOST}:{server.server_port}/")
        try:
            server.serve_forever(poll_interval=0.1)
        except KeyboardInterrupt:
            say("Stopped.")
