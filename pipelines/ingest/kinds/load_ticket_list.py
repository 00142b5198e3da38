"""Scale tickets: one row per load that was weighed, with when and by which machine it was cut."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.ingest.text.headers import Matched
from chaffinch.pipelines.ingest.text.measurements import numbers_or_unread
from chaffinch.pipelines.ingest.text.table_reader import (
    TableReader,
    read_crops,
    read_machines,
    read_names,
    read_timestamps,
)
from chaffinch.pipelines.parsed import Parsed

# A trailer load below this is none: common practice, no source.
LEAST_LOAD_KG = 200.0
_READ = ("date", "machine", "field", "crop", "ticket", "load_mass_kg", "grain_moisture_pct")


def read_load_tickets(reader: TableReader) -> Parsed:
    """Read the table as scale tickets. Raises ``UnreadableFile``.

    A ticket needs from when to when its load was cut (``from``, ``to``) and its net mass as weighed.
    """
    table = reader.table
    machines = read_machines(reader)
    start = _time_column(reader, ("start_time", "from_value"), "from", "began to cut")
    end = _time_column(reader, ("end_time", "to_value"), "to", "ended cutting")
    day = table.find("word", "date")
    dates = table.texts(day) if day is not None else None
    columns = {
        "row": table.lines.cast(pl.Int64),
        "machine": machines,
        "field": read_names(reader, "field"),
        "crop": read_crops(reader, machines),
        "ticket": read_names(reader, "ticket"),
        "time": read_timestamps(reader, machines, start, dates),
        "end_time": read_timestamps(reader, machines, end, dates),
    }
    mass = table.find("word", "load_mass_kg")
    for name, column in (("mass_kg", mass), ("moisture_pct", table.find("channel", "grain_moisture_pct"))):
        values = numbers_or_unread(reader, column) if column is not None else None
        columns[name] = reader.nulls(pl.Float64) if values is None else values
    _doubt_mass_without_unit(reader, mass, columns["mass_kg"])
    reader.set_aside(
        columns["mass_kg"].is_null(), "no_mass", "mass_kg", reader.nulls(), "The scale ticket states no mass."
    )
    _reject_empty_spans(reader, columns["time"], columns["end_time"])
    unmatched = reader.unmatched((*_READ, start.target, end.target))
    if unmatched:
        columns["other"] = reader.as_json(unmatched)
    return reader.parsed("load tickets", unmatched, load_tickets=reader.kept(columns))


def _time_column(reader: TableReader, words: tuple[str, ...], name: str, what: str) -> Matched:
    found = [column for word in words if (column := reader.table.find("word", word)) is not None]
    if not found:
        raise UnreadableFile(
            reader.table.file,
            f"It lists loads, and no column '{name}' says when the machine {what} each of them; "
            "add it, so that loads can be compared with the log.",
        )
    return found[0]


def _doubt_mass_without_unit(reader: TableReader, column: Matched | None, mass_kg: pl.Series) -> None:
    middle = mass_kg.median()
    if column is None or column.unit is not None or not isinstance(middle, float) or middle >= LEAST_LOAD_KG:
        return
    reader.alert(
        f"Column '{column.header}' names no unit and was read as kg, which makes loads of {middle:g} kg; "
        f"write the unit in its header, such as {column.header} (t)."
    )


def _reject_empty_spans(reader: TableReader, start: pl.Series, end: pl.Series) -> None:
    form = "%Y-%m-%d %H:%M:%S"
    shown = start.dt.to_string(form) + " to " + end.dt.to_string(form) + " UTC"
    backwards = (end <= start).fill_null(False)
    sentence = "The load ends before it begins, or when it begins: {}."
    reader.set_aside(backwards, "ends_before_start", "end_time", shown, sentence)
