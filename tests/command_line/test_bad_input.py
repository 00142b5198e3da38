"""What bad input gets: a clear sentence, the rest of the inbox done, exit code 1, and no row lost."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from chaffinch.pipelines.command_line.program import run

HEADER = "time,machine,field,crop,speed_m_s,grain_flow_kg_s,cleaning_loss_signal,grain_moisture_pct"
DATA_TABLES = ("readings", "adjustments", "loss_checks", "fields")


def log(
    rows: int = 60, machine: str = "Combine A", field: str = "Mill Field", header: str = HEADER
) -> list[str]:
    """Lines of a sound harvest log, one reading a second; the header is line 1."""
    named = f"{machine},{field},wheat"
    return [header] + [
        f"2026-07-20T08:{i // 60:02d}:{i % 60:02d}Z,{named},1.{i % 9},6.{i % 8},{10 + i % 13},14.{i % 7}"
        for i in range(rows)
    ]


def with_cell(lines: list[str], line: int, column: int, text: str) -> list[str]:
    """``lines`` with one cell replaced; ``line`` counts from 1 as editors do."""
    cells = lines[line - 1].split(",")
    cells[column] = text
    return [*lines[: line - 1], ",".join(cells), *lines[line:]]


def take_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], *, files: dict[str, list[str] | bytes]
) -> tuple[dict[str, dict], list[str]]:
    """Rows of ``deliveries`` by name, and the output, for ``files`` next to a sound log.

    Whatever the others are, the exit code is 1, the sound log goes in whole, and every row is accounted for.
    """
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    for name, content in {"sound.csv": log(), **files}.items():
        data = content if isinstance(content, bytes) else ("\n".join(content) + "\n").encode()
        (inbox / name).write_bytes(data)
    assert run(["ingest", str(inbox), "--lake", str(tmp_path / "lake")]) == 1
    result = capsys.readouterr()
    assert result.err == ""
    deliveries = accounted(tmp_path)
    assert deliveries["sound.csv"]["rows_kept"] == 60
    return deliveries, result.out.splitlines()


def table(tmp_path: Path, name: str) -> pl.DataFrame:
    to = tmp_path / f"{name}.parquet"
    assert run(["export", name, "--lake", str(tmp_path / "lake"), "--to", str(to)]) == 0
    return pl.read_parquet(to)


def accounted(tmp_path: Path) -> dict[str, dict]:
    """Rows in the tables and distinct rows set aside are, file by file, the rows that were read.

    Returns the rows of ``deliveries`` by name.
    """
    ledger = {row["name"]: row for row in table(tmp_path, "deliveries").to_dicts()}
    aside = table(tmp_path, "set_aside")
    kept = {name: table(tmp_path, name) for name in DATA_TABLES}
    for name, row in ledger.items():
        own = {n: t.filter(pl.col("file") == name).height for n, t in kept.items()}
        main = own["readings"] or own["adjustments"] or own["loss_checks"] or own["fields"]
        whole = aside.filter((pl.col("file") == name) & (pl.col("row_kept") == 0))
        rows_aside = whole["row"].n_unique()
        assert row["rows_read"] == row["rows_kept"] + row["rows_set_aside"], name
        assert (row["rows_kept"], row["rows_set_aside"]) == (main, rows_aside), name
    for row in aside.to_dicts():
        assert row["file"] in ledger
        assert row["row"] >= 1
        assert row["rule"] and row["sentence"] and row["content"]
    return ledger


UNREADABLE = {
    "a letter": (
        ["Dear Sir,", "the combine was cleaned on Monday."],
        "None of the first 100 lines names the columns of a log (first: 'Dear Sir,').",
    ),
    "a page": (
        ["<html><body>Your session has ended.</body></html>"],
        "None of the first 100 lines names the columns of a log",
    ),
    "a scan": (
        b"II*\x00" + bytes(range(256)) * 20,
        "The file is neither text nor task data nor Parquet; export the log as CSV.",
    ),
    "nothing": (b"", "The file is empty; export it again, or remove it."),
    "blank lines": (b"\n\n  \n", "The file is empty; export it again"),
    "no time": (
        [line.partition(",")[2] for line in log(30)],
        "No column holds the time; name it 'time', or say in farm.toml which it is: "
        '[columns."odd.csv"] names = { "..." = "time" }.',
    ),
    "two columns for one channel": (
        log(30, header=HEADER.replace("cleaning_loss_signal", "grain_flow_kg_s (kg/s)")),
        "Columns 'grain_flow_kg_s' (column 6) and 'grain_flow_kg_s (kg/s)' (column 7) "
        "both look like grain_flow_kg_s; say in farm.toml which to leave out: "
        '[columns."odd.csv"] names = { "grain_flow_kg_s (kg/s)" = "ignore" }.',
    ),
    "half an archive": (
        b"\x1f\x8b\x08\x00abc",
        "The archive is damaged or cut short",
    ),
    "half a Parquet file": (
        b"PAR1" + bytes(100),
        "The Parquet file is damaged",
    ),
    "half a GeoJSON": (
        b'{"type":"FeatureCollection","features":[{"type":',
        "It starts like JSON but is not valid (line 1); export it again.",
    ),
}  # fmt: skip


def test_a_file_that_is_no_log_gets_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = {f"{case}.csv": content for case, (content, _) in UNREADABLE.items()}
    deliveries, result = take_in(tmp_path, capsys, files=files)
    for case, (_, sentence) in UNREADABLE.items():
        name = f"{case}.csv"
        assert deliveries[name]["status"] == "could not be read"
        assert deliveries[name]["reason"].startswith(sentence.replace("odd.csv", name))
        (line,) = [line for line in result if line.startswith(name)]
        assert line == f"{name} could not be read: {deliveries[name]['reason']}"


ATTENTION = {
    "an unknown unit": (
        log(30, header=HEADER.replace("speed_m_s", "Speed (furlongs/fortnight)")),
        "Column 'Speed (furlongs/fortnight)' is kept unread: the unit 'furlongs/fortnight' is not known. "
        'Say what it is in farm.toml: [columns."odd.csv"] names = { "Speed (furlongs/fortnight)" = '
        '{ is = "speed_m_s", unit = "..." } }.',
    ),
    "a unit that does not fit": (
        log(30, header=HEADER.replace("speed_m_s", "Speed (kg)")),
        "Column 'Speed (kg)' is kept unread: the unit 'kg' can't be turned into m/s.",
    ),
    "a machine called like a path": (
        log(30, machine="../../etc/passwd"),
        "A machine is called '../../etc/passwd', which is an unusual name; it is kept as text",
    ),
    "a field called like code": (
        log(30, field="<script>alert(1)</script>"),
        "A field is called '<script>alert(1)</script>', which is an unusual name; it is kept as text",
    ),
    "a setting that the catalogue lacks": (
        ["time,machine,setting,to_value", "2026-07-20T08:01:00Z,Combine A,flux compensator,3"],
        "The catalogue has no setting 'flux compensator'; its changes are kept as an unknown setting",
    ),
    "a header without rows": (
        [HEADER],
        "The file has a header but no rows; export it again, or remove it.",
    ),
}  # fmt: skip


def test_what_asks_something_of_the_user_is_said_and_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = {f"{case}.csv": content for case, (content, _) in ATTENTION.items()}
    deliveries, said = take_in(tmp_path, capsys, files=files)
    for case, (content, sentence) in ATTENTION.items():
        one = deliveries[f"{case}.csv"]
        assert one["rows_set_aside"] == 0
        assert one["rows_kept"] == len(content) - 1
        start = sentence.replace("odd.csv", f"{case}.csv")
        (finding,) = [finding for finding in one["findings"] if finding.startswith(start)]
        assert f"  {finding}" in said


def test_hostile_names_stay_names(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Kept as they stand in the tables, and no path of the lake or the pages is made of them."""
    files = {
        "a.csv": log(30, machine="../../etc/passwd"),
        "b.csv": log(30, field="<script>alert(1)</script>"),
    }
    take_in(tmp_path, capsys, files=files)
    readings = table(tmp_path, "readings")
    assert readings.filter(pl.col("machine") == "../../etc/passwd").height == 30
    assert readings.filter(pl.col("field") == "<script>alert(1)</script>").height == 30
    paths = [path.relative_to(tmp_path).as_posix() for path in (tmp_path / "lake").rglob("*")]
    assert not any("passwd" in path or "script" in path for path in paths)


