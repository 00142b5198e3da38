"""Loss checks: one row per pan or frame that somebody weighed or counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl
from chaffinch.pipelines.ingest.kinds.field_lookup import fields_at
from chaffinch.pipelines.ingest.text.headers import Matched
from chaffinch.pipelines.ingest.text.measurements import read_numbers
from chaffinch.pipelines.ingest.text.rejected_rows import malformed_rows
from chaffinch.pipelines.ingest.text.table_reader import TableReader, read_machines, read_names, read_times
from chaffinch.pipelines.parsed import Parsed, combined_set_aside
from chaffinch.pipelines.units import UnitError

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

_NUMBERS = ("machine_loss_kg_ha", "kernels", "sample_mass_g", "frame_area_m2", "frames", "thousand_kernel_mass_g",
            "discharge_width_m", "cut_width_m")  # fmt: skip
_READ = ("time", "date", "machine", "field", "place", *_NUMBERS)


def read_loss_checks(reader: TableReader, boundaries: list[tuple[str, BaseGeometry]]) -> Parsed:
    """Read the table of ``reading`` as loss checks. Raises ``UnreadableFile``."""
    table = reader.table
    machines = read_machines(reader)
    columns: dict[str, pl.Series] = {
        "row": table.lines.cast(pl.Int64),
        "time": read_times(reader, machines),
        "machine": machines,
        "field": read_names(reader, "field"),
        "place": read_names(reader, "place").str.to_lowercase(),
    }
    unread: list[Matched] = []
    for column in table.matched:
        target = "cut_width_m" if column.target == "working_width_m" else column.target
        if target in (*_NUMBERS, "latitude", "longitude"):
            try:
                columns.setdefault(target, read_numbers(reader, column))
            except UnitError as error:
                reader.keep_unread(column, error)
                unread.append(column)
        elif column.target not in _READ:
            unread.append(column)
    measured = [columns[c] for c in ("machine_loss_kg_ha", "kernels", "sample_mass_g") if c in columns]
    empty = pl.Series([True] * table.rows.height, dtype=pl.Boolean)
    for series in measured:
        empty &= series.is_null()
    reader.set_aside(
        empty, "no_loss", "machine_loss_kg_ha", pl.repeat("", table.rows.height, eager=True),
        "The row has neither a loss in kg/ha, nor a count of kernels, nor a weighed sample.",
    )  # fmt: skip
    names = tuple(table.headers[m.position] for m in unread)
    if names:
        columns["other"] = table.rows.select(pl.struct(names).struct.json_encode()).to_series()
    aside = combined_set_aside([malformed_rows(table), *reader.aside])
    frame = pl.DataFrame({n: s.alias(n) for n, s in columns.items()})
    frame = frame.filter(~pl.col("row").is_in(aside["row"].implode()))
    if boundaries and {"latitude", "longitude"} <= set(frame.columns):
        frame = fields_at(frame, boundaries, reader.notes)
    return Parsed(
        kind="loss checks",
        loss_checks=frame.drop("latitude", "longitude", strict=False),
        set_aside=aside,
        rows_read=table.rows_read,
        unmatched_columns=names,
        notes=tuple(dict.fromkeys(reader.notes)),
        attention=tuple(dict.fromkeys(reader.attention)),
    )
