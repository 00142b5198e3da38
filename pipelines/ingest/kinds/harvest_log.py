"""A harvest log: one row per reading, channels and settings in the declared units."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.errors import UnreadableFile, counted
from chaffinch.pipelines.ingest.kinds.missing_columns import (
    Boundaries,
    fields_at,
    with_stated_width,
    without_impossible,
)
from chaffinch.pipelines.ingest.kinds.setting_changes import adjustments_in
from chaffinch.pipelines.ingest.kinds.setting_values import counts_steps, position_words, read_steps
from chaffinch.pipelines.ingest.text.headers import Matched
from chaffinch.pipelines.ingest.text.measurements import (
    constant_number,
    numbers_or_unread,
    words_instead_of_numbers,
)
from chaffinch.pipelines.ingest.text.table_reader import (
    TableReader,
    read_crops,
    read_machines,
    read_names,
    read_times,
)
from chaffinch.pipelines.parsed import Parsed
from chaffinch.schemas.declarations import channels, settings
from chaffinch.schemas.units import UnitError

_WORDS_READ = ("time", "date", "machine", "field", "crop")
# Where the machine is and when says nothing about what it did: one more channel is needed.
_PLACE_CHANNELS = ("latitude", "longitude", "altitude_m", "heading_deg")


def read_harvest_log(reader: TableReader, boundaries: Boundaries) -> Parsed:
    """Read the table as a harvest log. Raises ``UnreadableFile``."""
    reader.keeps_rows = True
    machines = read_machines(reader)
    crops = read_crops(reader, machines)
    columns: dict[str, pl.Series] = {
        "row": reader.table.lines.cast(pl.Int64),
        "time": read_times(reader, machines),
        "machine": machines,
        "field": read_names(reader, "field"),
        "crop": crops,
    }
    _read_channels(reader, columns, crops)
    _read_settings(reader, columns)
    _needs_a_channel(reader, columns)
    _add_constants(reader, columns)
    unmatched = reader.unmatched({*_WORDS_READ, *channels(), *settings()})
    columns["other"] = reader.as_json(unmatched)
    frame = with_stated_width(reader.kept(columns), reader.farm, reader.notes)
    frame = fields_at(_with_flow(reader, _with_speed(reader, frame)), boundaries, reader.notes)
    adjustments = adjustments_in(frame, "setting column", ("number", "ordered", "either_or"))
    if adjustments is not None:
        found = counted(adjustments.height, "adjustment")
        reader.notes.append(f"{found} found in setting columns that change and stay.")
    return reader.parsed("harvest log", unmatched, readings=frame, adjustments=adjustments)


def _read_channels(reader: TableReader, columns: dict[str, pl.Series], crops: pl.Series) -> None:
    for column in reader.table.matched:
        if column.kind == "channel":
            _read_or_keep(reader, column, column.target, columns, crops)


def _read_settings(reader: TableReader, columns: dict[str, pl.Series]) -> None:
    for column in reader.table.matched:
        if column.kind != "setting":
            continue
        setting = settings()[column.target]
        if setting.kind == "service":
            reader.unread.append(column)
        elif setting.kind == "number" and setting.unit and counts_steps(column.unit):
            try:
                columns[setting.column] = read_steps(reader, column, setting, columns["machine"])
            except UnitError as error:
                reader.keep_unread(column, error)
        elif setting.kind == "number":
            _read_or_keep(reader, column, setting.column, columns, None)
        else:
            columns[setting.column] = position_words(
                reader.table.texts(column), setting, columns["machine"], reader.farm.machines
            )


def _read_or_keep(
    reader: TableReader, column: Matched, name: str, columns: dict[str, pl.Series], crops: pl.Series | None
) -> None:
    """Read ``column`` into ``columns`` under ``name``, or note why it stays unread."""
    if (words := words_instead_of_numbers(reader, column)) is not None:
        # A remark under a name like that of a channel: nothing is amiss.
        reader.notes.append(f"Column '{column.header}' is kept unread: {words}.")
        reader.unread.append(column)
    elif (values := numbers_or_unread(reader, column, crops)) is not None:
        columns[name] = values


def _needs_a_channel(reader: TableReader, columns: dict[str, pl.Series]) -> None:
    """A log without one measured channel can't be read; say which unit stood in the way if one did."""
    measured = {*channels(), *(s.column for s in settings().values())}.difference(_PLACE_CHANNELS)
    if not measured.isdisjoint(columns):
        return
    if reader.unread:
        first = reader.unread[0].header
        why = next((n for n in reader.notes if first in n), f"Column '{first}' is unread.")
        raise UnreadableFile(reader.table.file, f"No column is a measured channel that can be read. {why}")
    raise UnreadableFile(
        reader.table.file,
        "No column is a measured channel such as speed, grain flow, moisture or loss; "
        "name one as in the documentation, or say in farm.toml which it is.",
    )


def _add_constants(reader: TableReader, columns: dict[str, pl.Series]) -> None:
    """Channels that farm.toml states for the whole file."""
    height = reader.table.rows.height
    for name in reader.stated.constants:
        if name in channels() and name in columns:
            header = next((m.header for m in reader.table.matched if m.target == name), name)
            reader.notes.append(
                f"The {name} that farm.toml states for the file is not used, because column '{header}' gives it."
            )
        if name in channels() and name not in columns:
            columns[name] = pl.repeat(constant_number(reader, name), height, dtype=pl.Float64, eager=True)


def _with_speed(reader: TableReader, frame: pl.DataFrame) -> pl.DataFrame:
    """Speed [m/s] from distance [m] and duration [s] of the record where the log has none."""
    if "speed_m_s" in frame.columns or not {"distance_m", "record_duration_s"} <= set(frame.columns):
        return frame
    reader.notes.append("Speed was computed from the distance and the duration of each record.")
    duration = pl.col("record_duration_s")
    speed = pl.when(duration > 0).then(pl.col("distance_m") / duration)
    return without_impossible(frame.with_columns(speed_m_s=speed), ["speed_m_s"], reader.notes)


def _with_flow(reader: TableReader, frame: pl.DataFrame) -> pl.DataFrame:
    """Grain flow [kg/s] = yield [kg/ha] / 10,000 x speed [m/s] x width [m] where the log has no flow, by definition.

    Where speed or width lack, a note says so, because effects need the flow.
    """
    if "grain_flow_kg_s" in frame.columns or "grain_yield_kg_ha" not in frame.columns:
        return frame
    lacking = [
        words
        for name, words in (("speed_m_s", "travel speed"), ("working_width_m", "working width"))
        if name not in frame.columns or frame[name].null_count() == frame.height
    ]
    if lacking:
        mend = (
            "state width_m under machines in farm.toml"
            if lacking == ["working width"]
            else "export it as well"
        )
        reader.alert(
            f"The log has yield by area and no grain flow, which follows from yield, speed and width; it lacks the "
            f"{' and the '.join(lacking)}: {mend}."
        )
        return frame
    reader.notes.append("Grain flow was computed from yield by area, speed and working width.")
    flow = pl.col("grain_yield_kg_ha") / 10_000 * pl.col("speed_m_s") * pl.col("working_width_m")
    return without_impossible(frame.with_columns(grain_flow_kg_s=flow), ["grain_flow_kg_s"], reader.notes)
