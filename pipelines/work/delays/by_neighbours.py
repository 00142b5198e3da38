"""Delays from passes side by side, driven in opposite directions.

What the ground gives (yield, moisture) hardly differs between two neighbouring passes. A wrong delay moves one
pass forward and its neighbour back, so their courses along the field agree best at the right delay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.delays.lag import Lag, jackknife_error, peak_of
from chaffinch.pipelines.work.series import smeared
from chaffinch.pipelines.work.track import Track, along_and_across, main_axis_deg, turned_deg
from numpy.typing import NDArray

GRID_M = 3.0
# Below 0: many loggers export flow and moisture already moved by the delay they were set to, some too far.
TRIED_S = np.arange(-15.0, 40.5, 1.0)
FEWEST_PAIRS = 4
SHORTEST_OVERLAP_M = 60.0
LONGEST_PASS_M = 10_000.0
# Neighbours lie at most this many widths apart; passes lie within this of the main direction.
WIDTHS_APART = 1.7
STRAIGHT_DEG = 15.0
LEAST_AGREEMENT = 0.2
# The start of a pass shows the machine filling, not the ground.
AFTER_START_S = 25.0
BEFORE_END_S = 2.0
LEAST_ERROR_S = 0.25
WORST_ERROR_S = 3.0


@dataclass(frozen=True, slots=True)
class Pairs:
    """Neighbouring passes: what is needed to compare one with the other. Rows are readings inside passes."""

    time_s: Array
    rate: Array
    until_s: Array
    usable: Flags
    way_m: Array
    first: NDArray[np.int_]
    second: NDArray[np.int_]
    low_m: Array
    high_m: Array
    offset_m: Array
    sign: Array


def find_pairs(
    track: Track,
    pass_number: NDArray[np.int32],
    since_s: Array,
    until_s: Array,
    width_m: float,
    rate: Array,
) -> Pairs | None:
    """Pairs of passes in opposite directions that lie side by side; None where there are fewer than four.

    since_s, until_s : seconds since the pass began and until it ends. rate : by which a signal is divided at the
    moment of intake, such as speed, to become what the ground gives.
    """
    inside = (pass_number > 0) & track.known & np.isfinite(track.heading_deg)
    if inside.sum() < 100:
        return None
    axis = main_axis_deg(track.heading_deg[inside])
    along, across = along_and_across(track.east_m, track.north_m, axis)
    turned = turned_deg(np.full(along.size, axis), track.heading_deg)
    sign = np.where(np.abs(turned) <= 90, 1.0, -1.0)
    straight = inside & (np.abs((turned + 90.0) % 180.0 - 90.0) < STRAIGHT_DEG)
    rows = np.flatnonzero(straight)
    if rows.size < 100:
        return None
    number = pass_number[rows]
    starts = np.concatenate([[0], np.flatnonzero(np.diff(number)) + 1])
    low, high = np.minimum.reduceat(along[rows], starts), np.maximum.reduceat(along[rows], starts)
    size = np.diff(np.concatenate([starts, [rows.size]]))
    middle = np.add.reduceat(across[rows], starts) / size
    way = np.sign(np.add.reduceat(sign[rows], starts))
    first, second = _side_by_side(middle, low, high, way, width_m)
    if first.size < FEWEST_PAIRS:
        return None
    index = np.repeat(np.arange(starts.size), size)
    span = float(np.max(high) - np.min(low)) + 1000.0
    return Pairs(
        time_s=track.time_s[rows],
        rate=np.where(rate[rows] > 0, rate[rows], np.nan),
        until_s=until_s[rows],
        usable=since_s[rows] >= AFTER_START_S,
        way_m=way[index] * along[rows] + index * 2 * span,
        first=first,
        second=second,
        low_m=np.maximum(low[first], low[second]),
        high_m=np.minimum(high[first], high[second]),
        offset_m=np.arange(float(starts.size)) * 2 * span,
        sign=way,
    )


def _side_by_side(
    middle: Array, low: Array, high: Array, way: Array, width_m: float
) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Each pass with its next neighbour to the right, where that one runs the other way."""
    order = np.argsort(middle, kind="stable")
    found: list[tuple[int, int]] = []
    for reach in (1, 2, 3):
        a, b = order[:-reach], order[reach:]
        gap = middle[b] - middle[a]
        overlap = np.minimum(high[a], high[b]) - np.maximum(low[a], low[b])
        good = (gap > 0.3 * width_m) & (gap < WIDTHS_APART * width_m) & (way[a] * way[b] < 0)
        good &= (overlap > SHORTEST_OVERLAP_M) & (overlap < LONGEST_PASS_M)
        found += list(zip(a[good].tolist(), b[good].tolist(), strict=True))
    if not found:
        return np.empty(0, int), np.empty(0, int)
    first, second = np.array(found).T
    return first, second


