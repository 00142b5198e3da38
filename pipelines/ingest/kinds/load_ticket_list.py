"""Scale tickets: one row per load that was weighed, with when and by which machine it was cut."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.ingest.text.headers import Matched
from chaffinch.pipelines.ingest.text.measurements import read_numbers
from chaffinch.pipelines.ingest.text.rejected_rows import malformed_rows
from chaffinch.pipelines.ingest.text.table_reader import (
    TableReader,
    read_crops,
    read_machines,
    read_names,
    read_timestamps,
)
from chaffinch.pipelines.parsed import Parsed, combined_set_aside
from chaffinch.pipelines.units import UnitError

# A trailer load below this is none: common practice, no source.
LEAST_LOAD_KG = 200.0
_READ = ("date", "machine", "field", "crop", "ticket", "load_mass_kg", "grain_moisture_pct")
_SPAN = {"time": ("start_time", "from_value"), "end_time": ("end_time", "to_value")}


def read_load_tickets(reader: TableReader) -> Parsed:
    """Read the table of ``reading`` as scale tickets. Raises ``UnreadableFile``.

    A ticket needs from when to when its load was cut (``from``, ``to``) and its net mass, as it was weighed.
    """
    table = reader.table
    machines = read_machines(reader)
    columns: dict[str, pl.Series] = {
        "row": table.lines.cast(pl.Int64),
        "machine": machines,
        "field": read_names(reader, "field"),
        "crop": read_crops(reader, machines),
        "ticket": read_names(reader, "ticket"),
    }
    spans = {name: _span_column(reader, name) for name in _SPAN}
    day = table.find("word", "date")
    dates = table.texts(day) if day is not None else None
    columns |= {name: read_timestamps(reader, machines, column, dates) for name, column in spans.items()}
    unread = _measures(reader, columns, [*spans.values()])
    _reject_empty_spans(reader, columns)
    names = tuple(table.headers[m.position] for m in unread)
    if names:
        columns["other"] = table.rows.select(pl.struct(names).struct.json_encode()).to_series()
    aside = combined_set_aside([malformed_rows(table), *reader.aside])
    frame = pl.DataFrame({name: values.alias(name) for name, values in columns.items()})
    return Parsed(
        kind="load tickets",
        load_tickets=frame.filter(~pl.col("row").is_in(aside["row"].implode())),
        set_aside=aside,
        rows_read=table.rows_read,
        unmatched_columns=names,
        notes=tuple(dict.fromkeys(reader.notes)),
        attention=tuple(dict.fromkeys(reader.attention)),
    )


def _span_column(reader: TableReader, name: str) -> Matched:
    found = [m for word in _SPAN[name] if (m := reader.table.find("word", word)) is not None]
    if not found:
        missing = "from" if name == "time" else "to"
        raise UnreadableFile(
            reader.table.file,
            f"It lists loads, and no column '{missing}' says when the machine {_WHEN[missing]} each of them; "
            "add it, so that the load can be laid beside the log.",
        )
    return found[0]


_WHEN = {"from": "began to cut", "to": "ended cutting"}


def _measures(reader: TableReader, columns: dict[str, pl.Series], spans: list[Matched]) -> list[Matched]:
    """Add mass [kg] and moisture [%] to ``columns``; give the columns that were not read."""
    unread: list[Matched] = []
    height = reader.table.rows.height
    for target, name in (("load_mass_kg", "mass_kg"), ("grain_moisture_pct", "moisture_pct")):
        columns[name] = pl.repeat(None, height, dtype=pl.Float64, eager=True)
        for column in reader.table.matched:
            if column.target != target:
                continue
            try:
                columns[name] = read_numbers(reader, column)
            except UnitError as error:
                reader.keep_unread(column, error)
                unread.append(column)
    _doubt_mass_without_unit(reader, columns["mass_kg"])
    reader.set_aside(
        columns["mass_kg"].is_null(), "no_mass", "mass_kg", pl.repeat("", height, eager=True),
        "The scale ticket states no mass.",
    )  # fmt: skip
    for column in reader.table.matched:
        if column.target not in _READ and column not in spans:
            unread.append(column)
    return unread


def _doubt_mass_without_unit(reader: TableReader, mass_kg: pl.Series) -> None:
    column = reader.table.find("word", "load_mass_kg")
    middle = mass_kg.median()
    if column is None or column.unit is not None or not isinstance(middle, float) or middle >= LEAST_LOAD_KG:
        return
    reader.alert(
        f"Column '{column.header}' names no unit and was taken as kg, which makes loads of {middle:g} kg; "
        f"write the unit in its header, such as {column.header} (t)."
    )


def _reject_empty_spans(reader: TableReader, columns: dict[str, pl.Series]) -> None:
    shown = columns["time"].dt.to_string("%Y-%m-%d %H:%M:%S")
    shown = shown + " to " + columns["end_time"].dt.to_string("%Y-%m-%d %H:%M:%S") + " UTC"
    backwards = (columns["end_time"] <= columns["time"]).fill_null(False)
    reader.set_aside(
        backwards, "ends_before_start", "end_time", shown.fill_null(""),
        "The load ends before it begins, or when it begins: {}.",
    )  # fmt: skip
