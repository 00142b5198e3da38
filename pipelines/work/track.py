"""Where the machine drove: metres on the ground, direction of travel, pitch of the passes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.series import values_of

# Mean radius of the earth, IUGG.
EARTH_RADIUS_M = 6_371_008.8
# A direction of travel is read off positions this far apart at least: those of a receiver jump about.
DIRECTION_OVER_M = 4.0
REVERSING_DEG = 120.0
LONGEST_SPAN_S = 12.0
MOST_REVERSING = 0.1
ACROSS_DEG = 45.0
FLIP_DEG = 140.0
LONGEST_FLIP_S = 12.0
LONGEST_REVERSE_S = 60.0
TURNED_WITHIN_S = 5.0
TURNING_DEG = 60.0
STEADY_DEG = 30.0


@dataclass(frozen=True, slots=True)
class Track:
    """The way of one machine, one row per reading, shape (n,).

    east_m, north_m : from the middle of the field, NaN without a position. heading_deg : where the header
    points, clockwise from north. reversing : it moves backwards.
    """

    time_s: Array
    east_m: Array
    north_m: Array
    heading_deg: Array
    reversing: Flags

    @property
    def known(self) -> Flags:
        return np.isfinite(self.east_m)


def turned_deg(before: Array, after: Array) -> Array:
    """Angle from one direction to another, -180 to 180 degrees."""
    return (after - before + 180.0) % 360.0 - 180.0


def track(readings: pl.DataFrame, time_s: Array) -> Track:
    """The way of ``readings``, sorted by time. Heading is the logged one where there is any, else the motion.

    A logged heading is not believed where it says that the machine goes backwards for over a tenth of the way, or
    sideways for over half of it (a heading that is stuck, or counted from east).
    """
    east, north = on_metres(values_of(readings, "latitude"), values_of(readings, "longitude"))
    motion = motion_deg(time_s, east, north)
    heading = values_of(readings, "heading_deg") % 360.0
    both = np.isfinite(heading) & np.isfinite(motion)
    against = np.abs(turned_deg(heading, motion)) > REVERSING_DEG
    # A machine that turns about is not reversing, however roughly its heading is logged.
    against &= ~(np.abs(_change_deg(time_s, heading)) > STEADY_DEG)
    across = both & (np.abs(turned_deg(2 * heading, 2 * motion)) / 2 > ACROSS_DEG)
    believed = against.sum() <= MOST_REVERSING * both.sum() and across.sum() <= both.sum() / 2
    if both.mean() > 0.3 and believed:
        return Track(time_s, east, north, heading, against)
    if np.isfinite(heading).mean() > 0.5 and not np.isfinite(motion).any():
        return Track(time_s, east, north, heading, np.zeros(time_s.size, dtype=bool))
    back = _backwards(time_s, motion)
    return Track(time_s, east, north, np.where(back, (motion + 180.0) % 360.0, motion), back)


def _backwards(time_s: Array, motion: Array) -> Flags:
    """Short runs between two sudden turns about: a machine without a logged heading that reversed."""
    known = np.flatnonzero(np.isfinite(motion))
    back = np.zeros(motion.size, dtype=bool)
    if known.size < 3:
        return back
    gap = np.diff(time_s[known])
    flip = (np.abs(turned_deg(motion[known[:-1]], motion[known[1:]])) > FLIP_DEG) & (gap < LONGEST_FLIP_S)
    run = np.concatenate([[0], np.cumsum(flip)])
    starts = np.concatenate([[0], np.flatnonzero(flip) + 1])
    ends = np.concatenate([starts[1:], [known.size]]) - 1
    short = time_s[known[ends]] - time_s[known[starts]] < LONGEST_REVERSE_S
    short[[0, -1]] = False
    # Of two short runs in a row the second is forwards again.
    for k in np.flatnonzero(short[1:] & short[:-1]) + 1:
        short[k] = not short[k - 1]
    back[known] = short[run]
    return back


def on_metres(
    latitude: Array, longitude: Array, centre: tuple[float, float] | None = None
) -> tuple[Array, Array]:
    """East and north of ``centre`` (latitude, longitude; the middle of all that is known where it is not given), m:
    equirectangular, fine for a field. NaN where unknown."""
    known = np.isfinite(latitude) & np.isfinite(longitude)
    if not known.any():
        return np.full(latitude.size, np.nan), np.full(latitude.size, np.nan)
    lat0, lon0 = centre or (np.median(latitude[known]), np.median(longitude[known]))
    scale = np.radians(1.0) * EARTH_RADIUS_M
    east = (longitude - lon0) * scale * np.cos(np.radians(lat0))
    return np.where(known, east, np.nan), np.where(known, (latitude - lat0) * scale, np.nan)


def motion_deg(time_s: Array, east_m: Array, north_m: Array) -> Array:
    """Direction in which positions move, degrees clockwise from north; NaN where they hardly do.

    From the last position at least 2 m back to the first at least 2 m ahead along the way.
    """
    out = np.full(time_s.size, np.nan)
    index = np.flatnonzero(np.isfinite(east_m))
    if index.size < 3:
        return out
    x, y, t = east_m[index], north_m[index], time_s[index]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    half = DIRECTION_OVER_M / 2
    back = np.clip(np.searchsorted(along, along - half, side="right") - 1, 0, index.size - 1)
    ahead = np.clip(np.searchsorted(along, along + half), 0, index.size - 1)
    dx, dy = x[ahead] - x[back], y[ahead] - y[back]
    known = (np.hypot(dx, dy) > half / 2) & (t[ahead] - t[back] < LONGEST_SPAN_S)
    out[index] = np.where(known, np.degrees(np.arctan2(dx, dy)) % 360.0, np.nan)
    return out


def turning(way: Track) -> Flags:
    """Where the direction of travel changes by over 60 degrees within ten seconds, shape (n,)."""
    return (np.abs(_change_deg(way.time_s, way.heading_deg)) > TURNING_DEG) & ~way.reversing


def _change_deg(time_s: Array, direction_deg: Array) -> Array:
    """Change of a direction over the ten seconds around each reading, shape (n,); 0 where unknown."""
    known = np.flatnonzero(np.isfinite(direction_deg))
    if known.size < 3:
        return np.zeros(time_s.size)
    moments = time_s[known]
    before = np.clip(np.searchsorted(moments, time_s - TURNED_WITHIN_S), 0, known.size - 1)
    after = np.clip(np.searchsorted(moments, time_s + TURNED_WITHIN_S, side="right") - 1, 0, known.size - 1)
    return turned_deg(direction_deg[known[before]], direction_deg[known[after]])


def main_axis_deg(heading_deg: Array) -> float:
    """The direction in which most of the way goes, either way round, 0 to 180; NaN where none is known."""
    known = heading_deg[np.isfinite(heading_deg)]
    if known.size == 0:
        return float("nan")
    counts = np.bincount((known % 180.0).astype(int), minlength=180).astype(float)
    wide = np.convolve(np.concatenate([counts[-5:], counts, counts[:5]]), np.ones(11), "valid")
    middle = float(np.argmax(wide))
    off = (known - middle + 90.0) % 180.0 - 90.0
    near = np.abs(off) < 10.0
    return float((middle + np.mean(off[near])) % 180.0)


def along_and_across(east_m: Array, north_m: Array, axis_deg: float) -> tuple[Array, Array]:
    """Positions along an axis (degrees clockwise from north) and to the right of it, m."""
    s, c = np.sin(np.radians(axis_deg)), np.cos(np.radians(axis_deg))
    return east_m * s + north_m * c, east_m * c - north_m * s
