"""The command query: SQL over a lake."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from chaffinch.pipelines.command_line.app import app
from chaffinch.pipelines.command_line.output import Debug, Json, give
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.terminal import json_text, visible

if TYPE_CHECKING:
    import polars as pl

# What a terminal shows of an answer.
MOST_ROWS, WIDEST_COLUMN = 40, 40


@app.command(
    epilog='Example: chaffinch query "SELECT machine, count(*) FROM adjustments GROUP BY machine" --lake lake'
)
def query(
    sql: Annotated[
        str | None, typer.Argument(metavar="SQL", help="One query that reads: SELECT, WITH, DESCRIBE, ...")
    ] = None,
    lake: Annotated[
        str | None, typer.Option("--lake", metavar="LAKE", help="Folder (or object store URI) of the lake.")
    ] = None,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE", help="Ends in .csv, .parquet or .xlsx.")
    ] = None,
    listed: Annotated[
        bool, typer.Option("--list", help="Show tables, views and columns, with meaning and unit.")
    ] = False,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Query the tables of a lake and the views of Chaffinch in SQL (DuckDB's). Nothing is changed.

    Prints a table on a terminal and CSV in a pipe. Times are UTC.
    """
    if listed:
        return _list(as_json)
    if sql is None or lake is None:
        raise CallError("Give a query and --lake LAKE; --list shows the tables and views.")
    from chaffinch.pipelines.lake.queries import open_lake
    from chaffinch.pipelines.lake.table_files import flat, require_ending, write_frames

    if to is not None:
        require_ending(to)
    with open_lake(lake) as opened:
        empty, frames = opened.stream(sql)
        if to is not None:
            rows = write_frames(empty, frames, to, "query")
            give([f"{rows} rows: {to}"], {"rows": rows, "columns": empty.columns, "to": str(to)}, as_json)
        elif as_json:
            found = [_json_row(row) for frame in frames for row in _iso(frame).iter_rows(named=True)]
            give([], {"columns": empty.columns, "rows": found}, True)
        elif sys.stdout.isatty():
            _print_table(empty, frames)
        else:
            sys.stdout.write(flat(empty).write_csv())
            for frame in frames:
                sys.stdout.write(flat(frame).write_csv(include_header=False))
    return 0


def _list(as_json: bool) -> int:
    """Every table and view: what one row is, and each column with its type, unit and meaning."""
    from chaffinch.pipelines.lake.queries import relations

    found = relations()
    if as_json:
        print(json_text({"tables": found}))
        return 0
    for relation in found:
        print(f"{relation['name']} ({relation['kind']}): {relation['one_row']}")
        for column in relation["columns"]:
            unit = f" [{column['unit']}]" if column["unit"] else ""
            print(f"  {column['name']}{unit}, {column['type']}: {column['meaning']}")
        print()
    return 0


def _iso(frame: pl.DataFrame) -> pl.DataFrame:
    """Moments as text in ISO 8601."""
    import polars as pl
    from chaffinch.pipelines.lake.table_files import flat

    moments = flat(frame.select(pl.col(pl.Datetime("us", "UTC"))))
    return frame.with_columns(moments.get_columns())


def _json_row(row: dict[str, Any]) -> dict[str, Any]:
    """JSON has no NaN and no infinity; they become null."""
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in row.items()}


def _print_table(empty: pl.DataFrame, frames: Iterable[pl.DataFrame]) -> None:
    """The first rows and as many columns as the terminal is wide; what is left out is said below."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    shown, rows = empty, 0
    for frame in frames:
        rows += frame.height
        shown = shown.vstack(frame.head(MOST_ROWS - shown.height))
    numeric = [kind.is_numeric() for kind in empty.schema.values()]
    cells = [[visible(name) for name in empty.columns]]
    cells += [[_cell(value) for value in row] for row in _iso(shown).iter_rows()]
    widths = [min(max(map(len, column)), WIDEST_COLUMN) for column in zip(*cells, strict=True)]
    console = Console()
    fitting = _fitting(widths, console.width)
    table = Table()
    for k in range(fitting):
        table.add_column(
            Text(cells[0][k]), justify="right" if numeric[k] else "left", no_wrap=True, max_width=widths[k]
        )
    for row in cells[1:]:
        table.add_row(*(Text(value) for value in row[:fitting]))
    console.print(table)
    more = [f"{rows - shown.height:,} more rows"] if rows > shown.height else []
    more += [f"{len(widths) - fitting} more columns"] if len(widths) > fitting else []
    console.print(Text(f"and {' and '.join(more)}: use --to FILE" if more else f"{rows} rows"))


def _fitting(widths: Sequence[int], width: int) -> int:
    """How many columns of these widths, with their borders, fit into ``width``; at least one."""
    used, fitting = 1, 0
    for one in widths:
        used += one + 3
        if used > width:
            break
        fitting += 1
    return max(fitting, 1)


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list):
        return visible("; ".join(value))
    return visible(str(value))
