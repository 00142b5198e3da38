"""The pages are served to this machine only, and nothing but the pages."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

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
    (site / "leads_out").mkdir()
    (site / "leads_out" / "index.html").symlink_to(folder / "secret.txt")
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
