"""Channels brought to the moment at which the crop entered the machine."""

from __future__ import annotations

import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.work.delays.lag import Delays
from chaffinch.pipelines.work.series import loss_column, shifted, values_of

LOSS_PLACES = ("separation_loss", "cleaning_loss")
ALIGNED = {
    "grain": "feed_rate_t_h",
    "separation": "separation_loss_aligned",
    "cleaning": "cleaning_loss_aligned",
    "moisture": "moisture_aligned_pct",
}
"""Sensor to the column that holds its channel at the moment of intake."""


def align(ordered: pl.DataFrame, time_s: Array, delays: Delays) -> dict[str, Array]:
    """The columns ``ALIGNED`` of ``ordered`` (sorted by time): each channel moved by its own delay, (n,); NaN where
    the log has a hole. Feed rate is wet, t/h, the others are in their channel's unit.
    """
    channels = ("grain_flow_kg_s", *(loss_column(ordered, p) for p in LOSS_PLACES), "grain_moisture_pct")
    moved = {
        column: shifted(time_s, values_of(ordered, channel), delays.of(sensor).seconds)
        for (sensor, column), channel in zip(ALIGNED.items(), channels, strict=True)
    }
    return moved | {"feed_rate_t_h": moved["feed_rate_t_h"] * 3.6}
