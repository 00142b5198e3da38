"""The commands as a user calls them: exit codes, what goes to which stream, sentences for failures."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.command_line.program import run

COMMANDS = ("nightly", "inspect", "ingest", "estimate", "pages", "season", "export", "view")
COMMANDS += ("simulate", "prove", "check", "retract")
HEADER = "time,machine,field,crop,speed_m_s,grain_flow_kg_s,cleaning_loss_signal,grain_moisture_pct"


def log(rows: int = 120, *, bad: tuple[int, ...] = (), note: str | None = None) -> str:
    """A harvest log, one reading a second; rows ``bad`` have an impossible moisture."""
    lines = [HEADER + (",remark" if note is not None else "")]
    for i in range(rows):
        moisture = 99 if i in bad else 14 + 0.01 * (i % 7)
        line = f"2026-07-20T08:{i // 60:02d}:{i % 60:02d}Z,Combine A,Mill Field,wheat,1.{i % 9},6.{i % 8}"
        line += f",{10 + i % 13},{moisture}"
        lines.append(line + (f",{note}" if note is not None else ""))
    return "\n".join(lines) + "\n"


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox" / "combine_a"
    folder.mkdir(parents=True)
    (folder / "day.csv").write_text(log(bad=(5, 6)))
    (tmp_path / "inbox" / "settings.csv").write_text(
        "time,machine,setting,from_value,to_value\n2026-07-20T08:01:00Z,Combine A,fan_speed_rpm,900,950\n"
    )
    return tmp_path / "inbox"


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A lake with one log (two rows set aside), one settings log and one file that can't be read."""
    folder = tmp_path_factory.mktemp("filled")
    (folder / "inbox").mkdir()
    (folder / "inbox" / "day.csv").write_text(log(bad=(5, 6), note="=1+1"))
    (folder / "inbox" / "settings.csv").write_text(
        "time,machine,setting,from_value,to_value\n2026-07-20T08:01:00Z,Combine A,fan_speed_rpm,900,950\n"
    )
    (folder / "inbox" / "noise.csv").write_bytes(bytes(range(256)) * 8)
    assert run(["ingest", str(folder / "inbox"), "--lake", str(folder / "lake")]) == 1
    return folder / "lake"


def summary(capsys: pytest.CaptureFixture[str]) -> dict:
    """The one JSON document on standard output."""
    out = capsys.readouterr().out
    assert out.count("\n") == 1
    return json.loads(out)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([command, "--help"]) == 0
    out = capsys.readouterr().out
    assert f"Example: chaffinch {command}" in out
    assert "--json" in out


def test_help_comes_at_once_and_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom chaffinch.pipelines.command_line.program import run\nrun(['--help'])\n"
        "heavy = {'polars', 'pandas', 'numpy', 'deltalake', 'plotly', 'prefect', 'pydantic', 'duckdb'}\n"
        "sys.exit(str(heavy & set(sys.modules)) if heavy & set(sys.modules) else 0)"
    )
    start = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    # Half a second is the aim; a machine that runs other tests at once may take longer.
    assert time.perf_counter() - start < 3


def test_taking_in_tells_what_happened_and_exits_1(inbox: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["ingest", str(inbox), "--lake", str(inbox.parent / "lake")]) == 1
    out = capsys.readouterr().out
    assert (
        "combine_a/day.csv: harvest log, 120 of 120 rows kept; 2 of them lack a value (2 outside_range)."
        in out
    )
    assert "settings.csv: settings log, 1 of 1 rows kept." in out
    assert "2 files: 2 new, 0 already ingested." in out


