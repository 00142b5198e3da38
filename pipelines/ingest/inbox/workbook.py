"""Workbooks (``.xlsx``): each sheet with cells is one file, read as the table of texts that it would be as CSV.

Formulas count by the value that was saved with them; colours, comments and hidden rows say nothing here.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path

WORKBOOK = "xl/workbook.xml"
# Unpacked; a sheet full of text stays below.
MOST_BYTES = 256 << 20
MOST_CELLS = 20_000_000
# Of a sheet of this size cells are counted before they are read, which takes a hundred times as long. Sheets of logs
# hold about one cell a byte on disk; millions of equal cells hold ten.
COUNTED_BYTES = 16 << 20
MOST_CELLS_PER_BYTE = 3
# No log has so many columns.
WIDE = 1000
_CHUNK = 1 << 20
_CELLS = (b"<c ", b"<c>", b"<c/")


class UnreadableWorkbook(ValueError):
    """Why a workbook can't be read: a sentence."""


def is_workbook(infos: Sequence[zipfile.ZipInfo]) -> bool:
    """Whether the members of a zip are those of a workbook."""
    return any(info.filename == WORKBOOK for info in infos)


def filled_sheets(
    path: Path, infos: Sequence[zipfile.ZipInfo], only: str | None = None
) -> list[tuple[str, bytes]]:
    """Name and content of each sheet that holds anything: UTF-8, tabs between cells, one line a row.

    only : the one sheet to read. Raises ``UnreadableWorkbook``.
    """
    import python_calamine

    if sum(info.file_size for info in infos) > MOST_BYTES:
        raise UnreadableWorkbook("The workbook unpacks to more than 256 MiB; export its sheets as CSV.")
    _require_varied(path, infos)
    try:
        book = python_calamine.CalamineWorkbook.from_path(str(path))
        names = book.sheet_names if only is None else [only]
        found = [(name, _content(book.get_sheet_by_name(name))) for name in names]
    except UnreadableWorkbook:
        raise
    except (KeyboardInterrupt, MemoryError, SystemExit):
        raise
    # A panic of the reader does not raise an Exception.
    except BaseException as error:
        raise UnreadableWorkbook(
            f"The workbook is damaged or locked ({str(error)[:100]}); save it again, or export its sheets as CSV."
        ) from None
    filled = [(name, content) for name, content in found if content.strip()]
    if not filled:
        raise UnreadableWorkbook("The workbook holds no cells.")
    return filled


def _require_varied(path: Path, infos: Sequence[zipfile.ZipInfo]) -> None:
    """Raises ``UnreadableWorkbook`` for a sheet of more cells than its size on disk can say anything with."""
    for info in infos:
        if info.file_size < COUNTED_BYTES or not info.filename.startswith("xl/worksheets/"):
            continue
        most = MOST_CELLS_PER_BYTE * info.compress_size
        if _cells_in(path, info, most) > most:
            raise UnreadableWorkbook(
                "A sheet of the workbook is filled with equal cells, as no log is; delete the rows and columns "
                "behind the data, or export it as CSV."
            )


def _cells_in(path: Path, info: zipfile.ZipInfo, most: int) -> int:
    """Cells of a sheet, counted by their tags until there are more than ``most``; 0 where it can't be unpacked."""
    cells, end = 0, b""
    try:
        with zipfile.ZipFile(path) as archive, archive.open(info) as stream:
            while cells <= most and (chunk := stream.read(_CHUNK)):
                chunk = end + chunk
                cells += sum(chunk.count(tag) for tag in _CELLS)
                end = chunk[-2:]
    except (OSError, ValueError, EOFError, zipfile.BadZipFile, NotImplementedError, zlib.error):
        return 0
    return cells


def _content(sheet: object) -> bytes:
    if sheet.total_height * sheet.total_width > MOST_CELLS:  # type: ignore[attr-defined]
        raise UnreadableWorkbook(
            "A sheet of the workbook has more than 20 million cells; export it as CSV by day."
        )
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter="\t", lineterminator="\n")
    rows = sheet.to_python(skip_empty_area=False)  # type: ignore[attr-defined]
    for row in _without_empty_columns(rows) if sheet.total_width > WIDE else rows:  # type: ignore[attr-defined]
        texts = [cell if cell == "" else _text(cell) for cell in row]
        writer.writerow(texts if any(texts) else [])
    return stream.getvalue().rstrip("\n").encode()


def _without_empty_columns(rows: list[list[object]]) -> list[list[object]]:
    """``rows`` without empty columns: one cell far to the right adds thousands of them."""
    filled = sorted({at for row in rows for at, cell in enumerate(row) if cell != ""})
    return [[row[at] for at in filled] for row in rows]


def _text(cell: object) -> str:
    """A cell as people would write it into a log."""
    if isinstance(cell, bool):
        return str(int(cell))
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, dt.datetime):
        return cell.isoformat(sep=" ")
    if isinstance(cell, dt.timedelta):
        return str(dt.timedelta(seconds=round(cell.total_seconds())))
    if isinstance(cell, (dt.date, dt.time)):
        return cell.isoformat()
    return " ".join(str(cell).split())
