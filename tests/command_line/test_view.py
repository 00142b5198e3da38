"""The pages are served to this machine only, and nothing but the pages."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

import pytest

PAGE = "<!doctype html><title>Pages</title><body>Pages</body>"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("view")


@pytest.fixture(scope="module")
def port(folder: Path) -> Iterator[int]:
    (folder / "secret.txt").write_text("secret")
    site = folder / "site"
    (site / "fields").mkdir(parents=True)
    (site / "index.html").write_text(PAGE)
    (site / "other.html").write_text(PAGE)
    (site / "leads_out.txt").symlink_to(folder / "secret.txt")
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", "view", "--site", str(site)]
    with subprocess.Popen([*call, "--port", "0", "--json"], stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        address = json.loads(server.stdout.readline())["address"]
        yield int(address.rstrip("/").rpartition(":")[2])
        server.send_signal(signal.SIGINT)
        assert server.wait(10) == 0


def get(port: int, path: str, host: str | None = None) -> tuple[int, bytes, dict[str, str]]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    connection.request("GET", path, headers={"Host": host or f"127.0.0.1:{port}"})
    answer = connection.getresponse()
    return answer.status, answer.read(), dict(answer.getheaders())


def test_the_pages_are_there(port: int) -> None:
    status, body, headers = get(port, "/")
    assert status == 200
    assert b"Pages" in body
    assert headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize(
    "path",
    ["/../secret.txt", "/%2e%2e/secret.txt", "/..%2fsecret.txt", "//secret.txt", "/leads_out.txt", "/%00"],
)
def test_nothing_outside_the_site(port: int, path: str) -> None:
    status, body, _ = get(port, path)
    assert status == 404
    assert b"secret" not in body


def test_folders_are_not_listed(port: int) -> None:
    assert get(port, "/fields/")[0] == 404


def test_a_page_of_another_origin_gets_nothing(port: int) -> None:
    """A foreign name that resolves to this machine (DNS rebinding)."""
    assert get(port, "/", host="pages.example")[0] == 403


@pytest.mark.skipif(not os.path.exists("/proc/net/tcp"), reason="the kernel's table of sockets is not here")
def test_only_the_loopback_address_listens(port: int) -> None:
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    # Addresses are written in hexadecimal, least significant byte first: 127.0.0.1 is 0100007F.
    listening = {
        row[1].split(":")[0] for row in rows if int(row[1].split(":")[1], 16) == port and row[3] == "0A"
    }
    assert listening == {"0100007F"}


def changes(port: int, page: str, state: str, seconds: float) -> bytes:
    """What the server says of a page within ``seconds``."""
    query = urlencode({"page": page, "state": state})
    with socket.create_connection(("127.0.0.1", port), timeout=seconds) as call:
        call.sendall(f"GET /.changes?{query} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        told = b""
        try:
            while part := call.recv(4096):
                told += part
        except TimeoutError:
            pass
    return told


def sent_with(port: int, path: str) -> dict[bytes, bytes]:
    return dict(re.findall(rb'data-(page|state)="([^"]*)"', get(port, path)[1]))


def test_a_page_is_told_when_it_was_rewritten_and_only_then(port: int, folder: Path) -> None:
    sent = sent_with(port, "/")
    assert sent[b"page"] == b"index.html"
    # The file itself stays as the pages command wrote it.
    assert (folder / "site" / "index.html").read_text() == PAGE
    state = sent[b"state"].decode()
    (folder / "site" / "other.html").write_text(PAGE + "<p>new</p>")
    assert b"data:" not in changes(port, "index.html", state, 1.0)
    part = folder / "site" / "index.html.part"
    part.write_text(PAGE.replace("Pages", "Anew"))
    part.replace(folder / "site" / "index.html")
    # Rewritten before the browser asked: told at once.
    assert b"data:" in changes(port, "index.html", state, 5.0)
    assert b"Anew" in get(port, "/index.html")[1]
    (folder / "site" / "index.html").write_text(PAGE)


@pytest.mark.parametrize("page", ["../secret.txt", "/etc/passwd", "leads_out.txt", ""])
def test_nothing_outside_the_site_is_watched(port: int, page: str) -> None:
    assert changes(port, page, "0", 5.0).startswith(b"HTTP/1.0 404")