def test_a_second_time_changes_nothing_and_exits_0(inbox: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["ingest", str(inbox), "--lake", str(inbox.parent / "lake"), "--json"]
    run(call)
    capsys.readouterr()
    versions = sorted(p.name for p in (inbox.parent / "lake").rglob("*.json"))
    assert run(call) == 0
    assert summary(capsys)["unchanged"] == 2
    assert sorted(p.name for p in (inbox.parent / "lake").rglob("*.json")) == versions


def test_a_corrected_file_takes_the_place_of_the_earlier(
    inbox: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lake = str(inbox.parent / "lake")
    run(["ingest", str(inbox), "--lake", lake])
    (inbox / "combine_a" / "day.csv").write_text(log(200))
    assert run(["ingest", str(inbox), "--lake", lake]) == 0
    assert "1 earlier deliveries replaced" in capsys.readouterr().out
    run(["export", "readings", "--lake", lake, "--to", str(inbox.parent / "out.parquet")])
    assert pl.read_parquet(inbox.parent / "out.parquet").height == 200


def test_the_same_content_under_two_names_counts_once(
    inbox: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (inbox / "copy.csv").write_text((inbox / "combine_a" / "day.csv").read_text())
    lake = str(inbox.parent / "lake")
    run(["ingest", str(inbox), "--lake", lake])
    assert "copy.csv has the same content as combine_a/day.csv; it counts once." in capsys.readouterr().out
    run(["export", "readings", "--lake", lake, "--to", str(inbox.parent / "out.parquet")])
    assert pl.read_parquet(inbox.parent / "out.parquet").height == 120


def test_a_file_that_becomes_a_copy_of_another_leaves(inbox: Path) -> None:
    lake = str(inbox.parent / "lake")
    (inbox / "other.csv").write_text(log(60).replace("Combine A", "Combine B"))
    run(["ingest", str(inbox), "--lake", lake])
    (inbox / "other.csv").write_text((inbox / "combine_a" / "day.csv").read_text())
    run(["ingest", str(inbox), "--lake", lake])
    run(["export", "readings", "--lake", lake, "--to", str(inbox.parent / "out.parquet")])
    assert pl.read_parquet(inbox.parent / "out.parquet")["machine"].unique().to_list() == ["Combine A"]


def test_a_farm_that_changes_has_files_read_again(inbox: Path) -> None:
    lake = str(inbox.parent / "lake")
    run(["ingest", str(inbox), "--lake", lake])
    (inbox / "farm.toml").write_text('[machines."Rook"]\naliases = ["Combine A"]\n')
    run(["ingest", str(inbox), "--lake", lake])
    run(["export", "readings", "--lake", lake, "--to", str(inbox.parent / "out.parquet")])
    read = pl.read_parquet(inbox.parent / "out.parquet")
    assert read["machine"].unique().to_list() == ["Rook"]
    assert read.height == 120


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (["ingest", "nowhere", "--lake", "lake"], "nowhere is not a folder"),
        (["nightly", "nowhere", "--lake", "lake", "--site", "site"], "nowhere is not a folder"),
        (["inspect", "nowhere.csv"], "neither a file nor a folder"),
        (["check", "--lake", "nowhere"], "There is no lake in nowhere"),
        (["export", "readins", "--lake", "nowhere", "--to", "x.csv"], "did you mean 'readings'"),
        (["export", "readings", "--lake", "nowhere", "--to", "x.doc"], "must end in .csv, .parquet or .xlsx"),
        (["season", "--lake", "nowhere", "--year", "2026", "--out", "x.txt"], "must end in .html, .pdf or"),
        (["season", "--lake", "nowhere", "--year", "26", "--out", "x.html"], "Invalid value for '--year'"),
        (["view", "--site", "nowhere"], "There are no pages in nowhere"),
        (["ingets", "x"], "Did you mean 'ingest'?"),
        (["ingest"], "Missing argument 'INBOX'"),
    ],
)
def test_a_wrong_call_is_one_sentence_and_exit_2(
    call: list[str],
    sentence: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(call) == 2
    result = capsys.readouterr()
    assert sentence in result.err
    assert "Traceback" not in result.err
    assert result.out == ""
    assert list(tmp_path.iterdir()) == []


def test_with_json_a_failure_is_json_too(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "--lake", "nowhere", "--json"]) == 2
    assert summary(capsys)["exit_code"] == 2


def test_debug_shows_the_traceback(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "--lake", "nowhere", "--debug"]) == 2
    assert "Traceback" in capsys.readouterr().err


def test_a_folder_with_other_things_is_no_lake(inbox: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["ingest", str(inbox), "--lake", str(inbox)]) == 2
    assert "holds other files and is not a lake" in capsys.readouterr().err


