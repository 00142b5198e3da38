"""The lie of the ground under the machine: pitch and roll as logged, else from elevation along the track."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.work.series import values_of
from chaffinch.pipelines.work.track import Track

# Side-slope compensation of shoe and separator works up to about this slope. Common practice, no source.
COMPENSATED_PCT = 20.0
# Roll is that of the ground over a few seconds, not of a stone.
SMOOTH_S = 5.0
CELL_M = 12.0
FEWEST_IN_REACH = 6
# Elevations of neighbouring passes that differ by more, after a plane is fitted through them, say nothing on slope
# across: 12 m of it and this error are 4 %.
MOST_ROUGH_M = 0.5


@dataclass(frozen=True, slots=True)
class Terrain:
    """pitch_deg : along the way, uphill positive. roll_deg : across it, right side down positive. side_slope_pct :
    steepness across, without sign, over some seconds. Each (n,), NaN where unknown."""

    pitch_deg: Array
    roll_deg: Array
    side_slope_pct: Array


def terrain(readings: pl.DataFrame, way: Track) -> Terrain:
    """Pitch and roll of every reading, sorted by time: logged ones where there are any, else from elevation."""
    pitch, roll = values_of(readings, "pitch_deg"), values_of(readings, "roll_deg")
    if not (np.isfinite(pitch).any() and np.isfinite(roll).any()):
        by_elevation = _from_elevation(way, values_of(readings, "altitude_m"))
        if by_elevation is not None:
            pitch = pitch if np.isfinite(pitch).any() else by_elevation[0]
            roll = roll if np.isfinite(roll).any() else by_elevation[1]
    side_slope_pct = 100.0 * np.abs(np.tan(np.radians(_smoothed(way.time_s, roll))))
    return Terrain(pitch, roll, side_slope_pct)


def _smoothed(time_s: Array, values: Array) -> Array:
    """Mean over ``SMOOTH_S`` either way; NaN where nothing is known."""
    known = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    count = np.concatenate([[0.0], np.cumsum(known.astype(float))])
    low = np.searchsorted(time_s, time_s - SMOOTH_S)
    high = np.searchsorted(time_s, time_s + SMOOTH_S, side="right")
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(
            count[high] > count[low], (total[high] - total[low]) / (count[high] - count[low]), np.nan
        )


def _from_elevation(way: Track, altitude_m: Array) -> tuple[Array, Array] | None:
    """Pitch and roll by planes through the elevations of 3 x 3 cells of 12 m around; None without elevations.

    Roll is NaN throughout where elevations of one place differ by over half a metre from pass to pass.
    """
    known = np.flatnonzero(way.known & np.isfinite(altitude_m) & np.isfinite(way.heading_deg))
    if known.size < 100 or np.ptp(altitude_m[known]) == 0:
        return None
    x, y, z = way.east_m[known], way.north_m[known], altitude_m[known] - altitude_m[known].mean()
    slope_x, slope_y, rough = _planes(_around(x, y, z))
    heading = np.radians(way.heading_deg[known])
    ahead = slope_x * np.sin(heading) + slope_y * np.cos(heading)
    to_right = slope_x * np.cos(heading) - slope_y * np.sin(heading)
    pitch, roll = (np.full(altitude_m.size, np.nan) for _ in range(2))
    pitch[known] = np.degrees(np.arctan(ahead))
    if np.isfinite(rough).any() and np.nanmedian(rough) <= MOST_ROUGH_M:
        roll[known] = np.degrees(np.arctan(-to_right))
    return pitch, roll


def _around(x: Array, y: Array, z: Array) -> Array:
    """Sums (n, x, y, z, xx, yy, xy, xz, yz, zz) over the cells around each reading, shape (n, 10)."""
    i, j = (((v - v.min()) / CELL_M).astype(np.int64) + 1 for v in (x, y))
    width = int(j.max()) + 2
    cells, place = np.unique(i * width + j, return_inverse=True)
    parts = (np.ones(x.size), x, y, z, x * x, y * y, x * y, x * z, y * z, z * z)
    own = np.column_stack([np.bincount(place, part, cells.size) for part in parts])
    own = np.vstack([own, np.zeros(len(parts))])
    around = np.zeros((cells.size, len(parts)))
    for step in (dx * width + dy for dx in (-1, 0, 1) for dy in (-1, 0, 1)):
        at = np.searchsorted(cells, cells + step)
        there = (at < cells.size) & (cells[np.minimum(at, cells.size - 1)] == cells + step)
        around += own[np.where(there, at, cells.size)]
    return around[place]


def _planes(sums: Array) -> tuple[Array, Array, Array]:
    """Slopes of least-squares planes and the spread of elevations about them, m; NaN where too little is near."""
    n, x, y, z, xx, yy, xy, xz, yz, zz = sums.T
    with np.errstate(invalid="ignore", divide="ignore"):
        cxx, cyy, cxy = xx / n - (x / n) ** 2, yy / n - (y / n) ** 2, xy / n - x * y / n**2
        cxz, cyz, czz = xz / n - x * z / n**2, yz / n - y * z / n**2, zz / n - (z / n) ** 2
        det = cxx * cyy - cxy**2
        slope_x, slope_y = (cxz * cyy - cyz * cxy) / det, (cyz * cxx - cxz * cxy) / det
        rough = np.sqrt(np.maximum(czz - slope_x * cxz - slope_y * cyz, 0.0))
    # Both directions must be spanned: a single pass knows nothing of the slope across it.
    good = (
        (n >= FEWEST_IN_REACH) & (np.minimum(cxx, cyy) * np.maximum(cxx, cyy) > 0) & (det > 1.0 * CELL_M**2)
    )
    return np.where(good, slope_x, np.nan), np.where(good, slope_y, np.nan), np.where(good, rough, np.nan)
