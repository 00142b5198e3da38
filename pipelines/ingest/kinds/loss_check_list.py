"""Loss checks: one row per pan or frame that somebody weighed or counted."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.ingest.kinds.missing_columns import Boundaries, fields_at
from chaffinch.pipelines.ingest.text.measurements import numbers_or_unread
from chaffinch.pipelines.ingest.text.table_reader import TableReader, read_machines, read_names, read_times
from chaffinch.pipelines.parsed import Parsed

_RESULTS = ("machine_loss_kg_ha", "kernels", "sample_mass_g")
_NUMBERS = (*_RESULTS, "frame_area_m2", "frames", "thousand_kernel_mass_g", "discharge_width_m", "cut_width_m",
            "latitude", "longitude")  # fmt: skip
_READ = ("time", "date", "machine", "field", "place", "working_width_m", *_NUMBERS)


def read_loss_checks(reader: TableReader, boundaries: Boundaries) -> Parsed:
    """Read the table as loss checks. Raises ``UnreadableFile``."""
    machines = read_machines(reader)
    columns = {
        "row": reader.table.lines.cast(pl.Int64),
        "time": read_times(reader, machines),
        "machine": machines,
        "field": read_names(reader, "field"),
        "place": read_names(reader, "place").str.to_lowercase(),
    }
    for column in reader.table.matched:
        target = "cut_width_m" if column.target == "working_width_m" else column.target
        if target in _NUMBERS and (values := numbers_or_unread(reader, column)) is not None:
            columns.setdefault(target, values)
    results = pl.DataFrame({name: columns[name] for name in _RESULTS if name in columns})
    reader.set_aside(
        results.select(pl.all_horizontal(pl.all().is_null())).to_series()
        if results.width
        else reader.always(),
        "no_loss",
        "machine_loss_kg_ha",
        reader.nulls(),
        "The row has neither a loss in kg/ha, nor a count of kernels, nor a weighed sample.",
    )
    unmatched = reader.unmatched(_READ)
    if unmatched:
        columns["other"] = reader.as_json(unmatched)
    frame = reader.kept(columns)
    if boundaries and {"latitude", "longitude"} <= set(frame.columns):
        frame = fields_at(frame, boundaries, reader.notes)
    return reader.parsed(
        "loss checks", unmatched, loss_checks=frame.drop("latitude", "longitude", strict=False)
    )
