"""The derived table ``work``: every reading of a lake with its class, and why it is not used.

It is not stored: it follows from the readings and from the delays kept beside the effects.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from chaffinch.schemas.tables import Column, Table

if TYPE_CHECKING:
    import polars as pl
    from chaffinch.pipelines.lake import Lake

WORK = Table(
    "work",
    "one row per reading, with what the machine did and whether it is used",
    ("machine", "field", "time"),
    (
        Column("machine", "text", "name of the machine", True),
        Column("field", "text", "name of the field"),
        Column("crop", "text", "name of the crop"),
        Column("time", "moment", "moment of the reading", True),
        Column("delivery", "text", "identifier of the delivered file", True),
        Column("file", "text", "name of the file inside the inbox", True),
        Column("row", "whole", "row in that file", True),
        Column("pass_number", "whole", "run through the crop, from 1; null outside"),
        Column("pass_kind", "text", "main, headland, point_row, narrow"),
        Column("work_class", "text", "what the machine did", True),
        Column("usable", "flag", "1 where it counts as steady work", True),
        Column("unused_because", "text", "code of the reason; null where usable"),
        Column("reason", "text", "the same in plain words"),
        Column("effective_width_m", "number", "crop before the cutter bar, by geometry"),
        Column("side_slope_pct", "number", "steepness across the way"),
        Column("feed_rate_t_h", "number", "grain feed rate, wet, at the moment of intake"),
        Column("separation_loss_aligned", "number", "separation loss at the moment of intake, as logged"),
        Column("cleaning_loss_aligned", "number", "cleaning loss at the moment of intake, as logged"),
        Column("moisture_aligned_pct", "number", "grain moisture at the moment of intake"),
    ),
)


def work_pieces(lake: Lake) -> Iterator[pl.DataFrame]:
    """The table, one machine-field at a time, as the pages mark it: weighed loads and pooled delays applied."""
    import polars as pl
    from chaffinch.pipelines.agronomy.load_tickets import with_calibration
    from chaffinch.pipelines.work import mark_work
    from chaffinch.pipelines.work.delays.known_delays import from_text
    from chaffinch.pipelines.work.load_calibration import weighed_loads
    from chaffinch.schemas.declarations import reasons

    weighed, known = weighed_loads(lake, lake.farm()), from_text(lake.effects_delays())
    sentences = {code: reason.sentence for code, reason in reasons().items()}
    for row in lake.machine_fields().sort("machine", "field", "first_time").iter_rows(named=True):
        machine, field, day = row["machine"], row["field"], row["day"]
        readings = with_calibration(lake.readings(machine, field, day), weighed.of(machine, row["crop"]))
        harvests = known.get((machine, field, day), [])
        marked = mark_work(readings, harvests[0] if len(harvests) == 1 else None)
        told = marked.with_columns(
            pl.col("unused_because").replace_strict(sentences, default=None).alias("reason"),
            pl.col("usable").cast(pl.Int8),
        )
        yield WORK.conform(told.select(column.name for column in WORK.columns))
