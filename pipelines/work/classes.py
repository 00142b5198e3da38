"""What the machine did at each reading, and what kind of pass it was in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.passes import since_start_and_to_end
from chaffinch.pipelines.work.track import Track, main_axis_deg, turned_deg
from numpy.typing import NDArray

Words = NDArray[np.str_]

# The first seconds of a pass fill the machine, the last ones empty it: losses and flow are then not those of
# steady work. 10 to 15 s at the start and up to 5 s at the end are common practice, no source.
LEAD_IN_S = 15.0
LEAD_OUT_S = 4.0
THIN_CROP_SHARE = 0.25
CUT_GROUND_SHARE = 0.1
STANDING_M_S = 0.3
AWAY_M = 150.0
HEADLAND_DEG = 30.0
NARROW_SHARE = 0.9
POINT_ROW_CHANGE = 0.4


@dataclass(frozen=True, slots=True)
class Drive:
    """One machine's day, each (n,): pass of each reading, speed, grain feed rate at intake (NaN unknown), share
    of the bar over standing crop (NaN unknown), way, and whether the tank was being emptied; and the delay
    of the grain flow."""

    time_s: Array
    passes: NDArray[np.int32]
    speed_m_s: Array
    feed_t_h: Array
    uncut_share: Array
    way: Track
    unloading: Flags
    grain_delay_s: float


def classes_of(drive: Drive) -> Words:
    """Class of work of every reading: steady, unloading (steady, the tank emptied on the go), lead_in, lead_out,
    thin_crop, no_flow, end_unlogged, cut_ground, reversing, stop, turn, away. Shape (n,)."""
    since, until = since_start_and_to_end(drive.time_s, drive.passes)
    inside = drive.passes > 0
    steady = inside & (since >= LEAD_IN_S) & (until >= LEAD_OUT_S)
    known = steady & np.isfinite(drive.feed_t_h) & (drive.feed_t_h > 0)
    typical = np.median(drive.feed_t_h[known]) if known.any() else np.nan
    classes = np.full(drive.time_s.size, "steady", dtype="<U12")
    classes[drive.unloading] = "unloading"
    classes[inside & ~(drive.feed_t_h >= THIN_CROP_SHARE * typical)] = "thin_crop"
    unknown = inside & ~np.isfinite(drive.feed_t_h)
    classes[unknown] = "no_flow"
    # The log pauses when work stops, before the last grain of the pass has come past the sensor.
    classes[unknown & (until < drive.grain_delay_s)] = "end_unlogged"
    classes[inside & (drive.uncut_share < CUT_GROUND_SHARE)] = "cut_ground"
    classes[inside & (until < LEAD_OUT_S)] = "lead_out"
    classes[inside & (since < LEAD_IN_S)] = "lead_in"
    classes[~inside] = "turn"
    classes[~inside & away(drive.way, inside)] = "away"
    classes[~inside & (drive.speed_m_s < STANDING_M_S)] = "stop"
    classes[drive.way.reversing & ~(drive.speed_m_s < STANDING_M_S)] = "reversing"
    return classes


def away(way: Track, inside: Flags) -> Flags:
    """Over 150 m from the nearest reading in a pass, where positions are known."""
    out = np.zeros(inside.size, dtype=bool)
    work, rest = np.flatnonzero(inside & way.known), np.flatnonzero(~inside & way.known)
    if work.size == 0 or rest.size == 0:
        return out
    from scipy.spatial import cKDTree

    tree = cKDTree(np.column_stack([way.east_m[work], way.north_m[work]]))
    near, _ = tree.query(np.column_stack([way.east_m[rest], way.north_m[rest]]), distance_upper_bound=AWAY_M)
    out[rest] = ~np.isfinite(near)
    return out


def kinds_of_passes(drive: Drive) -> Words:
    """Kind of the pass of every reading: main, headland (across the main direction, or round), point_row (the
    standing crop narrows or widens along it), narrow (less than nine tenths of the bar all along); empty outside
    passes or without positions. Shape (n,)."""
    rows = np.flatnonzero((drive.passes > 0) & np.isfinite(drive.way.heading_deg))
    if rows.size < 2:
        return np.full(drive.passes.size, "", dtype="<U10")
    heading = drive.way.heading_deg[rows]
    off = np.abs(turned_deg(2 * np.full(rows.size, main_axis_deg(heading)), 2 * heading)) / 2
    starts = np.concatenate([[0], np.flatnonzero(np.diff(drive.passes[rows])) + 1])
    size = np.diff(np.concatenate([starts, [rows.size]]))
    share = drive.uncut_share[rows]
    kinds = np.full(starts.size, "main", dtype="<U10")
    kinds[_mean(share, starts) < NARROW_SHARE] = "narrow"
    kinds[_change(share, drive.time_s[rows], starts, size)] = "point_row"
    kinds[_mean((off > HEADLAND_DEG).astype(float), starts) > 0.5] = "headland"
    known = np.full(int(drive.passes.max()) + 1, "", dtype="<U10")
    known[drive.passes[rows[starts]]] = kinds
    return known[drive.passes]


def _mean(values: Array, starts: NDArray[np.int_]) -> Array:
    known = np.isfinite(values)
    count = np.add.reduceat(known.astype(float), starts)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.add.reduceat(np.where(known, values, 0.0), starts) / np.where(count > 0, count, np.nan)


def _change(share: Array, time_s: Array, starts: NDArray[np.int_], size: NDArray[np.int_]) -> Flags:
    """Passes over which the uncut share rises or falls steadily, by over 0.4 of the bar."""
    owner = np.repeat(np.arange(starts.size), size)
    t = np.where(np.isfinite(share), time_s, np.nan)
    t = t - _mean(t, starts)[owner]
    y = share - _mean(share, starts)[owner]
    tt, ty, yy = (_mean(v, starts) for v in (t * t, t * y, y * y))
    span = time_s[starts + size - 1] - time_s[starts]
    with np.errstate(invalid="ignore", divide="ignore"):
        change, explained = np.abs(ty / tt * span), ty**2 / (tt * yy)
    return (change > POINT_ROW_CHANGE) & (explained > 0.6)
