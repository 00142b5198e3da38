"""The summary of a night goes to the command and the address of farm.toml, unless others may write that file."""

from __future__ import annotations

import json
import os
import socket
import sys
import threading
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import suppress
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


@pytest.mark.slow
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
    assert "was not used: others may write to" in failed and "chmod go-w" in failed
    # Nor from what the lake remembers of a file that is gone.
    (inbox / "farm.toml").unlink()
    assert night(inbox) == 1
    assert "keep it in the inbox" in json.loads(capsys.readouterr().out)["failed"][0]
    assert not (tmp_path / "sent.json").exists()


def deeper(inbox: Path, stated: str) -> None:
    (inbox / "from_afar").mkdir()
    (inbox / "from_afar" / "farm.toml").write_text(stated)
    (inbox / "from_afar" / "farm.toml").chmod(0o644)


def packed(inbox: Path, stated: str) -> None:
    with zipfile.ZipFile(inbox / "logs.zip", "w") as archive:
        archive.writestr("farm.toml", stated)


def linked(inbox: Path, stated: str) -> None:
    (inbox / "note.txt").write_text(stated)
    (inbox / "farm.toml").symlink_to("note.txt")


def of_the_group(inbox: Path, stated: str) -> None:
    farm(inbox, stated)
    (inbox / "farm.toml").chmod(0o664)


def of_another(inbox: Path, stated: str) -> None:
    if os.geteuid() != 0:
        pytest.skip("only the superuser can give a file away")
    farm(inbox, stated)
    os.chown(inbox / "farm.toml", 65534, -1)


@pytest.mark.parametrize("attack", [deeper, packed, linked, of_the_group, of_another])
def test_neither_command_nor_address_from_any_other_file(
    attack: Callable[[Path, str], None],
    inbox: Path,
    tmp_path: Path,
    listener: tuple[str, list[bytes], list[int]],
    capsys: pytest.CaptureFixture[str],
) -> None:
    address, bodies, _ = listener
    sent = tmp_path / "sent.json"
    attack(inbox, f'[notify]\nwebhook = "{address}"\ncommand = {json.dumps(keeper(sent))}\n')
    assert night(inbox) == 1
    (failed,) = json.loads(capsys.readouterr().out)["failed"]
    assert failed.startswith("The command and webhook of farm.toml were not used: ")
    assert not sent.exists() and bodies == []


@pytest.fixture
def listener() -> Iterator[tuple[str, list[bytes], list[int]]]:
    """Address of a server, what it was sent, and the codes it will answer."""
    bodies: list[bytes] = []
    codes: list[int] = []

    class Keeper(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            bodies.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(code := codes.pop(0) if codes else 200)
            if code == 307:
                self.send_header("Location", self.path + "/elsewhere")
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


def test_a_redirect_is_not_followed(
    inbox: Path, listener: tuple[str, list[bytes], list[int]], capsys: pytest.CaptureFixture[str]
) -> None:
    address, bodies, codes = listener
    farm(inbox, f'[notify]\nwebhook = "{address}?key=secret"\n')
    codes += [307, 200]
    assert night(inbox) == 1
    (failed,) = json.loads(capsys.readouterr().out)["failed"]
    assert len(bodies) == 1
    assert f"The webhook {address} of farm.toml answered 307, a redirect" in failed
    assert "secret" not in failed


def test_an_answer_a_byte_at_a_time_ends_with_the_time_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    from chaffinch.pipelines.errors import NotYet
    from chaffinch.pipelines.night import notify

    monkeypatch.setattr(notify, "LONGEST_ANSWER_S", 1)
    with socket.create_server(("127.0.0.1", 0)) as server:

        def drip() -> None:
            connection, _ = server.accept()
            with connection, suppress(OSError):
                while True:
                    connection.sendall(b"H")
                    time.sleep(0.1)

        threading.Thread(target=drip, daemon=True).start()
        began = time.monotonic()
        with pytest.raises(NotYet, match="did not answer within 1 s"):
            notify._post(f"http://127.0.0.1:{server.getsockname()[1]}/", b"{}")
        assert time.monotonic() - began < 3


def test_what_is_no_way_to_notify() -> None:
    with pytest.raises(DeclarationError, match="begins with http"):
        parse_farm('[notify]\nwebhook = "file:///etc/passwd"\n')
    with pytest.raises(DeclarationError, match="No closing quotation"):
        parse_farm('[notify]\ncommand = "mail \'me"\n')
    with pytest.raises(DeclarationError, match="did you mean 'webhook'"):
        parse_farm('[notify]\nwebhok = "http://a"\n')


def test_the_earlier_name_of_the_table_still_works(inbox: Path, tmp_path: Path) -> None:
    sent = tmp_path / "sent.json"
    farm(inbox, f"[tell]\ncommand = {json.dumps(keeper(sent))}\n")
    night(inbox)
    assert sent.exists()
