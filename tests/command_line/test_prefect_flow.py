"""The night through Prefect: the same night, with tries for what may pass, and nothing left running."""

from __future__ import annotations

import gc
import json
import os
import signal
import subprocess
import sys
import threading
import time
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from chaffinch.pipelines.errors import LakeError, NotYet
from chaffinch.pipelines.lake import Lake
from chaffinch.pipelines.night import run as nightly

LOG = "time,machine,field,crop,speed_m_s\n2026-07-20T08:00:00Z,Combine A,Mill Field,wheat,1.5\n"
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A Prefect server for the tests of this module; its address."""
    from chaffinch.pipelines.night.prefect_server import server

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PREFECT_HOME", str(tmp_path_factory.mktemp("prefect")))
        patch.setenv("CHAFFINCH_RETRY_DELAYS_S", "0.5,1,2")
        with server() as address:
            yield address


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    (folder / "a.csv").write_text(LOG)
    (folder / "b.csv").write_text(LOG.replace("Combine A", "Combine B"))
    return folder


def by_flow(inbox: Path, lake: str = "lake") -> Any:
    from chaffinch.pipelines.night.prefect_flow import run_as_flow

    return run_as_flow(inbox, str(inbox.parent / lake), inbox.parent / "site")


def runs(address: str, what: str) -> list[dict[str, Any]]:
    import httpx

    name, _, secret = os.environ["PREFECT_API_AUTH_STRING"].partition(":")
    asked = {"sort": "EXPECTED_START_TIME_DESC"}
    return httpx.post(f"{address}/{what}/filter", json=asked, auth=(name, secret)).json()


def test_the_same_night_as_without(records: str, inbox: Path) -> None:
    night = by_flow(inbox)
    plain = nightly.run_nightly(inbox, Lake.open(inbox.parent / "plain"), inbox.parent / "site")
    assert night.ingest == plain.ingest
    assert night.estimate == plain.estimate
    assert Lake.open(inbox.parent / "lake").digest() == Lake.open(inbox.parent / "plain").digest()


def test_the_record_shows_what_ran_and_a_task_for_each_delivery(records: str, inbox: Path) -> None:
    by_flow(inbox)
    flow_run = runs(records, "flow_runs")[0]
    assert flow_run["state_name"] == "Completed"
    assert flow_run["name"] == f"{inbox} into {inbox.parent / 'lake'}"
    assert flow_run["parameters"] == {}
    names: list[str] = []
    for _ in range(50):  # the server writes its records a moment later
        names = [run["name"] for run in runs(records, "task_runs") if run["flow_run_id"] == flow_run["id"]]
        if len(names) >= 5:
            break
        time.sleep(0.1)
    assert {"read a.csv", "read b.csv", "store a.csv and 1 more", "write site"} <= set(names)


def test_a_file_that_is_still_copied_is_waited_for(records: str, inbox: Path) -> None:
    done = threading.Event()

    def copy() -> None:
        for i in range(100):
            with (inbox / "c.csv").open("a") as file:
                file.write(
                    LOG if i == 0 else f"2026-07-20T08:01:{i % 60:02d}Z,Combine C,Mill Field,wheat,1.5\n"
                )
            if done.wait(0.02):
                return

    (inbox / "c.csv").write_text("")
    copying = threading.Thread(target=copy)
    copying.start()
    try:
        night = by_flow(inbox)
    finally:
        done.set()
        copying.join()
    assert night.ingest.growing == ()
    assert "c.csv" in {one.name for one in night.ingest.new}


def test_what_may_pass_is_tried_again(records: str, inbox: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tries: list[str] = []
    take_in = Lake.take_in

    def busy(lake: Lake, batch: Any) -> None:
        tries.append("store")
        if len(tries) < 3:
            raise LakeError("The storage is busy.", may_pass=True)
        take_in(lake, batch)

    monkeypatch.setattr(Lake, "take_in", busy)
    night = by_flow(inbox)
    assert len(tries) == 3 and night.failed == ()
    assert Lake.open(inbox.parent / "lake").scan("readings").collect().height == 2


def test_what_does_not_pass_is_tried_once(records: str, inbox: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tries: list[str] = []

    def refused(lake: Lake, batch: Any) -> None:
        tries.append("store")
        raise LakeError("The storage can't be written to.")

    monkeypatch.setattr(Lake, "take_in", refused)
    night = by_flow(inbox)
    assert len(tries) == 1
    assert night.exit_code == 1
    assert night.failed[0] == "Not everything was ingested: The storage can't be written to."
    assert runs(records, "flow_runs")[0]["state_name"] == "Failed"


def test_a_share_that_comes_back(records: str, inbox: Path) -> None:
    by_flow(inbox)
    (inbox / "c.csv").write_text(LOG.replace("Combine A", "Combine C"))
    away = inbox.rename(inbox.parent / "away")
    threading.Timer(1.0, lambda: away.rename(inbox)).start()
    night = by_flow(inbox)
    assert [one.name for one in night.ingest.new] == ["c.csv"]


def test_many_items_share_tasks(records: str, monkeypatch: pytest.MonkeyPatch) -> None:
    from chaffinch.pipelines.night import prefect_tasks as tasks
    from prefect import flow as as_flow

    monkeypatch.setattr(tasks, "MOST_TASKS", 3)

    def double(number: int) -> int:
        if number == 4:
            raise NotYet("Four is not ready.")
        return 2 * number

    @as_flow
    def many() -> list[Any]:
        return list(tasks.as_tasks("double", double, list(range(7)), str))

    result = many()
    assert [one for one in result if not isinstance(one, NotYet)] == [0, 2, 4, 6, 10, 12]
    assert isinstance(result[4], NotYet)


class Large:
    """A result that a weak reference can follow."""


def made(_: int) -> Large:
    return Large()


@pytest.mark.parametrize("side_by_side", [False, True])
def test_results_are_not_held_until_the_end(records: str, side_by_side: bool) -> None:
    """Without the collector of garbage, which comes seldom."""
    from chaffinch.pipelines.night.prefect_tasks import SideBySide, Threads, as_tasks
    from prefect import flow

    @flow
    def many() -> int:
        most, alive = 0, weakref.WeakSet()
        with Threads(2) as threads:
            each = SideBySide(threads) if side_by_side else as_tasks
            for one in each("prepare", made, list(range(30)), str):
                alive.add(one)
                most = max(most, len(alive))
        return most

    gc.disable()
    try:
        assert many() <= 3
    finally:
        gc.enable()


def start(
    inbox: Path, home: Path, *more: str, folder: Path | None = None, **how: Any
) -> subprocess.Popen[str]:
    lake, site = inbox.parent / "lake", inbox.parent / "site"
    call = [str(Path(sys.executable).with_name("chaffinch")), "nightly", str(inbox), "--lake", str(lake)]
    environment = {name: value for name, value in os.environ.items() if name != "CHAFFINCH_PLAIN"}
    for name in ("PREFECT_API_URL", "PREFECT_API_AUTH_STRING"):
        environment.pop(name, None)
    return subprocess.Popen(
        [*call, "--site", str(site), *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment | {"PREFECT_HOME": str(home)},
        cwd=folder,
        **how,
    )


def servers(home: Path) -> list[int]:
    """Servers of ours that run with their records in ``home``."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if (
                b"prefect_server" in (process / "cmdline").read_bytes()
                and str(home).encode() in (process / "environ").read_bytes()
            ):
                found.append(int(process.name))
        except OSError:
            continue
    return found