def differences_of_passes(pairs: Pairs, seconds: Array, signal: Array, smear_s: float) -> Array:
    """Moments of the courses of each pair at each of ``TRIED_S`` + ``smear_s``, shape (delays, pairs, 3); see
    ``correlated``. Zero where there is too little to compare.

    seconds, signal : the sensor's own series, one row per second; NaN where not logged. The signal is smeared
    backwards in time by ``smear_s``, so that its own smearing shifts it no more: what is left is dead time.
    """
    moments = np.zeros((TRIED_S.size, pairs.first.size, 3))
    known = np.isfinite(signal)
    rows = np.flatnonzero(pairs.usable & (pairs.until_s >= BEFORE_END_S + 2 * smear_s))
    if known.sum() < 100 or rows.size < 2:
        return moments
    whole = np.interp(seconds, seconds[known], signal[known])
    whole = smeared(whole[::-1] - whole[-1], smear_s)[::-1] + whole[-1]
    courses = _Courses.of(pairs, rows)
    since, rate = pairs.time_s[rows] - seconds[0], pairs.rate[rows]
    rise = np.diff(whole, append=whole[-1])
    for i, delay in enumerate(TRIED_S):
        at = np.clip(since + delay, 0.0, whole.size - 1.0)
        second = at.astype(np.intp)
        moments[i] = courses.moments((whole[second] + rise[second] * (at - second)) / rate)
    return moments


def neighbour_lag(pairs: Pairs, seconds: Array, signal: Array, smear_s: float) -> Lag | None:
    """The delay at which neighbouring passes agree best, its error from leaving out pairs in turn.

    None where they never agree much, or best at an edge of what was tried.
    """
    moments = differences_of_passes(pairs, seconds, signal, smear_s)
    whole = moments.sum(axis=1)
    correlation = correlated(whole)
    peak = peak_of(correlation, TRIED_S)
    if peak is None or np.nanmax(correlation) < LEAST_AGREEMENT:
        return None
    groups = np.array_split(np.arange(pairs.first.size), min(pairs.first.size, 12))
    left = [peak_of(correlated(whole - moments[:, g].sum(axis=1)), TRIED_S) for g in groups]
    known = [x for x in left if x is not None]
    if len(known) < max(3, 0.7 * len(groups)):
        return None
    error = max(jackknife_error(known), LEAST_ERROR_S)
    return Lag(peak + smear_s, error, True, ("passes",)) if error < WORST_ERROR_S else None


def _grid(pairs: Pairs) -> tuple[Array, NDArray[np.int_]]:
    """Places along the field at which each pair is compared, and the pair of each."""
    counts = ((pairs.high_m - pairs.low_m) / GRID_M).astype(int)
    owner = np.repeat(np.arange(counts.size), counts)
    nth = np.arange(float(owner.size)) - np.repeat(np.cumsum(counts) - counts, counts)
    return pairs.low_m[owner] + (nth + 0.5) * GRID_M, owner


