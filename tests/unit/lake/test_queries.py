"""Queries of a lake: what they see, what they give, and what they must not reach."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from builders.memory_lake import MemoryLake
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.lake import Delivery, Lake
from chaffinch.pipelines.lake.queries import LakeQueries, open_lake, relations
from chaffinch.pipelines.lake.seal import SEAL_FILE
from chaffinch.pipelines.parsed import Parsed
from chaffinch.schemas.declarations import channels, settings
from chaffinch.schemas.views import unit_of

START = datetime(2026, 7, 20, 10, tzinfo=UTC)


def readings(machine: str, seconds: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "row": range(2, seconds + 2),
            "time": [START + timedelta(seconds=s) for s in range(seconds)],
            "machine": [machine] * seconds,
            "speed_m_s": [float(s) for s in range(seconds)],
        }
    )


@pytest.fixture
def memory():
    with LakeQueries(MemoryLake(readings=readings("A", 3))) as lake:
        yield lake


def test_a_query_gives_a_frame_with_moments_in_utc(memory):
    found = memory.query("select machine, max(time) as last, sum(row) as s from readings group by machine")
    assert found.rows() == [("A", START + timedelta(seconds=2), 2 + 3 + 4)]
    assert found.schema["last"] == pl.Datetime("us", "UTC")


def test_parameters_are_values_and_never_sql(memory):
    assert memory.query("select count(*) as n from readings where machine = ?", ["A"])["n"][0] == 3
    assert memory.query("select count(*) as n from readings where machine = ?", ["' or true --"])["n"][0] == 0


def test_an_answer_without_rows_keeps_its_columns(memory):
    found = memory.query("select machine, time from readings where false")
    assert found.height == 0 and found.columns == ["machine", "time"]


def test_names_that_repeat_are_numbered_and_odd_types_become_text(memory):
    found = memory.query(
        "select 1 as a, 2 as a, {'x': 1} as s, interval 1 day as i, 'z'::blob as b, null as n, 1.5::decimal(3,1) as d"
    )
    assert found.columns == ["a", "a_2", "s", "i", "b", "n", "d"]
    assert found.row(0) == (1, 2, '{"x":1}', "1 day", "7A", None, 1.5)


def test_table_gives_all_rows_and_names_the_nearest_of_a_wrong_name(memory):
    assert memory.table("readings").height == 3
    with pytest.raises(CallError, match="There is no table or view 'reading'.*[Dd]id you mean 'readings'"):
        memory.table("reading")


WRONG = [
    ("selec 1", 'syntax error at or near "selec", line 1, column 1'),
    ("select *\nfrm readings where", "line 2, column"),
    ("select speed from readings", "speed_m_s"),
    ("select * from effect", "[Dd]id you mean 'effects'"),
    ("select cast(machine as int) from readings", "Could not convert string 'A'"),
    ("", "Give one query; this is none"),
    ("-- nothing", "Give one query; this is none"),
    ("select ?", "parameter"),
]


@pytest.mark.parametrize(("sql", "said"), WRONG)
def test_what_is_wrong_with_a_query_is_said_in_one_line(memory, sql, said):
    with pytest.raises(CallError, match=said) as raised:
        memory.query(sql)
    assert "\n" not in str(raised.value)


HOSTILE = [
    "select * from read_csv('{file}')",
    "select * from '{file}'",
    "select * from read_text('{file}')",
    "select * from read_blob('{file}')",
    "select * from read_parquet('{file}')",
    "select * from sniff_csv('{file}')",
    "select * from glob('{folder}/*')",
    "attach '{folder}/new.db'",
    "copy (select 1) to '{folder}/new.csv'",
    "copy readings to '{folder}/new.parquet'",
    "export database '{folder}/new'",
    "install httpfs",
    "load httpfs",
    "create table t as select 1",
    "create or replace view readings as select 1",
    "drop view readings",
    "insert into readings select * from readings",
    "delete from readings",
    "pragma database_list",
    "set memory_limit = '90GB'",
    "set enable_external_access = true",
    "reset enable_external_access",
    "call enable_logging()",
    "from enable_logging('QueryLog', storage := 'file', storage_path := '{folder}/new')",
    "select 1; select 2",
    "select 1; drop view readings",
    "begin",
    "explain analyze select 1",
    "prepare p as select 1",
    "set variable x = 1",
    "with x as (insert into readings values (1) returning *) select * from x",
    "select * from query('copy (select 1) to ''{folder}/new.csv''')",
    "select * from secret_frame",
    "from 'https://127.0.0.1:9/x.parquet'",
]


@pytest.mark.parametrize("sql", HOSTILE)
def test_a_query_reads_tables_alone(memory, tmp_path, sql):
    secret_frame = pl.DataFrame({"secret": ["seen"]})
    file = tmp_path / "secret.csv"
    secret_frame.write_csv(file)
    with pytest.raises(CallError) as raised:
        memory.query(sql.format(file=file, folder=tmp_path))
    assert "seen" not in str(raised.value)
    assert [entry.name for entry in tmp_path.iterdir()] == ["secret.csv"]
    assert memory.query("select count(*) as n from readings")["n"][0] == 3


def test_a_query_that_outgrows_memory_and_disk_is_stopped(memory, monkeypatch):
    from chaffinch.pipelines.lake import queries

    monkeypatch.setattr(queries, "MEMORY_LIMIT", "50MB")
    monkeypatch.setattr(queries, "DISK_LIMIT", "1MB")
    with (
        LakeQueries(MemoryLake()) as small,
        pytest.raises(CallError, match="more than 50MB of memory"),
    ):
        small.query("select * from range(100000000) as r(n) order by hash(n)")


def test_the_temporary_folder_goes_with_the_session():
    lake = LakeQueries(MemoryLake())
    lake.query("select 1")
    folder = Path(lake._folder.name)
    assert folder.is_dir()
    lake.close()
    assert not folder.exists()


@pytest.fixture
def stored(tmp_path) -> Lake:
    lake = Lake(tmp_path / "my lake's 100%")
    batch = [
        Delivery(
            f"{machine}.csv",
            identity * 64,
            1,
            Parsed("harvest log", readings=readings(machine, seconds), rows_read=seconds),
        )
        for identity, machine, seconds in (("1", "A", 3), ("b", "B", 5))
    ]
    lake.take_in(batch)
    return lake


COUNTS = "select machine, delivery, count(*) as n from readings group by all order by machine"


def test_only_deliveries_that_count_are_seen(stored):
    with open_lake(stored.uri) as lake:
        assert lake.query(COUNTS).rows() == [("A", "1" * 16, 3), ("B", "b" * 16, 5)]
    stored.retract("A.csv")
    with open_lake(stored.uri) as lake:
        assert lake.query(COUNTS).rows() == [("B", "b" * 16, 5)]


def test_a_stored_lake_gives_the_same_rows_through_files_and_through_arrow(stored):
    class ThroughArrow(Lake):
        def parquet_files(self, name: str) -> None:
            return None

    with open_lake(stored.uri) as lake, LakeQueries(ThroughArrow(stored.uri)) as other:
        assert lake.query(COUNTS).equals(other.query(COUNTS))
        whole = "from readings order by machine, row"
        assert lake.query(whole).equals(other.query(whole))


def test_files_of_an_older_contract_lack_columns(stored):
    """A column that was declared later is null for what was stored before."""
    files = stored.parquet_files("readings")
    for file in files:
        pl.read_parquet(file, hive_partitioning=False).drop("speed_m_s", "fan_speed_rpm").write_parquet(file)
    os.unlink(f"{stored.uri}/{SEAL_FILE}")
    with open_lake(stored.uri) as lake:
        found = lake.query("select count(*) as n, count(speed_m_s) as speeds from readings")
        assert found.rows() == [(8, 0)]


def test_a_data_file_that_is_gone_is_said(stored):
    from chaffinch.pipelines.errors import LakeError

    os.unlink(stored.parquet_files("readings")[0])
    with pytest.raises(LakeError, match="chaffinch check"):
        open_lake(stored.uri)
    # A lake of an older version has no checksums; there the reading itself says so.
    os.unlink(f"{stored.uri}/{SEAL_FILE}")
    with open_lake(stored.uri) as lake, pytest.raises(LakeError, match="chaffinch check"):
        lake.query("select sum(speed_m_s) from readings")


def test_a_lake_that_is_not_there(tmp_path):
    with pytest.raises(CallError, match="There is no lake"):
        open_lake(tmp_path / "none")


def test_every_column_of_every_table_and_view_has_a_meaning():
    found = {relation["name"]: relation for relation in relations()}
    assert found["readings"]["kind"] == "table" and found["readings_with_settings"]["kind"] == "view"
    for relation in found.values():
        assert relation["one_row"] and all(column["meaning"] for column in relation["columns"])


def test_the_unit_in_a_name_is_the_declared_unit():
    declared = {c.name: c.unit for c in channels().values()}
    declared |= {s.column: s.unit for s in settings().values()}
    written = {"deg": "°", "turn": "turns"}
    assert {name: unit_of(name) for name in declared} == {n: written.get(u, u) for n, u in declared.items()}
