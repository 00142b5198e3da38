"""Write frames to a .csv, .parquet or .xlsx file, some of them in memory at a time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import polars as pl
from chaffinch.pipelines.atomic_write import whole_file
from chaffinch.pipelines.errors import CallError

ENDINGS = (".csv", ".parquet", ".xlsx")
# Rows of a sheet, less the header, and characters of a cell (ECMA-376 part 1).
MOST_SHEET_ROWS, MOST_CHARACTERS = 1_048_575, 32_767
# Sheets count days from here.
_FIRST_YEAR = 1900
_NUMBER_WIDTH, _TEXT_WIDTH = 12, 22
# No text becomes a formula or a link.
SAFE_WORKBOOK = {
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
    "nan_inf_to_errors": True,
    "remove_timezone": True,
}


def require_ending(to: Path, endings: tuple[str, ...] = ENDINGS) -> None:
    """Raises ``CallError`` unless ``to`` has one of ``endings`` and lies in a folder that is there."""
    if to.suffix.lower() not in endings:
        *others, last = endings
        raise CallError(f"{to} must end in {', '.join(others)}{' or ' if others else ''}{last}.")
    if not to.parent.is_dir():
        raise CallError(f"There is no folder {to.parent}; make it first.")


def write_frames(empty: pl.DataFrame, frames: Iterable[pl.DataFrame], to: Path, title: str) -> int:
    """Write ``frames`` with the columns of ``empty`` to ``to`` by its ending, and give the number of rows.

    The file appears whole or not at all. Moments are UTC. In .csv and .xlsx lists are joined by "; ". ``title``:
    of the sheet. Raises ``CallError`` for another ending, a file that can't be written, or more rows than a
    sheet holds.
    """
    require_ending(to)
    write = {".csv": _write_csv, ".parquet": _write_parquet, ".xlsx": _write_xlsx}[to.suffix.lower()]
    try:
        with whole_file(to) as part:
            return write(empty, frames, part, title)
    except OSError as error:
        raise CallError(f"{to} can't be written: {error.strerror or error}.") from None


def flat(frame: pl.DataFrame) -> pl.DataFrame:
    """``frame`` as it stands in text: lists joined by "; ", moments in ISO 8601 with Z."""
    return frame.with_columns(
        pl.col(pl.List(pl.String)).list.join("; "),
        pl.col(pl.Datetime("us", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ").str.replace(r"\.?0+Z$", "Z"),
    )


def _write_csv(empty: pl.DataFrame, frames: Iterable[pl.DataFrame], to: Path, title: str) -> int:
    rows = 0
    with to.open("wb") as stream:
        flat(empty).write_csv(stream)
        for frame in frames:
            rows += frame.height
            flat(frame).write_csv(stream, include_header=False)
    return rows


def _write_parquet(empty: pl.DataFrame, frames: Iterable[pl.DataFrame], to: Path, title: str) -> int:
    import pyarrow.parquet as pq

    rows = 0
    schema = empty.to_arrow().schema
    with pq.ParquetWriter(to, schema, compression="zstd") as writer:
        for frame in frames:
            rows += frame.height
            writer.write_table(frame.to_arrow().cast(schema))
    return rows


def _write_xlsx(empty: pl.DataFrame, frames: Iterable[pl.DataFrame], to: Path, title: str) -> int:
    """One sheet with typed cells, a frozen header and a filter; no text becomes a formula or a link."""
    import xlsxwriter

    rows = 0
    with xlsxwriter.Workbook(str(to), SAFE_WORKBOOK | {"constant_memory": True}) as book:
        bold = book.add_format({"bold": True, "bottom": 1})
        formats = {
            "moment": book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}),
            "day": book.add_format({"num_format": "yyyy-mm-dd"}),
        }
        sheet = book.add_worksheet(title)
        sheet.freeze_panes(1, 0)
        for i, (name, kind) in enumerate(empty.schema.items()):
            sheet.set_column(i, i, _NUMBER_WIDTH if kind.is_numeric() else _TEXT_WIDTH)
            is_moment = isinstance(kind, pl.Datetime) and kind.time_zone is not None
            sheet.write_string(0, i, f"{name} (UTC)" if is_moment else name, bold)
        for frame in frames:
            if rows + frame.height > MOST_SHEET_ROWS:
                raise CallError(
                    f"'{title}' has more than the {MOST_SHEET_ROWS} rows of a sheet; take .csv or .parquet."
                )
            for values in frame.iter_rows():
                rows += 1
                for i, value in enumerate(values):
                    if value is not None:
                        write_cell(sheet, rows, i, value, formats)
        sheet.autofilter(0, 0, rows, max(empty.width - 1, 0))
    return rows


def write_cell(sheet: Any, row: int, column: int, value: Any, formats: Mapping[str, Any]) -> None:
    """Write a typed cell. formats : of the workbook, by moment, day, number (not whole), text."""
    if isinstance(value, bool):
        sheet.write_boolean(row, column, value)
    elif isinstance(value, (int, float)):
        sheet.write_number(row, column, value, formats.get("number") if isinstance(value, float) else None)
    elif isinstance(value, date) and value.year >= _FIRST_YEAR:
        sheet.write_datetime(row, column, value, formats["moment" if isinstance(value, datetime) else "day"])
    else:
        text = value.isoformat() if isinstance(value, (date, time)) else str(value)
        text = "; ".join(value) if isinstance(value, list) else text
        sheet.write_string(row, column, text[:MOST_CHARACTERS], formats.get("text"))
