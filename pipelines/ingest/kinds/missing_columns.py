"""What a log leaves out: the field, from boundaries; the working width, from ``farm.toml``; values worked out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.errors import counted
from chaffinch.pipelines.farm import Farm
from chaffinch.schemas.declarations import channels

# (field name, polygon in longitude and latitude) of known fields.
Boundaries = Sequence[tuple[str, Any]]


def fields_at(frame: pl.DataFrame, boundaries: Boundaries, notes: list[str]) -> pl.DataFrame:
    """``frame`` with null ``field`` filled by the boundary that holds latitude and longitude [deg].

    Of overlapping boundaries the smallest wins. Adds a note to ``notes`` on what was found or not.
    """
    open_rows = frame["field"].is_null()
    if not open_rows.any():
        return frame
    if not boundaries or not {"latitude", "longitude"} <= set(frame.columns):
        lacking = "no boundaries are known" if not boundaries else "there are no positions"
        rows = counted(int(open_rows.sum()), "row")
        notes.append(f"No field is named in {rows}, and {lacking} to find it.")
        return frame
    import shapely

    longitude, latitude = frame["longitude"].to_numpy(), frame["latitude"].to_numpy()
    chosen = np.full(frame.height, -1)
    # Polygons of our own: files are read side by side, and preparing changes a polygon.
    polygons = shapely.from_wkb(shapely.to_wkb([polygon for _, polygon in boundaries]))
    for i in np.argsort(-shapely.area(polygons), kind="stable"):
        west, south, east, north = shapely.bounds(polygons[i])
        near = (longitude >= west) & (longitude <= east) & (latitude >= south) & (latitude <= north)
        if near.any():
            shapely.prepare(polygons[i])
            chosen[
                np.flatnonzero(near)[shapely.contains_xy(polygons[i], longitude[near], latitude[near])]
            ] = i
    names = pl.Series([name for name, _ in boundaries] + [None], dtype=pl.String)
    by_place = names.gather(np.where(chosen < 0, len(boundaries), chosen))
    field = frame["field"].fill_null(by_place)
    found, left = int((open_rows & field.is_not_null()).sum()), field.null_count()
    notes.append(
        f"The field of {counted(found, 'row')} was found by its boundary; "
        f"{counted(left, 'row')} in no known field."
    )
    return frame.with_columns(field.alias("field"))


def without_impossible(
    frame: pl.DataFrame, derived: Iterable[str], notes: list[str], stem: str = ""
) -> pl.DataFrame:
    """``frame`` with the ``derived`` channels empty where what was worked out is impossible; a note on each.

    The row is sound: it is the working out that failed there, as when a receiver jumps. stem : what the notes
    begin with.
    """
    for name in derived:
        channel = channels().get(name)
        if channel is None or name not in frame.columns:
            continue
        wrong = (~frame[name].is_between(channel.low, channel.high)).fill_null(False)
        if wrong.any():
            low, high = (f"{limit:g}" for limit in (channel.low, channel.high))
            notes.append(
                f"{stem}{channel.meaning}, worked out here, was impossible in {counted(int(wrong.sum()), 'reading')} "
                f"(possible: {low} to {high} {channel.unit}); left empty there."
            )
            frame = frame.with_columns(pl.when(~wrong).then(pl.col(name)).alias(name))
    return frame


def with_stated_width(frame: pl.DataFrame, farm: Farm, notes: list[str]) -> pl.DataFrame:
    """``frame`` with the working width [m] that ``farm`` states for its machines, where it has no such column."""
    if "working_width_m" in frame.columns:
        return frame
    widths = {name: m.width_m for name, m in farm.machines.items() if m.width_m is not None}
    stated = frame["machine"].replace_strict(widths, default=None, return_dtype=pl.Float64)
    if stated.null_count() == len(stated):
        return frame
    notes.append("The log has no working width; that of farm.toml is used.")
    return frame.with_columns(stated.alias("working_width_m"))
