"""Which seconds belong to which run through the crop."""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.work.track import turned_deg
from numpy.typing import NDArray

SLOWEST_WORK_M_S = 0.3
LONGEST_GAP_S = 10.0
SHORTEST_TURN_S = 4.0
SHORTEST_PASS_S = 20.0
ABOUT_DEG = 120.0


def working_state(
    logged: Array,
    speed_m_s: Array,
    grain_flow: Array,
    grain_delay_s: float,
    time_s: Array,
    turning: Flags | None = None,
    reversing: Flags | None = None,
) -> Flags:
    """True where the machine takes in crop.

    The logged work state rules where it is logged and ever changes or is 1; otherwise grain flow, brought
    forward by its delay, tells, or speed where there is none, and a machine that turns is not working. One
    that stands still or reverses never is.
    """
    moving = ~(speed_m_s < SLOWEST_WORK_M_S)
    if reversing is not None:
        moving &= ~reversing
    known = np.isfinite(logged)
    if known.mean() > 0.5 and np.nanmax(logged) > 0:
        filled = np.where(known, logged, 0) > 0.5
        return filled & moving
    if turning is not None:
        moving &= ~turning
    flowing = np.isfinite(grain_flow) & (grain_flow > 0)
    if flowing.any():
        typical = np.percentile(grain_flow[flowing], 75)
        enters = np.interp(time_s + grain_delay_s, time_s, np.nan_to_num(grain_flow))
        return (enters > 0.15 * typical) & moving
    return moving & (np.nan_to_num(speed_m_s) >= SLOWEST_WORK_M_S)


def number_passes(time_s: Array, working: Flags, heading_deg: Array | None = None) -> NDArray[np.int32]:
    """Number of the pass of every reading, from 1; 0 outside.

    A pass ends at a gap in the log of over 10 s, when work stops for 4 s or more (a shorter stop is a flicker
    of the work state), or where the direction of travel turns about from one reading to the next. Passes under
    20 s count as none.
    """
    index = np.flatnonzero(working)
    number = np.zeros(working.size, dtype=np.int32)
    if index.size == 0:
        return number
    breaks = np.diff(time_s[index]) > SHORTEST_TURN_S
    rows_between = np.diff(index) > 1
    gap = np.diff(time_s[index]) > LONGEST_GAP_S
    about = np.zeros(gap.size, dtype=bool)
    if heading_deg is not None:
        about = _turned_about(heading_deg[index])
    group = np.concatenate([[0], np.cumsum((breaks & rows_between) | gap | about)])
    first = np.concatenate([[0], np.flatnonzero(np.diff(group)) + 1])
    last = np.concatenate([first[1:] - 1, [index.size - 1]])
    long_enough = time_s[index[last]] - time_s[index[first]] >= SHORTEST_PASS_S
    renumbered = np.where(long_enough, np.cumsum(long_enough), 0).astype(np.int32)
    number[index] = renumbered[group]
    return number


def _turned_about(heading_deg: Array) -> Flags:
    """Whether the direction flips between each reading and the next, and stays so for one more each way."""
    if heading_deg.size < 4:
        return np.zeros(max(heading_deg.size - 1, 0), dtype=bool)
    at_once = np.abs(turned_deg(heading_deg[:-1], heading_deg[1:])) > ABOUT_DEG
    around = np.abs(turned_deg(heading_deg[:-3], heading_deg[3:])) > ABOUT_DEG
    return at_once & np.concatenate([[False], around, [False]])


def since_start_and_to_end(time_s: Array, pass_number: NDArray[np.int32]) -> tuple[Array, Array]:
    """Seconds since the pass began and until it ends, for every reading; NaN outside passes."""
    since, until = np.full(time_s.size, np.nan), np.full(time_s.size, np.nan)
    inside = np.flatnonzero(pass_number > 0)
    if inside.size == 0:
        return since, until
    numbers = pass_number[inside]
    first = np.concatenate([[True], np.diff(numbers) != 0])
    starts = time_s[inside][first]
    ends = time_s[inside][np.concatenate([first[1:], [True]])]
    order = np.cumsum(first) - 1
    since[inside] = time_s[inside] - starts[order]
    until[inside] = ends[order] - time_s[inside]
    return since, until
