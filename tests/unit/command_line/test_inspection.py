"""Inspect: what a file is, before anything is ingested."""

from __future__ import annotations

import io
import json
import zipfile

import pytest
from chaffinch.pipelines.command_line.inspection import inspect
from chaffinch.pipelines.command_line.inspection_output import inspection_report
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.farm import Farm
from rich.console import Console

LOG = (
    "Time;Machine;Speed (km/h);Oil\n;;km/h;\n"
    + "".join(f"2026-08-01T10:00:{s:02d}Z;A;5,4;x\n" for s in range(30))
    + "".join(f"2026-08-01T10:05:{s:02d}Z;A;5,4;x\n" for s in range(30))
    + "2026-08-01T10:06:00Z;A;fast;x\nbroken\n"
)


def shown(found):
    stream = io.StringIO()
    Console(file=stream, width=200).print(inspection_report(found))
    return stream.getvalue()


def test_a_harvest_log_is_described_whole(tmp_path):
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    found = inspect(tmp_path / "log.csv", Farm())
    (file,) = json.loads(json.dumps(found))["files"]
    assert (file["kind"], file["separator"], file["encoding"], file["header_line"]) == (
        "harvest log",
        "semicolon",
        "UTF-8",
        1,
    )
    speed = file["columns"][2]
    assert (speed["is"], speed["unit"], speed["to_unit"], speed["sample"]) == (
        "speed_m_s",
        "km/h",
        "m/s",
        "5,4",
    )
    assert speed["factor"] == pytest.approx(1 / 3.6)
    assert file["columns"][3]["is"] is None
    assert file["unmatched_columns"] == ["Oil"]
    assert (file["rows_read"], file["rows_kept"], file["rows_set_aside"]) == (62, 61, 1)
    assert file["rows_with_values_set_aside"] == 1
    assert {e["rule"]: e["rows"] for e in file["set_aside"]} == {
        "not_a_number": 1,
        "wrong_number_of_fields": 1,
    }
    assert file["set_aside"][0]["share_pct"] == pytest.approx(100 / 62, abs=1e-3)
    assert file["machines"] == ["A"]
    assert (file["first_time"], file["last_time"]) == (
        "2026-08-01T10:00:00+00:00",
        "2026-08-01T10:06:00+00:00",
    )
    assert file["interval_s"] == 1.0
    assert file["gaps"] == 2
    assert file["longest_gaps"] == [
        {"machine": "A", "from": "2026-08-01T10:00:29+00:00", "seconds": 271.0},
        {"machine": "A", "from": "2026-08-01T10:05:29+00:00", "seconds": 31.0},
    ]


def test_it_is_shown_in_plain_lines(tmp_path):
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    text = shown(inspect(tmp_path / "log.csv", Farm()))
    assert "harvest log" in text
    assert "62 rows, 61 would be kept" in text
    assert "× 0.277778 to m/s" in text
    assert "Gap of 271 s from 2026-08-01T10:00:29+00:00 (A)" in text
    assert "1 lack a value that was set aside (1.613 %) under not_a_number, first row" in text
    assert "'fast' in column 'Speed (km/h)' is not a number." in text


def test_a_settings_log_lists_its_settings(tmp_path):
    (tmp_path / "s.csv").write_text(
        "time,machine,setting,to_value\n2026-08-01T10:00:00Z,A,fan speed,1000\n"
        "2026-08-01T11:00:00Z,A,fan speed,1100\n",
        encoding="utf-8",
    )
    found = inspect(tmp_path / "s.csv", Farm())
    assert found["files"][0]["settings"] == [{"setting": "fan_speed", "kind": "number", "changes": 2}]
    assert "2 adjustments: fan_speed (2)" in shown(found)


def test_markup_in_a_file_is_shown_as_it_stands(tmp_path):
    (tmp_path / "log.csv").write_text(
        "time,machine,speed_m_s,[red]x[/red]\n2026-08-01T10:00:00Z,[bold]A[/bold],1,y\n", encoding="utf-8"
    )
    text = shown(inspect(tmp_path / "log.csv", Farm()))
    assert "[bold]A[/bold]" in text
    assert "[red]x[/red]" in text


def test_an_unreadable_file_and_each_member_of_an_archive(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("log.csv", LOG)
        archive.writestr("photo.bin", bytes(range(256)) * 40)
    files = inspect(tmp_path / "a.zip", Farm())["files"]
    assert [(f["name"], f["kind"]) for f in files] == [
        ("a.zip/log.csv", "harvest log"),
        ("a.zip/photo.bin", "unknown"),
    ]
    assert files[1]["reason"] == (
        "The file is neither text nor task data nor Parquet; export the log as CSV."
    )
    assert files[1]["reason"] in shown({"files": files})


def test_nothing_there_is_a_wrong_call(tmp_path):
    with pytest.raises(CallError, match="is neither a file nor a folder"):
        inspect(tmp_path / "none.csv", Farm())


def test_a_jump_that_no_actuator_makes_is_noted(tmp_path):
    """A fan is seldom moved by more than 600 rpm at once: common practice, no source."""
    rows = "".join(f"2026-08-01T10:{m:02d}:00Z,A,fan speed,{300 if m % 2 else 1500}\n" for m in range(8))
    (tmp_path / "settings.csv").write_text(f"time,machine,setting,to_value\n{rows}", encoding="utf-8")
    (file,) = inspect(tmp_path / "settings.csv", Farm())["files"]
    jumps = [note for note in file["notes"] if "seldom changes more than 600 rpm" in note]
    assert jumps[0].startswith("Fan speed logged from 1500 to 300 rpm at 2026-08-01 10:01 UTC")
    assert (len(jumps), file["notes"][-1]) == (5, "2 more such jumps.")
    assert file["attention"] == []


def test_delays_width_and_screening_of_a_long_log_are_shown(tmp_path):
    """The log of a made-up machine whose grain flow comes 10 to 14 s + 2 to 4 s behind the header."""
    from dataclasses import replace

    from chaffinch.pipelines.simulate import SCENARIOS, simulate_season

    made = simulate_season(replace(SCENARIOS["plain"], fields=1, machines=1, hours=1.0, adjustments=1), 9)
    field = made.machine_field(0)
    field.readings.write_parquet(tmp_path / "log.parquet")
    (file,) = json.loads(json.dumps(inspect(tmp_path / "log.parquet", Farm())))["files"]
    (work,) = file["work"]
    true = field.machine.instruments.grain_delay_s + field.machine.instruments.grain_smear_s
    (grain,) = [s for s in work["sentences"] if s.startswith("Grain flow: ")]
    assert float(grain.split()[2]) == pytest.approx(true, abs=1.0)
    assert 3 < sum(work["left_out_pct"].values()) < 30
    assert f"{work['machine']} in {work['field']}: Grain flow" in shown({"files": [file]})


def test_a_short_log_claims_no_delays(tmp_path):
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    assert inspect(tmp_path / "log.csv", Farm())["files"][0]["work"] == []