def test_the_command_runs_through_prefect_and_leaves_nothing_running(inbox: Path, tmp_path: Path) -> None:
    home = tmp_path / "prefect"
    run = start(inbox, home, "--json")
    out, err = run.communicate(timeout=240)
    assert json.loads(out)["ingest"]["files"] == 2
    assert "Starting Prefect's own server" in err and "Traceback" not in err and "--- " not in err
    assert servers(home) == []
    # With nothing new no server is started.
    again = start(inbox, home)
    _, err = again.communicate(timeout=60)
    assert again.returncode == 0 and "Prefect" not in err


def test_a_killed_night_ends_its_server(inbox: Path, tmp_path: Path) -> None:
    home = tmp_path / "prefect"
    run = start(inbox, home)
    until = time.monotonic() + 120
    while not servers(home) and time.monotonic() < until:
        time.sleep(0.05)
    assert servers(home)
    os.kill(run.pid, signal.SIGKILL)
    run.communicate()
    until = time.monotonic() + 20
    while servers(home) and time.monotonic() < until:
        time.sleep(0.1)
    assert servers(home) == []


def test_where_prefect_cannot_be_had_the_night_goes_on(inbox: Path, tmp_path: Path) -> None:
    (tmp_path / "blocked").write_text("a file where the records should lie")
    run = start(inbox, tmp_path / "blocked" / "prefect")
    out, err = run.communicate(timeout=120)
    assert "The night goes on without Prefect." in err and "Traceback" not in err
    assert "2 files: 2 new" in out