def test_an_unknown_setting_is_kept_as_unknown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = ["time,machine,setting,to_value", "2026-07-20T08:00:10Z,Combine A,flux compensator,3"]
    take_in(tmp_path, capsys, files={"s.csv": [*lines, "2026-07-20T08:00:20Z,Combine A,fan speed,900"]})
    kept = table(tmp_path, "adjustments").select("setting", "to_value", "kind").rows()
    assert kept == [("flux compensator", "3", "unknown"), ("fan_speed", "900", "number")]


def test_a_machine_without_readings_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = ["time,machine,setting,to_value", "2026-07-20T08:01:00Z,Ghost,fan_speed_rpm,930"]
    checks = ["time,machine,machine_loss_kg_ha", "2026-07-20T08:01:00Z,Ghost,45"]
    _, result = take_in(tmp_path, capsys, files={"settings.csv": settings, "checks.csv": checks})
    assert [line for line in result if "no harvest log" in line] == [
        f"{file}: no harvest log names a machine 'Ghost', so its {what} can't be used until one "
        "does. Machines with readings: 'Combine A'; if it is one of them, add the name to its aliases "
        "in farm.toml."
        for file, what in (("checks.csv", "loss checks"), ("settings.csv", "adjustments"))
    ]
    assert table(tmp_path, "adjustments")["machine"].to_list() == ["Ghost"]
    assert table(tmp_path, "loss_checks")["machine"].to_list() == ["Ghost"]