@dataclass(frozen=True, slots=True)
class _Course:
    """Where the places of one side of all pairs lie between its readings: the reading before each, and how far
    it is to the next as a share; (m,)."""

    before: NDArray[np.intp]
    share: Array

    def of(self, values: Array) -> Array:
        """``values`` of the readings at the places, shape (m,)."""
        here = values[self.before]
        return here + (values[self.before + 1] - here) * self.share


@dataclass(frozen=True, slots=True)
class _Courses:
    """Both sides of all pairs at places where both are known, ordered by pair. What does not depend on the delay
    is here: ``starts``, the first place of each pair that has any (``owners``); ``count``, their number of
    places; ``x``, the place from the pair's middle, and ``xx``, the sum of its squares by pair."""

    own: _Course
    other: _Course
    starts: NDArray[np.intp]
    owners: NDArray[np.intp]
    count: Array
    x: Array
    xx: Array
    pairs: int

    @classmethod
    def of(cls, pairs: Pairs, rows: NDArray[np.intp]) -> _Courses:
        """``rows``: readings that may be compared. Places over 15 m between readings are not known."""
        grid, owner = _grid(pairs)
        way, rated = np.maximum.accumulate(pairs.way_m[rows]), np.isfinite(pairs.rate[rows])
        sides, known = [], np.ones(grid.size, dtype=bool)
        for side in (pairs.first, pairs.second):
            at = pairs.sign[side[owner]] * grid + pairs.offset_m[side[owner]]
            nxt = np.clip(np.searchsorted(way, at), 1, way.size - 1)
            gap = way[nxt] - way[nxt - 1]
            known &= (gap < 15.0) & (at >= way[0]) & (at <= way[-1]) & rated[nxt] & rated[nxt - 1]
            with np.errstate(invalid="ignore", divide="ignore"):
                sides.append((nxt - 1, (at - way[nxt - 1]) / gap))
        own, other = (_Course(before[known], share[known]) for before, share in sides)
        x, owner = grid[known], owner[known]
        starts = np.flatnonzero(np.diff(owner, prepend=-1))
        count = np.diff(starts, append=owner.size).astype(np.float64)
        if starts.size:
            x = x - np.repeat(np.add.reduceat(x, starts) / count, count.astype(int))
            xx = np.maximum(np.add.reduceat(x * x, starts), 1e-9)
        else:
            xx = np.empty(0)
        return cls(own, other, starts, owner[starts], count, x, xx, pairs.first.size)

    def moments(self, values: Array) -> Array:
        """Sums (aa, bb, ab) by pair after each course's mean and trend are taken out, shape (pairs, 3).

        values : at the readings, shape (rows,).
        """
        out = np.zeros((self.pairs, 3))
        if not self.starts.size:
            return out
        # Any level will do: it only keeps sums of squares small, and makes nothing of a signal that never moves.
        level = values[self.own.before[0]]
        a, b = self.own.of(values) - level, self.other.of(values) - level
        sums = np.empty((7, a.size))
        sums[0], sums[1] = a, b
        for row, (left, right) in enumerate(((self.x, a), (self.x, b), (a, a), (b, b), (a, b)), start=2):
            np.multiply(left, right, out=sums[row])
        a_sum, b_sum, xa, xb, aa, bb, ab = np.add.reduceat(sums, self.starts, axis=1)
        out[self.owners] = np.column_stack(
            [
                aa - a_sum * a_sum / self.count - xa * xa / self.xx,
                bb - b_sum * b_sum / self.count - xb * xb / self.xx,
                ab - a_sum * b_sum / self.count - xa * xb / self.xx,
            ]
        )
        return out


def correlated(sums: Array) -> Array:
    """Correlation of the courses of all pairs by their summed moments (aa, bb, ab), shape (..., 3)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return 2 * sums[..., 2] / (sums[..., 0] + sums[..., 1])
