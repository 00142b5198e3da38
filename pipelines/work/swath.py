"""How wide the crop really was: the cutter bar over the ground that was cut before.

Each reading's cutter bar is a line across the way; the strip between two such lines is ground cut. Where the bar
of a later reading lies on an earlier strip there was no crop. What is left of the bar is the effective width:
overlaps, point rows, second passes over a headland and work left on over cut ground all show in it.

The trees of Sort-Tile-Recursive packing (``shapely.STRtree``) find the strips near a bar, so the work grows as
n log n; a stretch of readings at a time is compared, so memory does not grow with the day.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.track import Track, along_and_across, main_axis_deg
from numpy.typing import NDArray

BARS_AT_ONCE = 500
# More earlier strips than this under one bar are no harvest but a machine that jitters on the spot.
MOST_STRIPS = 600
LONGEST_STEP_M = 20.0
LONGEST_STEP_S = 10.0
SHORTEST_STEP_M = 0.1
# Neighbouring ground is looked for this far beyond either end of the bar, as a share of its width.
BEYOND = 0.25
# A strip that was left standing between two passes is rare; where many are seen, positions are that coarse.
FEW_SKIPS = 0.1
FEWEST_NEIGHBOURS = 50
SMALLEST_GAP_M = 0.05
STEADY_S = 3.0


def effective_width(track: Track, working: Flags, width_m: Array) -> tuple[Array, float]:
    """Width of standing crop before each reading's cutter bar, m, (n,); NaN where position or width is unknown or
    nothing was cut. And the overlap below which it can't be distinguished from errors of position, so that it is
    not counted, m; 0 with fine positions.

    track : of one machine, sorted by time. working : the machine takes in crop, shape (n,). width_m : as logged,
    (n,). The bar is taken as wide as the widest logged width, and the effective width is never wider than the
    logged one: sections that are switched off are not cut, wherever they are. Ground that another machine has
    cut is not known here.
    """
    out = np.full(width_m.size, np.nan)
    rows = np.flatnonzero(working & track.known & np.isfinite(track.heading_deg) & (width_m > 0))
    if rows.size < 3:
        return out, 0.0
    full_m = float(np.max(width_m[rows]))
    bars, strips = _bars_and_strips(track, rows, full_m)
    if bars.rows.size < 2:
        return out, 0.0
    which, low, high, crowded = _covered(bars, strips, full_m)
    inside, left_m, right_m = _ends(which, low, high, bars.rows.size, full_m)
    moments = track.time_s[bars.rows]
    inside, left_m, right_m = (_steadied(values, moments) for values in (inside, left_m, right_m))
    overlaps = np.concatenate([left_m, right_m])
    coarse_m = _coarse(overlaps[np.isfinite(overlaps)])
    covered_m = np.where(inside * full_m > coarse_m, inside * full_m, 0.0)
    out[bars.rows] = np.minimum(width_m[bars.rows], full_m - covered_m)
    out[bars.rows[crowded]] = np.nan
    return out, coarse_m


@dataclass(frozen=True, slots=True)
class _Lines:
    """Bars in the middle of each step of the way: ends (m, 2), way_m travelled until there, rows they belong to."""

    left: Array
    right: Array
    way_m: Array
    rows: NDArray[np.int_]


def _bars_and_strips(track: Track, rows: NDArray[np.int_], width_m: float) -> tuple[_Lines, Array]:
    """Bars and, for each, the strip cut in its step: corners (m, 4, 2), counter-clockwise or clockwise."""
    axis = main_axis_deg(track.heading_deg[rows])
    along, across = along_and_across(track.east_m[rows], track.north_m[rows], axis)
    turn = np.radians(track.heading_deg[rows] - axis)
    place = np.column_stack([across, along])
    to_right = np.column_stack([np.cos(turn), -np.sin(turn)]) * width_m / 2
    step_m = np.hypot(*np.diff(place, axis=0).T)
    whole = (step_m > SHORTEST_STEP_M) & (step_m < LONGEST_STEP_M)
    whole &= np.diff(track.time_s[rows]) <= LONGEST_STEP_S
    known = np.flatnonzero(track.known)
    way = np.zeros(track.time_s.size)
    way[known[1:]] = np.cumsum(np.hypot(np.diff(track.east_m[known]), np.diff(track.north_m[known])))
    end = np.flatnonzero(whole) + 1
    middle, half = (place[end] + place[end - 1]) / 2, (to_right[end] + to_right[end - 1]) / 2
    strips = np.stack(
        [
            place[end - 1] - to_right[end - 1],
            place[end - 1] + to_right[end - 1],
            place[end] + to_right[end],
            place[end] - to_right[end],
        ],
        axis=1,
    )
    return _Lines(middle - half, middle + half, way[rows[end]], rows[end]), strips


def _covered(bars: _Lines, strips: Array, width_m: float) -> tuple[NDArray[np.int_], Array, Array, Flags]:
    """Parts of bars that lie on earlier strips: bar, from, to; 0 is the left end, 1 the right one. And which
    bars lie on so many that the machine must have jittered on the spot, shape (bars,).

    A strip counts as earlier once the machine has gone more than about half a width since: what it cuts just
    now was not cut before.
    """
    from shapely import STRtree

    span = bars.right - bars.left
    first, last = bars.left - BEYOND * span, bars.right + BEYOND * span
    corners = [np.ascontiguousarray(strips[:, k]) for k in range(4)]
    # Only what encloses a strip or bar counts for the tree; that of a line is made quicker than a box.
    tree = STRtree(_diagonals(corners))
    lines = _diagonals([first, last])
    since_m = 0.6 * width_m + 2.0
    found: list[tuple[NDArray[np.int_], Array, Array]] = []
    crowded = np.zeros(bars.rows.size, dtype=bool)
    for start in range(0, bars.rows.size, BARS_AT_ONCE):
        part = slice(start, start + BARS_AT_ONCE)
        bar, strip = tree.query(lines[part])
        bar = bar + start
        earlier = bars.way_m[bar] - bars.way_m[strip] > since_m
        bar, strip = bar[earlier], strip[earlier]
        crowded[part] = np.bincount(bar - start, minlength=crowded[part].size) > MOST_STRIPS
        bar, strip = bar[~crowded[bar]], strip[~crowded[bar]]
        low, high = _on_strip(first[bar], last[bar], [corner[strip] for corner in corners])
        hit = high > low
        scale = 1 + 2 * BEYOND
        found.append((bar[hit], low[hit] * scale - BEYOND, high[hit] * scale - BEYOND))
    which, low, high = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return which, low, high, crowded


def _diagonals(points: list[Array]) -> NDArray[np.object_]:
    """Lines from the lowest to the highest east and north of points, each (m, 2); shape (m,)."""
    from shapely import linestrings

    lowest, highest = reduce(np.minimum, points), reduce(np.maximum, points)
    return linestrings(np.stack([lowest, highest], axis=1))


def _on_strip(first: Array, last: Array, corners: list[Array]) -> tuple[Array, Array]:
    """From where to where, 0 to 1, segments lie inside convex four-cornered strips (Cyrus and Beck 1978).

    first, last : ends of the segments, (m, 2). corners : the four of each segment's strip, in turn, (m, 2) each.
    """
    following = [*corners[1:], corners[0]]
    pairs = list(zip(corners, following, strict=True))
    turned = np.sign(np.sum([a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1] for a, b in pairs], axis=0))
    low, high, never = np.zeros(len(first)), np.ones(len(first)), np.zeros(len(first), dtype=bool)
    for corner, nxt in pairs:
        edge = nxt - corner
        # Below 0 beyond the edge.
        at_first, at_last = (
            turned * (edge[:, 0] * (point[:, 1] - corner[:, 1]) - edge[:, 1] * (point[:, 0] - corner[:, 0]))
            for point in (first, last)
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            crossing = at_first / (at_first - at_last)
        in_first, in_last = at_first >= 0, at_last >= 0
        low = np.where(~in_first & in_last, np.maximum(low, crossing), low)
        high = np.where(in_first & ~in_last, np.minimum(high, crossing), high)
        never |= ~(in_first | in_last)
    return low, np.where(never, -1.0, high)


def _ends(
    which: NDArray[np.int_], low: Array, high: Array, bars: int, width_m: float
) -> tuple[Array, Array, Array]:
    """Share of each bar that is covered, and how far the neighbouring ground reaches under its left and right end, m
    (negative: a gap to it; NaN: no such ground, or the whole bar lies on it). Each of shape (bars,)."""
    order = np.lexsort((low, which))
    which, low, high = which[order], low[order], high[order]
    inner_low, inner_high = np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)
    # Each bar has a stretch of its own, two long, so that one running maximum serves them all.
    reach = np.maximum.accumulate(which * 2.0 + inner_high)
    before = np.concatenate([[-np.inf], reach[:-1]])
    fresh = which * 2.0 + inner_high - np.maximum(which * 2.0 + inner_low, before)
    share = np.bincount(which, np.maximum(fresh, 0.0), bars)[:bars].astype(np.float64)
    left, right = np.full(bars, -np.inf), np.full(bars, np.inf)
    at_left, at_right = low < 0, high > 1
    np.maximum.at(left, which[at_left], np.where(high[at_left] > 0.5, -np.inf, high[at_left]))
    np.minimum.at(right, which[at_right], np.where(low[at_right] < 0.5, np.inf, low[at_right]))
    near_left, near_right = (np.asarray(v, dtype=np.float64) for v in (left * width_m, (1 - right) * width_m))
    return (
        share,
        np.where(np.isfinite(near_left), near_left, np.nan),
        np.where(np.isfinite(near_right), near_right, np.nan),
    )


def _steadied(values: Array, time_s: Array) -> Array:
    """``values`` as the median of the three seconds either way: what a receiver's noise moves to and fro stays
    where it is, and edges of cut ground stay sharp. NaN where they are."""
    step = np.diff(time_s)
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 1.0
    window = 2 * int(STEADY_S / usual) + 1
    series = pl.Series(values, nan_to_null=True)
    middle = series.rolling_median(window, min_samples=1, center=True).fill_null(float("nan")).to_numpy()
    return np.where(np.isfinite(values), middle, np.nan)


def _coarse(overlaps_m: Array) -> float:
    """Twice the spread of gaps between passes where they are frequent, else 0, m (median of a half normal).

    Nobody leaves strips standing all over a field. Where positions say so, they are off by as much, and
    overlaps of that size are just as unreal.
    """
    if overlaps_m.size < FEWEST_NEIGHBOURS:
        return 0.0
    gaps = overlaps_m[overlaps_m < -SMALLEST_GAP_M]
    if gaps.size < FEW_SKIPS * overlaps_m.size:
        return 0.0
    return float(2 * np.median(-gaps) / 0.6745)