def test_rows_outside_the_logs_of_their_machine_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The log of `take_in` begins at 08:00 UTC; a notebook two hours ahead of it misses it. In the other notebook,
    one change was made before work began, and one on a day without a log."""
    lines = ["time,machine,setting,to_value"]
    late = [f"2026-07-20T10:0{k}:10Z,Combine A,fan_speed,{900 + 10 * k}" for k in range(3)]
    set_up = "2026-07-20T06:30:10Z,Combine A,fan_speed,800"
    right = "2026-07-20T08:00:20Z,Combine A,fan_speed,950"
    other_day = "2026-07-25T08:00:20Z,Combine A,fan_speed,970"
    files = {"late.csv": [*lines, *late], "set_up.csv": [*lines, set_up, right, other_day]}
    _, result = take_in(tmp_path, capsys, files=files)
    assert [line for line in result if "outside its logs" in line] == [
        "late.csv: 3 of 3 changes of 'Combine A' lie outside its logs of the same day; they would fit 2 h earlier. "
        "Is its clock or time zone wrong? State time_zone in farm.toml, or correct the times."
    ]


def test_impossible_times_go_aside_with_row_and_value(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = {
        4: "2026-02-30T08:00:02Z", 5: "2026-07-20T25:61:03Z", 6: "soon", 7: "0000-00-00T08:00:05Z",
        8: "9999-12-31T08:00:06Z", 9: "1970-07-20T08:00:07Z", 10: "",
    }  # fmt: skip
    lines = log(30)
    for line, text in bad.items():
        lines = with_cell(lines, line, 0, text)
    deliveries, result = take_in(tmp_path, capsys, files={"dates.csv": lines})
    assert deliveries["dates.csv"]["rows_kept"] == 23
    assert (
        "  row 4: '2026-02-30T08:00:02Z' is not a valid date and time between 1990 and 2100. (6 more under bad_time)"
        in result
    )
    aside = table(tmp_path, "set_aside").sort("row")
    assert dict(aside.select("row", "value").iter_rows()) == bad
    assert set(aside["rule"]) == {"bad_time"}
    assert aside["sentence"][-1] == "The row has no time."


def test_no_possible_time_at_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = [line.replace("2026-07-20", "2026-13-45") for line in log(30)]
    deliveries, result = take_in(tmp_path, capsys, files={"dates.csv": lines})
    assert deliveries["dates.csv"]["rows_set_aside"] == 30
    # One finding, not three degrees of the same.
    assert deliveries["dates.csv"]["findings"] == [
        "No row of this file could be kept: check the rule and column named, and how the log was exported."
    ]


def test_values_that_are_no_numbers_go_aside_and_leave_their_rows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = {4: "six", 5: "1e999", 6: "#REF!", 7: "0x1F", 8: "6,3"}
    lines = log(30)
    for line, text in bad.items():
        lines = with_cell(lines, line, 5, f'"{text}"')
    for line, text in {9: "nan", 10: "-", 11: ""}.items():
        lines = with_cell(lines, line, 5, text)
    take_in(tmp_path, capsys, files={"values.csv": lines})
    aside = table(tmp_path, "set_aside")
    # "6,3" among decimal points can only be a slip: it is neither 63 nor 6.3 beyond doubt.
    assert dict(aside.select("row", "value").iter_rows()) == bad
    kept = table(tmp_path, "readings").filter(pl.col("file") == "values.csv")
    assert kept.filter(pl.col("grain_flow_kg_s").is_null())["row"].to_list() == [4, 5, 6, 7, 8, 9, 10, 11]


def test_a_settings_log_full_of_slips(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = {
        2: ("08:00:01Z,Combine A,fan_speed_rpm,900,fast,rpm", "not_a_number"),
        3: ("08:00:02Z,Combine A,fan_speed_rpm,900,,rpm", "not_a_number"),
        4: ("08:00:03Z,Combine A,,900,950,rpm", "no_setting"),
        5: ("08:00:04Z,Combine A,fan_speed_rpm,900,950,furlong", "unknown_unit"),
        6: ("late,Combine A,fan_speed_rpm,900,950,rpm", "bad_time"),
        7: ("08:00:06Z,Combine A,fan_speed_rpm,950,99999,rpm", "setting_outside_range"),
        8: ("08:00:07Z,Combine A,fan_speed_rpm,900,950,rpm", None),
    }
    lines = [
        "time,machine,setting,from_value,to_value,unit",
        *(f"2026-07-20T{text}" for text, _ in rows.values()),
    ]
    take_in(tmp_path, capsys, files={"settings.csv": lines})
    aside = dict(table(tmp_path, "set_aside").select("row", "rule").iter_rows())
    assert aside == {row: rule for row, (_, rule) in rows.items() if rule}
    assert table(tmp_path, "adjustments")["row"].to_list() == [8]


def test_inspect_says_the_same_before_anything_is_ingested(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "odd.csv").write_text(
        "\n".join(log(30, header=HEADER.replace("speed_m_s", "Speed (kg)"))) + "\n"
    )
    assert run(["inspect", str(tmp_path / "odd.csv")]) == 1
    out = capsys.readouterr().out
    assert "To do: Column 'Speed (kg)' is kept unread: the unit 'kg' can't be turned into m/s." in out
    assert "…" not in out


def test_what_a_terminal_would_act_on_is_shown_as_its_code(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A title set by ESC ], colours by the one-byte CSI, text turned round: in a header, a value, a name."""
    escapes = "\x1b]0;owned\x07 \x9b31m \u202egnp"
    lines = with_cell(log(header=f"{HEADER},{escapes}"), 3, 4, escapes)
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "day.csv").write_text("\n".join([lines[0], *(f"{line},1" for line in lines[1:])]) + "\n")
    for call in (
        ["inspect", str(inbox / "day.csv")],
        ["inspect", str(inbox / "day.csv"), "--json"],
        ["ingest", str(inbox), "--lake", str(tmp_path / "lake")],
    ):
        assert run(call) == 1
        result = "".join(capsys.readouterr())
        assert "owned" in result
        assert not set(result) & set("\x1b\x07\x9b\u202e")
