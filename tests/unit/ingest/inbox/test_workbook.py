"""Workbooks of several sheets, as people keep their logs and notebooks."""

from __future__ import annotations

import datetime as dt
import random
import time
import zipfile
from pathlib import Path

import pytest
import xlsxwriter
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.discover import single_file

FARM = Farm(time_zone="UTC")


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A sheet of remarks, a log with real times, a notebook with a date and a time column."""
    path = tmp_path / "July.xlsx"
    with xlsxwriter.Workbook(str(path)) as made:
        day, clock = made.add_format({"num_format": "dd.mm.yyyy"}), made.add_format({"num_format": "hh:mm"})
        moment = made.add_format({"num_format": "dd.mm.yyyy hh:mm:ss"})
        log = made.add_worksheet("Log")
        log.write_row(1, 0, ["Datum Zeit", "Geschwindigkeit (km/h)", "Kornfeuchte (%)"])
        for row in range(60):
            log.write_datetime(row + 2, 0, dt.datetime(2026, 7, 20, 8, 0, row), moment)
            log.write_row(row + 2, 1, [5.4, 14.2])
        notes = made.add_worksheet("Einstellungen")
        notes.write_row(0, 0, ["Datum", "Uhrzeit", "Was geändert"])
        for row, (minute, text) in enumerate(((0, "Gebläse auf 950"), (30, "Gebläse 50 höher; Korb 14")), 1):
            notes.write_datetime(row, 0, dt.datetime(2026, 7, 20), day)
            notes.write_datetime(row, 1, dt.datetime(1899, 12, 31, 8, minute), clock)
            notes.write_string(row, 2, text)
        made.add_worksheet("leer")
    return path


def test_each_sheet_is_a_file(book: Path) -> None:
    log, notes = single_file(book)
    assert (log.name, notes.name) == ("July.xlsx/Log", "July.xlsx/Einstellungen")
    readings = read(log, FARM, []).readings
    assert readings is not None and len(readings) == 60
    assert readings["row"].to_list() == list(range(3, 63)), "rows are those of the sheet"
    assert readings["time"][0] == dt.datetime(2026, 7, 20, 8, tzinfo=dt.UTC)
    assert readings["speed_m_s"].to_list() == pytest.approx([1.5] * 60)
    changes = read(notes, FARM, []).adjustments
    assert changes is not None
    assert changes.select("time", "setting", "from_value", "to_value").rows() == [
        (dt.datetime(2026, 7, 20, 8, tzinfo=dt.UTC), "fan_speed", None, "950"),
        (dt.datetime(2026, 7, 20, 8, 30, tzinfo=dt.UTC), "fan_speed", "950", "1000"),
        (dt.datetime(2026, 7, 20, 8, 30, tzinfo=dt.UTC), "concave_clearance", None, "14"),
    ]


@pytest.mark.parametrize(("at", "tabs"), [(900, 900), (16_000, 2)])
def test_empty_columns_of_a_very_wide_sheet_are_left_out(tmp_path: Path, at: int, tabs: int) -> None:
    path = tmp_path / "wide.xlsx"
    with xlsxwriter.Workbook(str(path)) as made:
        sheet = made.add_worksheet("Log")
        sheet.write_row(0, 0, ["time", "speed"])
        sheet.write_row(2, 0, ["08:00", 1.5])
        sheet.write(1, at, "far")
    (file,) = single_file(path)
    lines = file.read_bytes().decode().split("\n")
    assert [line.split("\t")[:2] for line in lines] == [["time", "speed"], ["", ""], ["08:00", "1.5"]]
    assert lines[1] == "\t" * tabs + "far"


def test_a_damaged_workbook_is_refused_with_a_sentence(book: Path, tmp_path: Path) -> None:
    spoilt = tmp_path / "spoilt.xlsx"
    with zipfile.ZipFile(book) as whole, zipfile.ZipFile(spoilt, "w") as cut:
        for name in whole.namelist():
            content = whole.read(name)
            cut.writestr(name, content[: len(content) // 2] if "sheet1" in name else content)
    (refused,) = single_file(spoilt)
    assert refused.refusal is not None and refused.refusal.startswith("The workbook is damaged or locked")


def test_a_workbook_without_a_cell_is_refused(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(str(tmp_path / "empty.xlsx")) as made:
        made.add_worksheet("one")
    (refused,) = single_file(tmp_path / "empty.xlsx")
    assert refused.refusal == "The workbook holds no cells."


def test_millions_of_equal_cells_are_counted_before_they_are_read(book: Path, tmp_path: Path) -> None:
    """190 MB of equal cells in a workbook below 1 MB took twenty seconds; bytes beside them hide the ratio."""
    filled = tmp_path / "filled.xlsx"
    row = b"<row>" + b"<c><v>1</v></c>" * 14 + b"</row>"
    with zipfile.ZipFile(book) as source, zipfile.ZipFile(filled, "w", zipfile.ZIP_DEFLATED) as target:
        sheets = [name for name in source.namelist() if name.startswith("xl/worksheets/")]
        for name in source.namelist():
            content = source.read(name)
            if name == sheets[0]:
                head = content[: content.index(b"<sheetData>") + len(b"<sheetData>")]
                content = head + row * 150_000 + b"</sheetData></worksheet>"
            target.writestr(name, content)
        target.writestr("xl/media/noise.bin", random.Random(1).randbytes(200_000))
    begin = time.process_time()
    (found,) = single_file(filled)
    assert found.refusal is not None and "filled with equal cells" in found.refusal
    assert time.process_time() - begin < 2
