"""The result of ``inspect`` for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.terminal import visible

if TYPE_CHECKING:
    from rich.console import RenderableType


def inspection_report(found: dict[str, Any]) -> RenderableType:
    """``found`` (of ``inspect``) for a terminal."""
    from rich.console import Group

    return Group(*(part for file in found["files"] for part in _render_file(file)))


def _render_file(file: dict[str, Any]) -> list[RenderableType]:
    from rich.text import Text

    title = Text.assemble((visible(file["name"]), "bold"), f"  {file['kind']}, {file['size_bytes']:,} bytes")
    if "reason" in file:
        return [title, Text(visible(f"  {file['reason']}"), style="red"), Text("")]
    lines: list[RenderableType] = [title]
    if "encoding" in file:
        lines.append(
            Text(f"  {file['encoding']}, separator {file['separator']}, header in line {file['header_line']}")
        )
    if "columns" in file:
        lines.append(_columns_table(file["columns"]))
    lines.extend(Text(visible(f"  {line}")) for line in _lines(file))
    lines.extend(Text(visible(f"  To do: {sentence}"), style="yellow") for sentence in file["attention"])
    rest = [note for note in file["notes"] if note not in file["attention"]]
    lines.extend(Text(visible(f"  Note: {note}"), style="dim") for note in rest)
    return [*lines, Text("")]


def _lines(file: dict[str, Any]) -> list[str]:
    """The summary in plain lines."""
    lines = [f"{file['rows_read']:,} rows, {file['rows_kept']:,} would be kept"]
    lines += [
        f"{entry['rows']:,} {'lack a value that was ' if entry['row_kept'] else ''}set aside "
        f"({entry['share_pct']:g} %) under {entry['rule']}, "
        f"first row {entry['first_row']}: {entry['example']}"
        for entry in file["set_aside"]
    ]
    if file["first_time"]:
        lines.append(f"From {file['first_time']} to {file['last_time']}")
    if file.get("interval_s"):
        lines.append(f"One reading each {file['interval_s']:g} s, {file['gaps']} gaps")
        lines += [
            f"Gap of {g['seconds']:,.0f} s from {g['from']} ({g['machine']})" for g in file["longest_gaps"]
        ]
    for plural in ("machines", "fields", "crops"):
        if file[plural]:
            lines.append(f"{plural.capitalize()}: {', '.join(file[plural])}")
    if file["adjustments"]:
        listed = ", ".join(f"{s['setting']} ({s['changes']})" for s in file["settings"])
        lines.append(f"{counted(file['adjustments'], 'adjustment')}: {listed}")
    for one in file["work"]:
        where = " in ".join(name for name in (one["machine"], one["field"]) if name)
        lines += [f"{where}: {sentence}" for sentence in one["sentences"]]
    return lines


def _columns_table(columns: list[dict[str, Any]]) -> RenderableType:
    from rich.table import Table
    from rich.text import Text

    table = Table("column", "is", "unit", "conversion", "sample", box=None, pad_edge=True, padding=(0, 1))
    for column in columns:
        table.add_row(
            *(Text(visible(cell)) for cell in (
                column["header"], column["is"] or "(kept as it is)", column["unit"] or "",
                _conversion(column), (column["sample"] or "")[:24],
            ))
        )  # fmt: skip
    return table


def _conversion(column: dict[str, Any]) -> str:
    if "why" in column:
        return column["why"]
    if column["kind"] not in ("channel", "setting") or not column["to_unit"] or column["unit"] is None:
        return ""
    if column["factor"] is None:
        return f"to {column['to_unit']}"
    return "" if column["factor"] == 1.0 else f"× {column['factor']:.6g} to {column['to_unit']}"
