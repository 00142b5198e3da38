"""Write a table of the lake to .csv, .parquet or .xlsx, one delivery in memory at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chaffinch.pipelines.atomic_write import whole_file
from chaffinch.pipelines.errors import CallError, did_you_mean
from chaffinch.pipelines.lake.delivery import DATA_TABLES
from chaffinch.pipelines.work.exported import WORK, work_pieces
from chaffinch.schemas.tables import Table, tables

if TYPE_CHECKING:
    import polars as pl
    from chaffinch.pipelines.lake.store import Lake

ENDINGS = (".csv", ".parquet", ".xlsx")
# Rows of a sheet, less the header (ECMA-376 part 1; the limit of the format's row numbers).
MOST_SHEET_ROWS = 1_048_575
_NUMBER_WIDTH, _TEXT_WIDTH = 12, 22


def check_table(name: str) -> None:
    """Raises ``CallError`` with the tables there are where ``name`` is none of them."""
    known = [*tables(), WORK.name]
    if name not in known:
        raise CallError(
            f"There is no table '{name}'{did_you_mean(name, known)}. Tables are {', '.join(known)}."
        )


def _declared(name: str) -> Table:
    return WORK if name == WORK.name else tables()[name]


def export_table(lake: Lake, name: str, to: Path) -> int:
    """Write table ``name`` to ``to`` by its ending, and give the number of rows.

    The file appears whole or not at all. Times are UTC. In .csv and .xlsx lists are joined by "; ".
    Raises ``CallError`` for a name that is no table, another ending, or more rows than a sheet holds.
    """
    check_table(name)
    writers = {".csv": _write_csv, ".parquet": _write_parquet, ".xlsx": _write_xlsx}
    if to.suffix.lower() not in writers:
        raise CallError(f"{to} must end in {', '.join(ENDINGS[:-1])} or {ENDINGS[-1]}.")
    try:
        with whole_file(to) as part:
            return writers[to.suffix.lower()](lake, name, part)
    except OSError as error:
        raise CallError(f"{to} can't be written: {error.strerror or error}.") from None


def _pieces(lake: Lake, name: str) -> Iterator[pl.DataFrame]:
    """The table in stable order: by name of the file, then by its key."""
    import polars as pl

    if name == WORK.name:
        yield from work_pieces(lake)
        return
    key = list(tables()[name].key)
    if name not in DATA_TABLES:
        yield lake.scan(name).collect().sort(key, nulls_last=True)
        return
    stored = lake.stored_deliveries(name)
    for delivery in lake.ledger()["delivery"].to_list():
        if delivery in stored:
            yield lake.scan(name).filter(pl.col("delivery") == delivery).collect().sort(key)


def _flat(frame: pl.DataFrame) -> pl.DataFrame:
    """Lists as texts, moments as ISO 8601 with Z."""
    import polars as pl

    return frame.with_columns(
        pl.col(pl.List(pl.String)).list.join("; "),
        pl.col(pl.Datetime("us", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ").str.replace(r"\.?0+Z$", "Z"),
    )


def _write_csv(lake: Lake, name: str, to: Path) -> int:
    rows = 0
    with to.open("wb") as stream:
        _flat(_declared(name).empty()).write_csv(stream)
        for piece in _pieces(lake, name):
            rows += piece.height
            _flat(piece).write_csv(stream, include_header=False)
    return rows


def _write_parquet(lake: Lake, name: str, to: Path) -> int:
    import pyarrow.parquet as pq

    rows = 0
    schema = _declared(name).empty().to_arrow().schema
    with pq.ParquetWriter(to, schema, compression="zstd") as writer:
        for piece in _pieces(lake, name):
            rows += piece.height
            writer.write_table(piece.to_arrow().cast(schema))
    return rows


def _write_xlsx(lake: Lake, name: str, to: Path) -> int:
    """One sheet with typed cells, a frozen header and a filter; no text becomes a formula or a link."""
    import xlsxwriter

    options = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": True,
        "remove_timezone": True,
    }
    columns = _declared(name).columns
    rows = 0
    with xlsxwriter.Workbook(str(to), options) as book:
        bold = book.add_format({"bold": True, "bottom": 1})
        moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        sheet = book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        for i, column in enumerate(columns):
            numeric = column.kind in ("number", "whole", "flag")
            sheet.set_column(i, i, _NUMBER_WIDTH if numeric else _TEXT_WIDTH)
            header = f"{column.name} (UTC)" if column.kind == "moment" else column.name
            sheet.write_string(0, i, header, bold)
        for piece in _pieces(lake, name):
            _check_sheet(name, rows + piece.height)
            for values in piece.iter_rows():
                rows += 1
                for i, value in enumerate(values):
                    if value is not None:
                        _write_cell(sheet, rows, i, value, columns[i].kind, moment)
        sheet.autofilter(0, 0, rows, len(columns) - 1)
    return rows


def _check_sheet(name: str, rows: int) -> None:
    if rows > MOST_SHEET_ROWS:
        raise CallError(
            f"Table {name} has more than the {MOST_SHEET_ROWS} rows of a sheet; take .csv or .parquet."
        )


def _write_cell(sheet: Any, row: int, column: int, value: Any, kind: str, moment: Any) -> None:
    if kind == "moment":
        sheet.write_datetime(row, column, value, moment)
    elif kind in ("number", "whole", "flag"):
        sheet.write_number(row, column, value)
    else:
        # A cell holds at most 32,767 characters.
        text = "; ".join(value) if kind == "texts" else value
        sheet.write_string(row, column, text[:32_767])
