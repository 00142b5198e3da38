"""Sheets written as a workbook: typed cells, frozen headers, filters, no formula or link."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from typing import Any

from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.lake.table_files import MOST_SHEET_ROWS, SAFE_WORKBOOK, write_cell


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet. Cells are texts, numbers, whole numbers, moments (UTC) or None for an empty one."""

    name: str
    columns: tuple[str, ...]
    rows: list[tuple[Any, ...]]


def workbook_of(sheets: Iterable[Sheet], dated: datetime, title: str) -> bytes:
    """The workbook; the same sheets give the same bytes. Raises ``CallError`` for more rows than a sheet has."""
    import xlsxwriter

    content = BytesIO()
    with xlsxwriter.Workbook(content, SAFE_WORKBOOK | {"in_memory": True}) as book:
        book.set_properties({"title": title, "created": dated.replace(tzinfo=None)})
        formats = {
            "head": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
            "moment": book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}),
            "number": book.add_format({"num_format": "0.00"}),
            "text": book.add_format({"text_wrap": True, "valign": "top"}),
        }
        for sheet in sheets:
            _write(book.add_worksheet(sheet.name), sheet, formats)
    return content.getvalue()


def _write(page: Any, sheet: Sheet, formats: dict[str, Any]) -> None:
    if len(sheet.rows) > MOST_SHEET_ROWS:
        raise CallError(
            f"The season has more {sheet.name.lower()} than a sheet has rows; export the table as .csv."
        )
    page.freeze_panes(1, 0)
    page.set_landscape()
    page.repeat_rows(0)
    page.fit_to_pages(1, 0)
    for i, column in enumerate(sheet.columns):
        page.write_string(0, i, column, formats["head"])
        texts = [len(row[i]) for row in sheet.rows[:500] if isinstance(row[i], str)]
        page.set_column(
            i, i, min(max([11, min(len(column), 18), *texts]) + 1, 100 if len(sheet.columns) == 2 else 44)
        )
    for r, row in enumerate(sheet.rows, 1):
        for i, value in enumerate(row):
            if value not in (None, ""):
                write_cell(page, r, i, value, formats)
    page.autofilter(0, 0, max(len(sheet.rows), 1), len(sheet.columns) - 1)
