"""A harvest log: one row per reading, channels and settings in the declared units."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile, counted
from chaffinch.pipelines.ingest.kinds.field_lookup import fields_at
from chaffinch.pipelines.ingest.kinds.setting_changes import adjustments_in
from chaffinch.pipelines.ingest.kinds.setting_values import counts_steps, position_words, read_steps
from chaffinch.pipelines.ingest.text.headers import Matched
from chaffinch.pipelines.ingest.text.measurements import (
    constant_number,
    read_numbers,
    words_instead_of_numbers,
)
from chaffinch.pipelines.ingest.text.rejected_rows import malformed_rows
from chaffinch.pipelines.ingest.text.table_reader import (
    TableReader,
    read_crops,
    read_machines,
    read_names,
    read_times,
)
from chaffinch.pipelines.parsed import Parsed, combined_set_aside
from chaffinch.pipelines.units import UnitError
from chaffinch.schemas.declarations import channels, settings

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

# Where the machine is and when says nothing about what it did: one channel beside these is needed.
_PLACE_CHANNELS = ("latitude", "longitude", "altitude_m", "heading_deg")


def read_harvest_log(reader: TableReader, boundaries: list[tuple[str, BaseGeometry]]) -> Parsed:
    """Read the table of ``reading`` as a harvest log. Raises ``UnreadableFile``."""
    table = reader.table
    machines = read_machines(reader)
    crops = read_crops(reader, machines)
    columns: dict[str, pl.Series] = {
        "row": table.lines.cast(pl.Int64),
        "time": read_times(reader, machines),
        "machine": machines,
        "field": read_names(reader, "field"),
        "crop": crops,
    }
    unread = _read_channels(reader, columns, crops)
    _read_settings(reader, columns, unread)
    _needs_a_channel(reader, columns, unread)
    _add_constants(reader, columns)
    other, unmatched = _other(reader, unread)
    columns["other"] = other
    frame = pl.DataFrame({name: values.alias(name) for name, values in columns.items()})
    frame = _with_speed(reader, frame)
    aside = combined_set_aside([malformed_rows(table), *reader.aside])
    if aside.height:
        frame = frame.filter(~pl.col("row").is_in(aside["row"].implode()))
    frame = fields_at(frame, boundaries, reader.notes)
    adjustments = adjustments_in(frame, "setting column", ("number", "ordered", "either_or"))
    if adjustments is not None:
        found = counted(adjustments.height, "adjustment")
        reader.notes.append(f"{found} found in setting columns that change and stay.")
    return Parsed(
        kind="harvest log",
        readings=frame,
        adjustments=adjustments,
        set_aside=aside,
        rows_read=table.rows_read,
        unmatched_columns=unmatched,
        notes=tuple(dict.fromkeys(reader.notes)),
        attention=tuple(dict.fromkeys(reader.attention)),
    )


def _read_channels(reader: TableReader, columns: dict[str, pl.Series], crops: pl.Series) -> list[Matched]:
    """Add every channel to ``columns``; give the columns that could not be read, with a note each."""
    unread: list[Matched] = []
    for column in reader.table.matched:
        if column.kind == "channel":
            _read_or_keep(reader, column, column.target, columns, unread, crops)
    return unread


def _read_settings(reader: TableReader, columns: dict[str, pl.Series], unread: list[Matched]) -> None:
    for column in reader.table.matched:
        if column.kind != "setting":
            continue
        setting = settings()[column.target]
        if setting.kind == "service":
            unread.append(column)
        elif setting.kind == "number" and setting.unit and counts_steps(column.unit):
            try:
                columns[setting.column] = read_steps(reader, column, setting, columns["machine"])
            except UnitError as error:
                reader.keep_unread(column, error)
                unread.append(column)
        elif setting.kind == "number":
            _read_or_keep(reader, column, setting.column, columns, unread, None)
        else:
            columns[setting.column] = position_words(reader.table.texts(column), setting)


def _read_or_keep(
    reader: TableReader,
    column: Matched,
    name: str,
    columns: dict[str, pl.Series],
    unread: list[Matched],
    crops: pl.Series | None,
) -> None:
    """Read ``column`` into ``columns`` under ``name``, or say why not and keep it unread."""
    if (words := words_instead_of_numbers(reader, column)) is not None:
        # A remark under a name like that of a channel: nothing is amiss.
        reader.notes.append(f"Column '{column.header}' is kept unread: {words}.")
        unread.append(column)
        return
    try:
        columns[name] = read_numbers(reader, column, crops)
    except UnitError as error:
        reader.keep_unread(column, error)
        unread.append(column)


def _needs_a_channel(reader: TableReader, columns: dict[str, pl.Series], unread: list[Matched]) -> None:
    """A log without one measured channel can't be read; say which unit stood in the way if one did."""
    if any(name in channels() and name not in _PLACE_CHANNELS for name in columns):
        return
    if any(name in {s.column for s in settings().values()} for name in columns):
        return
    if unread:
        why = next(
            (n for n in reader.notes if unread[0].header in n), f"Column '{unread[0].header}' is unread."
        )
        raise UnreadableFile(reader.table.file, f"No column is a measured channel that can be read. {why}")
    raise UnreadableFile(
        reader.table.file,
        "No column is a measured channel such as speed, grain flow, moisture or loss; "
        "name one as in the documentation, or say in farm.toml which it is.",
    )


def _add_constants(reader: TableReader, columns: dict[str, pl.Series]) -> None:
    """Channels that farm.toml states for the whole file, and the machine's width where the log has none."""
    height = reader.table.rows.height
    for name in reader.stated.constants:
        if name in channels() and name not in columns:
            columns[name] = pl.repeat(constant_number(reader, name), height, dtype=pl.Float64, eager=True)
    widths = {name: m.width_m for name, m in reader.farm.machines.items() if m.width_m is not None}
    if widths and "working_width_m" not in columns:
        stated = columns["machine"].replace_strict(widths, default=None, return_dtype=pl.Float64)
        if stated.null_count() < len(stated):
            columns["working_width_m"] = stated
            reader.notes.append("The log has no working width; that of farm.toml was taken.")


def _other(reader: TableReader, unread: list[Matched]) -> tuple[pl.Series, tuple[str, ...]]:
    """Columns that nothing matches, as one JSON object a row, and their names."""
    table = reader.table
    lost = [m.header for m in unread]
    words = ("time", "date", "machine", "field", "crop")
    for m in table.matched:
        if m.kind == "none" or (m.kind == "word" and m.target not in words):
            lost.append(table.headers[m.position])
    names = tuple(h for h in table.headers if h in set(lost))
    if not names or table.rows.height == 0:
        return pl.repeat(None, table.rows.height, dtype=pl.String, eager=True), names
    return table.rows.select(pl.struct(names).struct.json_encode()).to_series(), names


def _with_speed(reader: TableReader, frame: pl.DataFrame) -> pl.DataFrame:
    """Speed [m/s] from distance [m] and duration [s] of the record where the log has none."""
    if "speed_m_s" in frame.columns or not {"distance_m", "record_duration_s"} <= set(frame.columns):
        return frame
    reader.notes.append("Speed was computed from the distance and the duration of each record.")
    duration = pl.col("record_duration_s")
    speed = pl.when(duration > 0).then(pl.col("distance_m") / duration)
    return frame.with_columns(speed_m_s=speed)
