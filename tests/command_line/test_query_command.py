"""chaffinch query, as a user calls it."""

from __future__ import annotations

import json
import os
import pty
import re
import signal
import subprocess
import sys
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.lake import Delivery, Lake
from chaffinch.pipelines.parsed import Parsed

HOSTILE_NAME = "A\x1b[31m\x07\u202e"


@pytest.fixture(scope="module")
def lake(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("query") / "lake"
    readings = pl.DataFrame(
        {
            "row": range(2, 102),
            "time": [datetime(2026, 7, 20, 10, 0, s % 60, tzinfo=UTC) for s in range(100)],
            "machine": [HOSTILE_NAME] * 100,
            "speed_m_s": [1.5] * 100,
        }
    )
    Lake(folder).take_in([Delivery("a.csv", "a" * 64, 1, Parsed("harvest log", readings=readings))])
    return folder


def query(*arguments: str) -> subprocess.CompletedProcess[str]:
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", "query", *arguments]
    return subprocess.run(call, capture_output=True, text=True, timeout=120)


def on_a_terminal(*arguments: str) -> str:
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", "query", *arguments]
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        call, stdout=theirs, stderr=theirs, env=os.environ | {"COLUMNS": "80", "TERM": "dumb"}
    ):
        os.close(theirs)
        shown = b""
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # the other end is closed
                break
            if not part:
                break
            shown += part
    os.close(ours)
    return shown.decode()


def test_a_pipe_gets_csv(lake):
    done = query("select row, time, speed_m_s from readings order by row limit 2", "--lake", str(lake))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "row,time,speed_m_s\n2,2026-07-20T10:00:00Z,1.5\n3,2026-07-20T10:00:01Z,1.5\n"


def test_json_is_one_object_without_nan(lake):
    done = query("select 1 as n, 'nan'::double as x, ['a'] as l", "--lake", str(lake), "--json")
    assert json.loads(done.stdout) == {"columns": ["n", "x", "l"], "rows": [{"n": 1, "x": None, "l": ["a"]}]}


@pytest.mark.parametrize("ending", [".csv", ".parquet", ".xlsx"])
def test_to_a_file(lake, tmp_path, ending):
    to = tmp_path / f"out{ending}"
    sql = "select row, time, date '2026-07-20' as day, true as yes from readings order by row"
    done = query(sql, "--lake", str(lake), "--to", str(to), "--json")
    assert json.loads(done.stdout) == {"rows": 100, "columns": ["row", "time", "day", "yes"], "to": str(to)}
    if ending == ".xlsx":
        sheet = zipfile.ZipFile(to).read("xl/worksheets/sheet1.xml").decode()
        rows = [int(number) for number in re.findall(r'<c r="A\d+"><v>(\d+)</v>', sheet)]
        # 2026-07-20 10:00 is 46223 days and 10 hours after the sheet's day 0, 1899-12-30.
        assert re.search(r'<c r="B2" s="\d+"><v>46223.41666', sheet) and '<c r="D2" t="b"><v>1</v>' in sheet
    else:
        rows = {".csv": pl.read_csv, ".parquet": pl.read_parquet}[ending](to)["row"].to_list()
    assert rows == [*range(2, 102)]
    assert [entry.name for entry in tmp_path.iterdir()] == [to.name]


def test_a_terminal_gets_a_table_of_limited_size_without_control_characters(lake):
    shown = on_a_terminal("select machine, row from readings order by row", "--lake", str(lake))
    assert "and 60 more rows: use --to FILE" in shown
    assert "A\\x1b[31m\\x07\\u202e" in shown
    assert not {"\x1b", "\x07", "\u202e"} & set(shown)


def test_a_narrow_terminal_shows_the_columns_that_fit(lake):
    shown = on_a_terminal("select * from readings limit 3", "--lake", str(lake))
    assert "more columns: use --to FILE" in shown
    assert max(map(len, shown.splitlines())) <= 80


def test_the_list_names_tables_views_and_columns_with_meaning_and_unit():
    done = query("--list")
    assert done.returncode == 0
    assert "readings (table): one row per logged row of a harvest log" in done.stdout
    assert "speed_m_s [m/s], DOUBLE: Travel speed over ground" in done.stdout
    assert "readings_with_settings (view): " in done.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("select * from effect",), "did you mean 'effects'"),
        (("selec 1",), "line 1, column 1"),
        (("select * from read_csv('/etc/passwd')",), "out of reach"),
        (("drop table readings",), "may only read"),
        (("select 1", "--to", "out.doc"), "must end in .csv, .parquet or .xlsx"),
    ],
)
def test_a_wrong_call_is_one_sentence_and_2(lake, arguments, said):
    done = query(*arguments, "--lake", str(lake))
    assert (done.returncode, done.stdout) == (2, "")
    assert said.casefold() in done.stderr.casefold()
    assert done.stderr.count("\n") == 1


def test_a_lake_that_is_not_there_and_a_query_that_is_missing(tmp_path):
    assert "There is no lake" in query("select 1", "--lake", str(tmp_path / "none")).stderr
    missing = query()
    assert missing.returncode == 2 and "--list" in missing.stderr


def test_a_query_without_end_stops_with_ctrl_c(lake):
    sql = "with recursive t as (select 1 as n union all select n + 1 from t) select * from t"
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", "query", sql, "--lake", str(lake)]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        assert running.stdout.readline() == "n\n"  # the query is under way
        running.send_signal(signal.SIGINT)
        running.communicate(timeout=60)
    assert running.returncode == 130


def test_help_has_an_example():
    assert 'Example: chaffinch query "SELECT' in query("--help").stdout