@pytest.mark.parametrize(
    ("asked", "path"), [("POST", "flow_runs/filter"), ("POST", "deployments/"), ("GET", "admin/settings")]
)
def test_a_neighbour_without_the_secret_is_refused(records: str, asked: str, path: str) -> None:
    import httpx

    for auth in (None, ("night", "guess"), ("", "")):
        assert httpx.request(asked, f"{records}/{path}", json={}, auth=auth).status_code == 401
    # The page of another origin in the user's own browser gets no leave to ask.
    headers = {"Origin": "http://evil.example", "Access-Control-Request-Method": "POST"}
    for origin in ("http://evil.example", "http://127.0.0.1", "null"):
        answer = httpx.options(f"{records}/{path}", headers=headers | {"Origin": origin})
        assert "access-control-allow-origin" not in answer.headers


def test_a_socket_without_the_secret_is_refused(records: str) -> None:
    from websockets.exceptions import ConnectionClosed, InvalidHandshake, InvalidStatus
    from websockets.sync.client import connect

    address = records.replace("http", "ws", 1)
    for path in ("events/in", "events/out", "logs/out"):
        with (
            pytest.raises((ConnectionClosed, InvalidHandshake, InvalidStatus)),
            connect(f"{address}/{path}", subprotocols=["prefect"]) as socket,  # type: ignore[list-item]
        ):
            socket.send(json.dumps({"type": "auth", "token": "guess"}))
            assert json.loads(socket.recv(timeout=10)).get("type") != "auth_success"


def test_the_secret_is_seen_by_nobody_else(records: str) -> None:
    home = Path(os.environ["PREFECT_HOME"])
    assert home.stat().st_mode & 0o077 == 0
    secret = os.environ["PREFECT_API_AUTH_STRING"].encode()
    (pid,) = servers(home)
    assert secret not in Path(f"/proc/{pid}/cmdline").read_bytes()
    assert Path(f"/proc/{pid}/environ").stat().st_mode & 0o077 == 0
    kept = [file for file in home.rglob("*") if file.is_file() and secret in file.read_bytes()]
    assert kept == []


def test_an_inbox_that_looks_like_python_and_prefect_runs_nothing(inbox: Path, tmp_path: Path) -> None:
    """Started in the inbox itself: modules and settings that lie there are data at most."""
    ran = tmp_path / "ran"
    attack = f"open({str(ran)!r}, 'a').write(__name__)\n"
    for module in ("chaffinch/__init__.py", "sitecustomize.py", "prefect.py", "polars.py", "uvicorn.py"):
        (inbox / module).parent.mkdir(exist_ok=True)
        (inbox / module).write_text(attack)
    handlers = "handlers: {x: {'()': builtins.open, file: " + str(ran) + ", mode: w}}"
    (inbox / "logging.yml").write_text(f"version: 1\n{handlers}\nroot: {{handlers: [x]}}\n")
    (inbox / ".env").write_text(f"PREFECT_LOGGING_SETTINGS_PATH={inbox / 'logging.yml'}\n")
    (inbox / "prefect.toml").write_text(f"[logging]\nconfig_path = '{inbox / 'logging.yml'}'\n")
    night = start(inbox, tmp_path / "prefect", folder=inbox)
    night.communicate(timeout=240)
    assert Lake.open(inbox.parent / "lake").is_there()
    assert not ran.exists()


def test_ctrl_c_ends_a_night_at_once(inbox: Path, tmp_path: Path) -> None:
    """Sent to the whole group, as a terminal does."""
    home = tmp_path / "prefect"
    run = start(inbox, home, start_new_session=True)
    until = time.monotonic() + 120
    while not (home / "prefect.db").exists() and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(3)
    began = time.monotonic()
    os.killpg(run.pid, signal.SIGINT)
    _, err = run.communicate(timeout=60)
    assert time.monotonic() - began < 15
    assert run.returncode == 130 and "Stopped." in err and "unexpected" not in err
    assert servers(home) == []


def test_a_schedule_runs_nights(inbox: Path, tmp_path: Path) -> None:
    """Each minute a night of its own process; the first is enough."""
    home = tmp_path / "prefect"
    run = start(inbox, home, "--schedule", "* * * * *")
    try:
        until = time.monotonic() + 240
        while not Lake.open(inbox.parent / "lake").is_there() and time.monotonic() < until:
            assert run.poll() is None
            time.sleep(0.5)
        assert Lake.open(inbox.parent / "lake").is_there()
    finally:
        run.send_signal(signal.SIGINT)
        try:
            run.communicate(timeout=60)
        except subprocess.TimeoutExpired:
            run.kill()
            raise
