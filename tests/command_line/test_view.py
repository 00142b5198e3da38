"""The pages are served to this machine only, and nothing but the pages."""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

PAGE = "<!doctype html><title>Pages</title><body>Pages</body>"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("view")


@pytest.fixture(scope="module")
def said(folder: Path) -> Path:
    """What the server writes to standard error."""
    return folder / "stderr"


@pytest.fixture(scope="module")
def port(folder: Path, said: Path) -> Iterator[int]:
    (folder / "secret.txt").write_text("secret")
    site = folder / "site"
    (site / "fields").mkdir(parents=True)
    (site / "index.html").write_text(PAGE)
    (site / "other.html").write_text(PAGE)
    (site / "leads_out.txt").symlink_to(folder / "secret.txt")
    (site / "leads_out").mkdir()
    (site / "leads_out" / "index.html").symlink_to(folder / "secret.txt")
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", "view", "--site", str(site)]
    with (
        said.open("w") as errors,
        subprocess.Popen(
            [*call, "--port", "0", "--json"], stdout=subprocess.PIPE, stderr=errors, text=True
        ) as server,
    ):
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
    [
        "/../secret.txt",
        "/%2e%2e/secret.txt",
        "/..%2fsecret.txt",
        "//secret.txt",
        "/leads_out.txt",
        "/leads_out/",
        "/%00",
    ],
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


def test_the_name_without_a_port_is_answered_too(port: int) -> None:
    """Browsers leave port 80 out."""
    assert get(port, "/", host="localhost")[0] == get(port, "/", host="127.0.0.1")[0] == 200


def test_many_open_pages_and_connections_that_break_off(port: int, said: Path) -> None:
    """Two hundred connections that say nothing, and eighty that ask at once and go away: no other waits for them,
    and nothing is said about it."""
    silent = [socket.create_connection(("127.0.0.1", port), timeout=10) for _ in range(200)]
    for _ in range(80):
        with socket.create_connection(("127.0.0.1", port), timeout=10) as asking:
            asking.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
            # Closed with a reset, before the answer is read.
            asking.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    began = time.monotonic()
    with ThreadPoolExecutor(60) as pool:
        answers = list(pool.map(lambda _: get(port, "/")[0], range(60)))
    assert answers == [200] * 60
    assert time.monotonic() - began < 5
    for one in silent:
        one.close()
    assert said.read_text() == ""


@pytest.mark.skipif(not os.path.exists("/proc/net/tcp"), reason="the kernel's table of sockets is not here")
def test_only_the_loopback_address_listens(port: int) -> None:
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    # Addresses are written in hexadecimal, least significant byte first: 127.0.0.1 is 0100007F.
    listening = {
        row[1].split(":")[0] for row in rows if int(row[1].split(":")[1], 16) == port and row[3] == "0A"
    }
    assert listening == {"0100007F"}


def version(port: int, path: str) -> tuple[int, str | None]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    connection.request("HEAD", path)
    answer = connection.getresponse()
    return answer.status, answer.getheader("Last-Modified")


def test_a_page_has_another_version_when_it_was_rewritten_and_only_then(port: int, folder: Path) -> None:
    site = folder / "site"
    os.utime(site / "index.html", (0, 0))
    before = version(port, "/")
    (site / "other.html").write_text(PAGE + "<p>new</p>")
    assert version(port, "/") == before == (200, "Thu, 01 Jan 1970 00:00:00 GMT")
    (site / "index.html").write_text(PAGE.replace("Pages", "Rewritten"))
    assert version(port, "/") != before
    assert b"Rewritten" in get(port, "/index.html")[1]
    (site / "index.html").write_text(PAGE)
    assert version(port, "/leads_out.txt") == (404, None)
