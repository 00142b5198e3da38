"""Positions of a log, and which of them are impossible."""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array, Flags, Structured
from chaffinch.pipelines.ingest.task_data.records.log_header import LogHeader
from chaffinch.pipelines.ingest.task_data.records.scaling import NO_VALUE

FAR_DEG = 1.0


def position_of(fixed: Structured, header: LogHeader) -> tuple[Array, ...]:
    """Latitude and longitude in degrees, altitude in m; from the record, else constant, else NaN."""
    constants = header.constants or {}
    arrays = []
    for name, scale, constant_scale in (("north", 1e7, 1.0), ("east", 1e7, 1.0), ("up", 1e3, 1e3)):
        if name in (fixed.dtype.names or ()):
            values = fixed[name].astype(np.float64) / scale
            values[np.isin(fixed[name], NO_VALUE)] = np.nan
        else:
            values = np.full(len(fixed), constants.get(name, np.nan) / constant_scale)
        arrays.append(values)
    half = np.isnan(arrays[0]) != np.isnan(arrays[1])
    arrays[0][half] = arrays[1][half] = np.nan
    return tuple(arrays)


def leave_empty(stem: str, latitude: Array, longitude: Array, kept: Flags) -> list[str]:
    """Make positions NaN, in place, that are 0/0 or far from the rest of the log; sentences on how many."""
    notes = []
    nowhere = kept & (latitude == 0) & (longitude == 0)
    if nowhere.any():
        notes.append(f"{stem}: position 0/0 in {int(nowhere.sum())} of {len(kept)} records; left empty.")
    latitude[nowhere] = longitude[nowhere] = np.nan
    far = kept & _far_away(latitude, longitude)
    if far.any():
        notes.append(
            f"{stem}: position far from the rest of the log in {int(far.sum())} of {len(kept)} records, "
            "as when a receiver starts with its last place; left empty."
        )
    latitude[far] = longitude[far] = np.nan
    return notes


def _far_away(latitude: Array, longitude: Array) -> Flags:
    """(R,) positions far from where most of the log was made."""
    known = (
        np.isfinite(latitude) & np.isfinite(longitude) & (np.abs(latitude) <= 90) & (np.abs(longitude) <= 180)
    )
    if not known.any():
        return known
    north, east = np.median(latitude[known]), np.median(longitude[known])
    near = (np.abs(latitude - north) <= FAR_DEG) & (np.abs(longitude - east) <= 2 * FAR_DEG)
    # A log that is here and there by halves does not show which of the two is right.
    return (
        known & ~near if (known & ~near).sum() <= 0.1 * known.sum() else np.zeros(len(latitude), dtype=bool)
    )
