"""A lake in an object store: the same content as in a folder, one writer at a time, read by other engines.

The store is a server of its own process that speaks S3 (``moto``, a library for tests); nothing leaves the
machine. The other readers are DuckDB, Polars and Delta's kernel.
"""

from __future__ import annotations

import importlib.util
import json
import os
import pickle
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from contextlib import suppress

import polars as pl
import pytest
from chaffinch.pipelines.errors import LakeError
from chaffinch.pipelines.lake import Lake, lease
from chaffinch.pipelines.night.run import ingest_inbox
from chaffinch.pipelines.simulate import write_season_files
from chaffinch.schemas.tables import tables
from deltalake import DeltaTable

NEEDED = [name for name in ("moto", "flask", "flask_cors", "obstore") if not importlib.util.find_spec(name)]
pytestmark = [
    pytest.mark.seconds,
    pytest.mark.skipif(bool(NEEDED), reason=f"no S3 server to test against without {', '.join(NEEDED)}"),
]


@pytest.fixture(scope="module")
def server():
    """Address of a running S3 server."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    started = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        for _ in range(600):
            with suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
                break
            time.sleep(0.1)
        else:
            pytest.skip("the S3 server did not start within a minute")
        yield f"http://127.0.0.1:{port}"
    finally:
        started.terminate()
        started.wait()


@pytest.fixture
def bucket(server, monkeypatch, request):
    """A new bucket that the environment gives access to; its URI."""
    for name in [name for name in os.environ if name.startswith("AWS_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("AWS_ENDPOINT_URL", server)
    monkeypatch.setenv("AWS_ALLOW_HTTP", "true")
    monkeypatch.setenv("AWS_REGION", "us-east-1")
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "for tests")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "for tests")
    name = f"farm-{abs(hash(request.node.name))}"
    urllib.request.urlopen(urllib.request.Request(f"{server}/{name}", method="PUT"))
    return f"s3://{name}"


@pytest.fixture(scope="module")
def inbox(tmp_path_factory):
    season = tmp_path_factory.mktemp("season")
    write_season_files(season, "plain", 5, fields=3, hours=0.5, machines=3, adjustments=1)
    return season / "inbox"


@pytest.fixture(scope="module")
def expected(inbox, tmp_path_factory):
    """Digest of the same inbox taken into a folder."""
    lake = Lake.open(tmp_path_factory.mktemp("lakes") / "lake")
    ingest_inbox(inbox, lake)
    return lake.digest()


def quick_leases(monkeypatch):
    monkeypatch.setattr(lease, "LEASE_S", 1.5)
    monkeypatch.setattr(lease, "RENEWED_EVERY_S", 0.2)
    monkeypatch.setattr(lease, "LOOKED_AT_EVERY_S", 0.05)


def options():
    return {name: value for name, value in os.environ.items() if name.startswith("AWS_")}


@pytest.mark.slow
def test_the_content_is_that_of_a_folder_and_other_engines_read_it(bucket, inbox, expected):
    lake = Lake.open(f"{bucket}/some/lake")
    assert ingest_inbox(inbox, lake).files == 7
    assert lake.digest() == expected
    assert lake.check() == []
    assert ingest_inbox(inbox, lake).new == ()

    ours = lake.scan("readings").select("machine", "time", "speed_m_s").collect().sort("machine", "time")
    uri = f"{bucket}/some/lake/readings"
    by_polars = pl.scan_delta(uri, storage_options=options()).select(ours.columns).collect()
    assert by_polars.sort("machine", "time").equals(ours)

    import duckdb

    engine = duckdb.connect()
    engine.register("readings", DeltaTable(uri, storage_options=options()).to_pyarrow_dataset())
    counted = engine.sql(
        "SELECT machine, count(*), sum(speed_m_s) FROM readings GROUP BY 1 ORDER BY 1"
    ).fetchall()
    summed = ours.group_by("machine").agg(pl.len(), pl.col("speed_m_s").sum()).sort("machine").rows()
    assert [row[:2] for row in counted] == [row[:2] for row in summed]
    assert [row[2] for row in counted] == pytest.approx([row[2] for row in summed], rel=1e-12)


def test_every_table_is_read_by_another_delta_reader(inbox, tmp_path):
    kernel = pytest.importorskip(
        "delta_kernel_rust_sharing_wrapper", reason="no other Delta reader is installed"
    )
    lake = Lake.open(tmp_path / "lake")
    ingest_inbox(inbox, lake)
    gone = lake.ledger().filter(pl.col("name").str.contains("harvest"))["name"][0]
    lake.retract(gone)
    read = 0
    for name in tables():
        if not lake.delta.exists(name):
            continue
        place = f"file://{tmp_path}/lake/{name}/"
        interface = kernel.PythonInterface(place)
        scan = kernel.ScanBuilder(kernel.Table(place).snapshot(interface)).build()
        theirs = pl.DataFrame(scan.execute(interface).read_all())
        ours = lake.delta.scan(name).collect()
        columns = [column for column in tables()[name].polars_schema() if column in theirs.columns]
        assert columns == list(ours.columns)
        key = list(tables()[name].key)
        both = [frame.select(columns).sort(key) for frame in (theirs.cast(dict(ours.schema)), ours)]
        assert both[0].equals(both[1]), name
        read += theirs.height
    assert read > 3600


@pytest.mark.slow
def test_what_is_handed_to_another_process_is_read_without_asking_for_more(
    bucket, inbox, tmp_path, monkeypatch
):
    lake = Lake.open(f"{bucket}/handed")
    logs = sorted(inbox.rglob("harvest_*.csv"))
    part = tmp_path / "inbox"
    asked: list[str] = []
    real = DeltaTable.update_incremental

    def noted(table):
        asked.append(table.table_uri)
        real(table)

    for number, log in enumerate(logs, start=1):
        place = part / log.relative_to(inbox)
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(log, place)
        ingest_inbox(part, lake)
        rows = lake.machine_fields().height
        assert rows == number
        copy = pickle.loads(pickle.dumps(lake))
        assert copy is not lake and copy.ledger().height == number
        assert copy.machine_fields().height == rows
        with monkeypatch.context() as patch:
            patch.setattr(DeltaTable, "update_incremental", noted)
            assert copy.readings(*_first(copy)).height
    assert asked == []


def _first(lake):
    row = lake.machine_fields().row(0, named=True)
    return row["machine"], row["field"], row.get("day")


@pytest.mark.faults
def test_two_runs_at_once_lose_nothing(bucket, inbox, expected, monkeypatch):
    quick_leases(monkeypatch)
    result: list[str] = []
    failed: list[Exception] = []

    def night():
        try:
            ingest_inbox(inbox, Lake.open(f"{bucket}/lake"), result.append)
        except Exception as error:  # noqa: BLE001  shown by the test
            failed.append(error)

    both = [threading.Thread(target=night) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join()
    assert failed == []
    lake = Lake.open(f"{bucket}/lake")
    assert lake.digest() == expected
    assert lake.check() == []
    assert any("is writing to" in sentence for sentence in result)


@pytest.mark.faults
@pytest.mark.parametrize("after", [1, 3])
def test_a_killed_run_is_made_good_once_its_lease_has_run_out(bucket, inbox, expected, monkeypatch, after):
    at = f"{bucket}/lake"
    killed_in_a_write = (
        "import os, signal, sys; from pathlib import Path\n"
        "from chaffinch.pipelines.lake import Lake; from chaffinch.pipelines.lake.delta import DeltaTables\n"
        "from chaffinch.pipelines.night import run as night\n"
        "night.FILES_PER_COMMIT = 1\n"
        "writes, write = [], DeltaTables.write\n"
        "def last(self, name, frames, **how):\n"
        "    write(self, name, frames, **how)\n"
        "    writes.append(name)\n"
        "    if writes.count('readings') == int(sys.argv[3]): os.kill(os.getpid(), signal.SIGKILL)\n"
        "DeltaTables.write = last\n"
        "night.ingest_inbox(Path(sys.argv[1]), Lake.open(sys.argv[2]))\n"
    )
    run = subprocess.run([sys.executable, "-c", killed_in_a_write, str(inbox), at, str(after)])
    assert run.returncode == -signal.SIGKILL
    lake = Lake.open(at)
    assert lake.delta.owners_in("readings") - set(lake.ledger()["delivery"]), "killed before it counted"
    quick_leases(monkeypatch)
    result: list[str] = []
    ingest_inbox(inbox, lake, result.append)
    assert [sentence for sentence in result if sentence.startswith("Waiting: process ")]
    assert lake.digest() == expected
    assert lake.check() == []


def test_a_run_that_lost_its_lease_stops_writing(bucket, inbox, monkeypatch):
    quick_leases(monkeypatch)
    lake = Lake.open(f"{bucket}/lake")
    with lake.writing():
        other = lease._Lease(lease.store_at(lake.uri), lake.uri)
        _, _, mark = other._read()
        assert other._write("another machine that waited long enough", mark)
        time.sleep(1.0)
        with pytest.raises(LakeError, match="went away while it was written to"):
            ingest_inbox(inbox, lake)
    assert other._read()[0] == "another machine that waited long enough"
    other.release()
    with lake.writing():
        assert other._read()[0] == lease._myself()


def test_a_lease_is_renewed_as_long_as_it_is_held(bucket, monkeypatch):
    quick_leases(monkeypatch)
    with lease.leased(f"{bucket}/lake", print) as holds:
        time.sleep(3.0)
        assert holds()
        watcher = lease._Lease(lease.store_at(f"{bucket}/lake"), "")
        assert watcher._read()[0] == lease._myself()
    assert watcher._read()[0] == "nobody"


@pytest.mark.faults
def test_files_that_are_gone_from_the_store_are_named(bucket, inbox):
    lake = Lake.open(f"{bucket}/lake")
    ingest_inbox(inbox, lake)
    file = lake.delta._table("readings").file_uris()[0].removeprefix(f"{lake.uri}/")
    lease.store_at(lake.uri).delete(file)
    found = lake.check()
    assert found and "is gone" in found[0]


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({}, "s3://no-such-bucket/lake"),
        ({"AWS_ENDPOINT_URL": "http://127.0.0.1:9"}, "s3://farm/lake"),
        ({}, "s3:///lake"),
        ({}, "nonsense://farm/lake"),
    ],
)
def test_a_store_that_cannot_be_used_gives_one_sentence(bucket, inbox, change, where, monkeypatch, capsys):
    from chaffinch.pipelines.command_line.program import run

    for name, value in change.items():
        monkeypatch.setenv(name, value)
    code = run(["ingest", str(inbox), "--lake", where, "--json"])
    result = capsys.readouterr()
    assert code in (1, 2)
    assert where.partition("://")[0] in result.err
    assert "Traceback" not in result.err and "\x1b" not in result.err
    assert len(result.err) < 900


@pytest.mark.slow
def test_a_whole_night_on_an_object_store(bucket, inbox, tmp_path):
    command = [sys.executable, "-c", "from chaffinch.pipelines.command_line import main; main()"]
    call = [
        *command,
        "nightly",
        str(inbox),
        "--lake",
        f"{bucket}/lake",
        "--site",
        str(tmp_path / "site"),
        "--json",
    ]
    first = subprocess.run(call, capture_output=True, text=True)
    assert first.returncode in (0, 1), first.stderr
    assert json.loads(first.stdout)["estimate"]["effects"] > 0
    assert (tmp_path / "site" / "index.html").is_file()
    second = json.loads(subprocess.run(call, capture_output=True, text=True).stdout)
    assert (second["ingest"]["new"], second["estimate"]["refreshed"]) == ([], False)
    check = subprocess.run([*command, "check", "--lake", f"{bucket}/lake"], capture_output=True, text=True)
    assert check.returncode == 0, check.stdout
