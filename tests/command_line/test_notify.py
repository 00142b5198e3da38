"""The summary of a night goes to the command and the address of farm.toml, unless others may write that file."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from chaffinch.pipelines.command_line.program import run
from chaffinch.pipelines.errors import DeclarationError
from chaffinch.pipelines.farm import parse_farm

GOOD = "time,machine,field,crop,speed_m_s,grain_flow_kg_s,cleaning_loss_signal\n" + "".join(
    f"2026-07-20T08:{i // 60:02d}:{i % 60:02d}Z,Combine A,Mill Field,wheat,1.{i % 9},{8 + i % 3},{10 + i % 13}\n"
    for i in range(600)
)


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    (folder / "day.csv").write_text(GOOD)
    return folder


def farm(inbox: Path, stated: str) -> None:
    (inbox / "farm.toml").write_text(stated)
    (inbox / "farm.toml").chmod(0o644)


def keeper(to: Path) -> list[str]:
    """A command that keeps what it is given."""
    return [sys.executable, "-c", f"import sys; open({str(to)!r}, 'wb').write(sys.stdin.buffer.read())"]


def night(inbox: Path) -> int:
    return run(
        [
            "nightly",
            str(inbox),
            "--lake",
            str(inbox.parent / "l"),
            "--site",
            str(inbox.parent / "s"),
            "--json",
        ]
    )


def test_a_command_gets_the_summary(inbox: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    farm(inbox, f"[notify]\ncommand = {json.dumps(keeper(tmp_path / 'sent.json'))}\n")
    code = night(inbox)
    sent = json.loads((tmp_path / "sent.json").read_bytes())
    assert sent == json.loads(capsys.readouterr().out)
    assert sent["exit_code"] == code
    assert sent["sentences"][-1].startswith("Effects")
    # Who is notified changes neither what is read nor what is estimated.
    farm(inbox, "")
    night(inbox)
    later = json.loads(capsys.readouterr().out)
    assert [one["name"] for one in later["ingest"]["new"]] == ["farm.toml"]
    assert later["estimate"]["refreshed"] is False


@pytest.mark.slow
def test_only_in_trouble(inbox: Path, tmp_path: Path) -> None:
    sent = tmp_path / "sent.json"
    farm(inbox, f"[notify]\nwhen = 'trouble'\ncommand = {json.dumps(keeper(sent))}\n")
    (inbox / "day.csv").unlink()
    assert night(inbox) == 0
    assert not sent.exists()
    (inbox / "bad.csv").write_text("nothing\n")
    assert night(inbox) == 1
    assert sent.exists()


@pytest.mark.parametrize(
    ("command", "sentence"),
    [
        (["/nowhere/at/all"], "can't be run: No such file or directory."),
        ([sys.executable, "-c", "import sys; sys.exit('no wire')"], "ended with code 1: no wire"),
    ],
)
def test_a_command_that_fails_is_said(
    inbox: Path, capsys: pytest.CaptureFixture[str], command: list[str], sentence: str
) -> None:
    farm(inbox, f"[notify]\ncommand = {json.dumps(command)}\n")
    assert night(inbox) == 1
    (failed,) = json.loads(capsys.readouterr().out)["failed"]
    assert sentence in failed


def test_no_command_from_a_file_that_everybody_may_write(
    inbox: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    farm(inbox, f"[notify]\ncommand = {json.dumps(keeper(tmp_path / 'sent.json'))}\n")
    (inbox / "farm.toml").chmod(0o666)
    assert night(inbox) == 1
    (failed,) = json.loads(capsys.readouterr().out)["failed"]
    assert "was not run: everybody may write to" in failed and "chmod o-w" in failed
    # Nor from what the lake remembers of a file that is gone.
    (inbox / "farm.toml").unlink()
    assert night(inbox) == 1
    assert "keep it in the inbox" in json.loads(capsys.readouterr().out)["failed"][0]
    assert not (tmp_path / "sent.json").exists()


@pytest.fixture
def listener() -> Iterator[tuple[str, list[bytes], list[int]]]:
    """Address of a server, what it was sent, and the codes it will answer."""
    bodies: list[bytes] = []
    codes: list[int] = []

    class Keeper(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            bodies.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(codes.pop(0) if codes else 200)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Keeper)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/night", bodies, codes
    server.shutdown()
    server.server_close()


def test_an_address_gets_the_summary(
    inbox: Path, listener: tuple[str, list[bytes], list[int]], capsys: pytest.CaptureFixture[str]
) -> None:
    address, bodies, codes = listener
    farm(inbox, f'[notify]\nwebhook = "{address}"\n')
    night(inbox)
    assert json.loads(bodies[0]) == json.loads(capsys.readouterr().out)
    codes.append(404)
    assert night(inbox) == 1
    assert "answered 404" in json.loads(capsys.readouterr().out)["failed"][0]


def test_what_is_no_way_to_notify() -> None:
    with pytest.raises(DeclarationError, match="begins with http"):
        parse_farm('[notify]\nwebhook = "file:///etc/passwd"\n')
    with pytest.raises(DeclarationError, match="No closing quotation"):
        parse_farm('[notify]\ncommand = "mail \'me"\n')
    with pytest.raises(DeclarationError, match="did you mean 'webhook'"):
        parse_farm('[notify]\nwebhok = "http://a"\n')


def test_the_earlier_name_of_the_table_still_works(inbox: Path, tmp_path: Path) -> None:
    sent = tmp_path / "sent.json"
    # Under any file name: it is recognised by its first entry.
    (inbox / "our_farm.txt").write_text(f"[tell]\ncommand = {json.dumps(keeper(sent))}\n")
    night(inbox)
    assert sent.exists()
