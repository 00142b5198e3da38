"""Regimes of a field that a log shows: the way a pass goes, headlands against the rest, the evening's dew.

Each regime has its own level, and a change of a setting made as a regime begins can't be separated from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.work.track import main_axis_deg, turned_deg

# Passes further off the main direction than this run along the headlands.
HEADLAND_DEG = 30.0
# Straw gets tough with the dew while the sun sinks from this height to the horizon, and dries while it rises to it; a
# change made while it stands between the two heights below was made as that began (common practice, no source).
DEW_BELOW_DEG = 12.0
DEW_COMES_DEG = (-3.0, 8.0)
# A regime is at least this much work, on both sides of its start.
SHORTEST_REGIME_S = 600.0
# A change this near to the start of a regime coincides with it.
COINCIDES_S = 600.0


@dataclass(frozen=True, slots=True)
class Ways:
    """Of each bin, (n,): which way its pass goes along the main direction (+1, -1; 0 unknown or across), and whether
    it runs across it, on a headland."""

    way: Array
    headland: Flags


def ways_of(binned: Binned) -> Ways:
    """Direction of every bin's pass from the positions of its bins."""
    n = binned.time_s.size
    east, north = binned.east_m, binned.north_m
    none = Ways(np.zeros(n), np.zeros(n, dtype=bool))
    if n < 3 or not np.isfinite(east).any():
        return none
    # A pass ends where the time since its start falls, or the clock runs on further than the pass.
    since = binned.since_start_s
    new = np.concatenate([[True], ~(np.diff(since) > 0) | (np.diff(binned.time_s) - np.diff(since) > 5.0)])
    passes = np.cumsum(new) - 1
    first = np.flatnonzero(new)
    last = np.concatenate([first[1:], [n]]) - 1
    run_east, run_north = east[last] - east[first], north[last] - north[first]
    heading = np.degrees(np.arctan2(run_east, run_north)) % 360.0
    heading[(first == last) | ~np.isfinite(run_east) | ~np.isfinite(run_north)] = np.nan
    of_bin = heading[passes]
    axis = main_axis_deg(of_bin)
    if not np.isfinite(axis):
        return none
    off = np.abs(turned_deg(np.full(n, 2 * axis), 2 * of_bin)) / 2
    across = np.nan_to_num(off) > HEADLAND_DEG
    ahead = np.abs(turned_deg(np.full(n, axis), of_bin)) < 90.0
    way = np.where(np.isfinite(of_bin) & ~across, np.where(ahead, 1.0, -1.0), 0.0)
    return Ways(way, across)


def dew_of(binned: Binned) -> Array:
    """How far the dew has come, 0 to 1, by the height of the sun, (n,); 0 where the place is not known."""
    if binned.sun_deg is None:
        return np.zeros(binned.time_s.size)
    low = np.clip((DEW_BELOW_DEG - binned.sun_deg) / DEW_BELOW_DEG, 0.0, 1.0)
    return np.asarray(np.nan_to_num(low))


def as_dew_comes(binned: Binned, k: int) -> bool:
    """Whether change ``k`` was made at a height of the sun at which dew comes or dries."""
    if binned.sun_deg is None or not binned.time_s.size:
        return False
    at = min(int(np.searchsorted(binned.time_s, binned.changes[k].first_s)), binned.time_s.size - 1)
    return bool(DEW_COMES_DEG[0] <= binned.sun_deg[at] <= DEW_COMES_DEG[1])


def regime_starts(binned: Binned, ways: Ways) -> tuple[float, ...]:
    """Moments at which work moves from the headlands to the rest or back for good, s since 1970.

    For good: with at least ten minutes of the one before and of the other after.
    """
    on, seconds = ways.headland, binned.seconds
    total = float(seconds.sum())
    if not on.any() or on.all():
        return ()
    found = []
    before = np.concatenate([[0.0], np.cumsum(seconds)])
    moved = np.flatnonzero(np.diff(on.astype(int)) != 0) + 1
    bounds = [0, *moved.tolist(), on.size]
    for left, at, right in zip(bounds[:-2], bounds[1:-1], bounds[2:], strict=True):
        if min(before[at] - before[left], before[right] - before[at]) >= min(SHORTEST_REGIME_S, total / 6):
            found.append(float(binned.time_s[at]))
    return tuple(found)


def coincides(binned: Binned, k: int, starts: tuple[float, ...]) -> bool:
    """Whether change ``k`` was made as one of the regimes that begin at ``starts`` began."""
    change = binned.changes[k]
    return any(change.first_s - COINCIDES_S < start < change.last_s + COINCIDES_S for start in starts)