def test_an_unreadable_file_does_not_stop_the_rest(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    to = filled.parent / "deliveries.parquet"
    assert run(["export", "deliveries", "--lake", str(filled), "--to", str(to)]) == 0
    rows = {row["name"]: row for row in pl.read_parquet(to).to_dicts()}
    assert rows["noise.csv"]["status"] == "could not be read"
    assert rows["noise.csv"]["reason"]
    assert rows["day.csv"]["status"] == "taken in with rows set aside"


def test_csv_is_exact_and_utc(filled: Path) -> None:
    to = filled.parent / "readings.csv"
    assert run(["export", "readings", "--lake", str(filled), "--to", str(to)]) == 0
    with to.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 120
    assert rows[0]["time"] == "2026-07-20T08:00:00Z"
    assert json.loads(rows[0]["other"]) == {"remark": "=1+1"}
    assert rows[0]["latitude"] == ""


def test_sheets_have_typed_cells_and_no_formulas(filled: Path) -> None:
    """The workbook is read as what it is, a zip of XML (ECMA-376)."""
    import zipfile

    to = filled.parent / "set_aside.xlsx"
    assert run(["export", "set_aside", "--lake", str(filled), "--to", str(to)]) == 0
    readings = filled.parent / "readings.xlsx"
    assert run(["export", "readings", "--lake", str(filled), "--to", str(readings)]) == 0
    sheets = [zipfile.ZipFile(f).read("xl/worksheets/sheet1.xml").decode() for f in (to, readings)]
    for sheet in sheets:
        assert "<f>" not in sheet
        assert "<hyperlink" not in sheet
        assert 'ySplit="1"' in sheet
    # Row 2, column of `row` is a number cell, not a text cell.
    assert '<c r="C2"><v>2</v></c>' in sheets[1]


def test_exports_of_an_empty_table(filled: Path) -> None:
    for ending in ("csv", "parquet", "xlsx"):
        to = filled.parent / f"loss_checks.{ending}"
        assert run(["export", "loss_checks", "--lake", str(filled), "--to", str(to)]) == 0
    assert pl.read_parquet(filled.parent / "loss_checks.parquet").height == 0
    assert (filled.parent / "loss_checks.csv").read_text().startswith("delivery,file,row,time")


def test_check_and_retract(inbox: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lake = str(inbox.parent / "lake")
    run(["ingest", str(inbox), "--lake", lake])
    assert run(["check", "--lake", lake]) == 0
    assert run(["retract", "combine_a/day.csv", "--lake", lake]) == 0
    assert run(["retract", "combine_a/day.csv", "--lake", lake]) == 2
    capsys.readouterr()
    assert run(["check", "--lake", lake, "--json"]) == 0
    assert summary(capsys)["whole"] is True
    run(["export", "readings", "--lake", lake, "--to", str(inbox.parent / "out.parquet")])
    assert pl.read_parquet(inbox.parent / "out.parquet").height == 0


def test_what_was_retracted_stays_out_until_it_is_let_back(
    inbox: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lake = str(inbox.parent / "lake")
    run(["ingest", str(inbox), "--lake", lake])
    run(["retract", "combine_a/day.csv", "--lake", lake])
    capsys.readouterr()
    assert run(["ingest", str(inbox), "--lake", lake]) == 0
    assert "combine_a/day.csv was retracted and stays out" in capsys.readouterr().out
    assert run(["retract", "combine_a/day.csv", "--lake", lake, "--undo"]) == 0
    assert run(["ingest", str(inbox), "--lake", lake]) == 1


def test_six_odd_rows_of_a_thousand_and_notes_end_with_0(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a scheduler looks at: code 1 only where something failed, needs a person, or exceeds the share."""
    rows = [f"2026-07-20T08:{i // 60:02d}:{i % 60:02d}Z,A,1.5,14.0" for i in range(1000)]
    for at in range(0, 600, 100):
        rows[at] = rows[at].replace("14.0", "99")
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "log.csv").write_text(
        "\n".join(["time,machine,speed_m_s,grain_moisture_pct", *rows])
    )
    (tmp_path / "inbox" / "settings.csv").write_text(
        "time,machine,setting,to_value\n2026-07-20T08:05:00Z,A,concave cover plates,half shut\n"
    )
    call = ["ingest", str(tmp_path / "inbox"), "--lake", str(tmp_path / "lake")]
    assert run(call) == 0
    assert run(["inspect", str(tmp_path / "inbox" / "log.csv")]) == 0
    (tmp_path / "inbox" / "farm.toml").write_text("[thresholds]\nset_aside_pct = 0.5\n")
    capsys.readouterr()
    assert run(call) == 1


def test_inspect_ingests_nothing(inbox: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["inspect", str(inbox / "combine_a" / "day.csv"), "--json"]) == 1
    (file,) = summary(capsys)["files"]
    assert file["kind"] == "harvest log"
    assert (file["rows_set_aside"], file["rows_with_values_set_aside"]) == (0, 2)
    assert not (inbox.parent / "lake").exists()


def test_no_bar_and_no_colour_in_a_pipe(tmp_path: Path) -> None:
    """Files that can't be read pass the bar like others, and nothing heavy is imported for them."""
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "noise.csv").write_bytes(bytes(range(256)) * 8)
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", "ingest", str(tmp_path / "inbox")]
    done = subprocess.run(
        [*call, "--lake", str(tmp_path / "lake")],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"FORCE_COLOR": ""},
    )
    assert done.returncode == 1
    assert "noise.csv could not be read" in done.stdout
    assert "\x1b" not in done.stdout + done.stderr
    assert done.stderr == ""


def test_made_up_season_goes_in_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["simulate", str(tmp_path / "s"), "--fields", "1", "--hours", "0.5", "--json"]) == 0
    made = summary(capsys)
    call = ["ingest", str(tmp_path / "s" / "inbox"), "--lake", str(tmp_path / "lake"), "--json"]
    assert run(call) == 0
    taken = summary(capsys)
    assert sum(one["rows_read"] for one in taken["new"]) >= made["readings"]
