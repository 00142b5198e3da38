"""Serve the pages on the loopback address only; an open page loads itself anew when it is rewritten.

The files stay as they are: what watches is added on the way to the browser, and knows the state of the page
that it came with, so that a page rewritten while it loads is not missed.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from functools import partial
from http import HTTPStatus
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from chaffinch.pipelines.errors import CallError

HOST = "127.0.0.1"
CHANGES, WATCHER = "/.changes", "/.watch.js"
LOOK_EVERY_S, SAY_SOMETHING_EVERY_S = 0.4, 10.0
WATCH = b"""(() => {
  const { page, state } = document.currentScript.dataset;
  const changes = new EventSource("/.changes?" + new URLSearchParams({ page, state }));
  changes.onmessage = () => { changes.close(); location.reload(); };
})();
"""


class _Pages(SimpleHTTPRequestHandler):
    """Files below the site folder, for callers on this machine; no listings, no links that lead outside."""

    server_version = "chaffinch"
    sys_version = ""

    def send_head(self) -> Any:
        # A page of another origin could reach us through a name that resolves to this machine.
        host = (self.headers.get("Host") or "").rpartition(":")[0]
        if host not in (HOST, "localhost"):
            self.send_error(HTTPStatus.FORBIDDEN, "This server answers on this machine only")
            return None
        root = Path(self.directory).resolve()
        wanted = self.translate_path(self.path)
        if "\0" in wanted or not Path(wanted).resolve().is_relative_to(root):
            self.send_error(HTTPStatus.NOT_FOUND)
            return None
        asked = urlsplit(self.path)
        if asked.path == CHANGES and self.command == "GET":
            self._tell_of_changes(root, parse_qs(asked.query))
            return None
        if asked.path == WATCHER:
            return self._whole(WATCH, "text/javascript; charset=utf-8")
        page = Path(wanted) / "index.html" if asked.path.endswith("/") else Path(wanted)
        if page.suffix == ".html" and page.is_file() and page.resolve().is_relative_to(root):
            state = _state(root, page)
            return self._whole(_with_watcher(page.read_bytes(), page.resolve(), root, state), "text/html")
        return super().send_head()

    def _whole(self, content: bytes, kind: str) -> io.BytesIO:
        self.send_response(HTTPStatus.OK)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        return io.BytesIO(content)

    def _tell_of_changes(self, root: Path, asked: dict[str, list[str]]) -> None:
        """Keep the answer open until the page differs from the state it was sent in; then say so, once."""
        page = (root / asked.get("page", [""])[0].lstrip("/")).resolve()
        if page.suffix != ".html" or not page.is_relative_to(root):
            self.send_error(HTTPStatus.NOT_FOUND)
            return
        self.send_response(HTTPStatus.OK)
        self.send_header("Content-Type", "text/event-stream")
        self.end_headers()
        seen, said_at = asked.get("state", [""])[0], 0.0
        try:
            # A page that is gone for the moment, or for good, stays open as it is.
            while (now := _state(root, page)) in ("", seen):
                if time.monotonic() - said_at > SAY_SOMETHING_EVERY_S:
                    said_at = time.monotonic()
                    self.wfile.write(b": nothing new\n\n")
                    self.wfile.flush()
                time.sleep(LOOK_EVERY_S)
            self.wfile.write(f"data: {now}\n\n".encode())
        except OSError:
            return  # the window was closed

    def list_directory(self, path: Any) -> Any:
        self.send_error(HTTPStatus.NOT_FOUND)

    def end_headers(self) -> None:
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")
        super().end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        pass


def _state(root: Path, page: Path) -> str:
    """Tells one version of a page, with its style and scripts, from another; empty where there is no page."""
    try:
        seen = [page.stat()]
    except OSError:
        return ""
    for asset in sorted(root.glob("assets/*")):
        try:
            seen.append(asset.stat())
        except OSError:
            continue
    # Files are replaced whole, so each version has a time or an inode of its own.
    return f"{hash(tuple((one.st_mtime_ns, one.st_size, one.st_ino) for one in seen)) & (2**64 - 1):x}"


def _with_watcher(content: bytes, page: Path, root: Path, state: str) -> bytes:
    """The page with the script that waits for its next version."""
    from html import escape

    name = escape(page.relative_to(root).as_posix(), quote=True)
    script = f'<script src="{WATCHER}" data-page="{name}" data-state="{state}"></script>\n'.encode()
    body, end, rest = content.rpartition(b"</body>")
    return body + script + end + rest if end else content + script


def serve(site: Path, port: int, started: Callable[[str], None], say: Callable[[str], None]) -> None:
    """Serve ``site`` until interrupted; ``started`` gets the address.

    Raises ``CallError`` where there are no pages or the port is taken.
    """
    if not (site / "index.html").is_file():
        raise CallError(
            f"There are no pages in {site}; write them with: chaffinch pages --lake LAKE --site {site}"
        )
    try:
        server = ThreadingHTTPServer((HOST, port), partial(_Pages, directory=str(site)))
    except OSError as error:
        raise CallError(f"Port {port} can't be had ({error.strerror}); name another with --port.") from None
    with server:
        started(f"http://{HOST}:{server.server_port}/")
        try:
            server.serve_forever(poll_interval=0.1)
        except KeyboardInterrupt:
            say("Stopped.")
