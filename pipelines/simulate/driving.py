"""How the machine goes over the field: passes, headland turns, stops, speed.

Speed is made along the path in cells of ``PATH_CELL_M`` (what the driver reacts to lies on the ground), then
turned into a clock, so that no loop over seconds is needed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.simulate.loss_noise import first_order
from numpy.typing import NDArray

PATH_CELL_M = 2.0
TURN_S = (20.0, 40.0)
TANK_KG = 9000.0


@dataclass(frozen=True)
class Path:
    """The way through the crop, one row per cell. ``x_m`` across, ``y_m`` along; ``direction`` +1 or -1."""

    x_m: Array
    y_m: Array
    direction: Array
    pass_number: NDArray[np.int64]
    width_m: Array
    into_pass_m: Array
    length_m: float
    spacing_m: float
    passes: int


@dataclass(frozen=True)
class Clock:
    """When each edge of the path is reached: ``time_s`` over ``distance_m``; a pause repeats its distance."""

    time_s: Array
    distance_m: Array
    turn_start_s: Array
    turn_s: Array
    speed_m_s: Array


@dataclass(frozen=True)
class Driving:
    """The drive, one row per second. ``cell`` is the fractional cell of the path under the cutter bar. ``headland``:
    on the headlands, which are cut first."""

    cell: Array
    x_m: Array
    y_m: Array
    direction: Array
    heading_deg: Array
    speed_m_s: Array
    working: NDArray[np.bool_]
    width_m: Array
    turning: NDArray[np.bool_]
    headland: NDArray[np.bool_]


def plan_path(rng: np.random.Generator, header_m: float, speed_m_s: float, seconds: float) -> Path:
    """Back and forth over a rectangle that takes at least ``seconds`` at about ``speed_m_s``."""
    length_m = PATH_CELL_M * round(rng.uniform(280.0, 640.0) / PATH_CELL_M)
    per_pass_s = length_m / speed_m_s + np.mean(TURN_S)
    passes = int(np.ceil(1.25 * seconds / per_pass_s)) + 2
    cells = round(length_m / PATH_CELL_M)
    spacing_m = header_m * 0.97
    number = np.repeat(np.arange(passes), cells)
    into = np.tile((np.arange(cells) + 0.5) * PATH_CELL_M, passes)
    direction = np.where(number % 2 == 0, 1.0, -1.0)
    cut = header_m * rng.uniform(0.94, 1.0, passes)
    return Path(
        x_m=np.asarray((number + 0.5) * spacing_m, dtype=np.float64),
        y_m=np.where(direction > 0, into, length_m - into),
        direction=direction,
        pass_number=number,
        width_m=cut[number],
        into_pass_m=into,
        length_m=length_m,
        spacing_m=spacing_m,
        passes=passes,
    )


def driven_speed(
    rng: np.random.Generator,
    path: Path,
    target_m_s: float,
    relative_yield: Array,
    unloading: Array,
    stops: NDArray[np.int64],
) -> Array:
    """Speed in each cell, m/s.

    The driver holds a target with first-order wandering (7 % over about 60 m, 5 % over about 2 km), goes
    slower in heavy crop (speed ~ yield ** -0.4, looked at over some 20 m), a little slower while unloading,
    and needs some metres to get going and to stop, at the ends and at the cells ``stops``.
    """
    n = path.x_m.size
    wander = 0.07 * _wandering(rng, n, 60.0) + 0.05 * _wandering(rng, n, 2000.0)
    window = 10
    heavy = np.convolve(np.pad(relative_yield, window, mode="edge"), np.ones(2 * window + 1), "valid")
    heavy /= 2 * window + 1
    from_end = np.minimum(path.into_pass_m, path.length_m - path.into_pass_m)
    for stop in stops:
        from_end = np.minimum(from_end, PATH_CELL_M * np.abs(np.arange(n) - stop - 0.5))
    getting_going = np.minimum(1.0, np.sqrt(0.15 + from_end / 12.0))
    return target_m_s * np.exp(wander) * heavy**-0.4 * getting_going * np.where(unloading > 0, 0.95, 1.0)


def _wandering(rng: np.random.Generator, n: int, length_m: float) -> Array:
    keep = float(np.exp(-PATH_CELL_M / length_m))
    start = rng.standard_normal()
    shocks = np.sqrt(1 - keep**2) * rng.standard_normal(n)
    return first_order(shocks, keep, start)


def unloading_cells(crop_kg: Array) -> Array:
    """1 where the grain tank is emptied on the go: the first tenth of each tank after the first, else 0."""
    filled = np.cumsum(crop_kg)
    return ((filled > TANK_KG) & (filled % TANK_KG < 0.1 * TANK_KG)).astype(np.float64)


def choose_stops(rng: np.random.Generator, path: Path) -> NDArray[np.int64]:
    """Cells after which the machine stands for a while, about one in 8 km, never the last of a pass."""
    cells = path.x_m.size
    stops = np.sort(rng.choice(cells, size=max(1, cells // 4000), replace=False))
    return stops[(stops + 1) % (cells // path.passes) != 0]


def run_clock(rng: np.random.Generator, path: Path, speed_m_s: Array, stops: NDArray[np.int64]) -> Clock:
    """Time at the cell edges, with a turn after each pass and a rest of 0.5 to 4 min at each stop."""
    cells = path.x_m.size
    per_pass = cells // path.passes
    pause = np.zeros(cells)
    ends = np.arange(1, path.passes + 1) * per_pass - 1
    pause[ends] = rng.uniform(*TURN_S, path.passes)
    pause[stops] += rng.uniform(30.0, 240.0, stops.size)
    travel = PATH_CELL_M / speed_m_s
    reached = np.cumsum(travel + pause) - pause
    paused = np.flatnonzero(pause)
    edges = np.arange(1, cells + 1) * PATH_CELL_M
    time_s = np.concatenate([[0.0], np.insert(reached, paused + 1, reached[paused] + pause[paused])])
    distance_m = np.concatenate([[0.0], np.insert(edges, paused + 1, edges[paused])])
    return Clock(time_s, distance_m, reached[ends], pause[ends], speed_m_s)


def change_speed(clock: Clock, path: Path, times_s: Array, log_factor: Array) -> tuple[Clock, Array]:
    """The same way with the target speed times exp(``log_factor``) from each of ``times_s`` on.

    Returns the new clock and the moments, on it, at which the same spots of the path are reached.
    """
    at_m = np.interp(times_s, clock.time_s, clock.distance_m)
    factor = np.exp(np.concatenate([[0.0], np.cumsum(log_factor)]))
    step_m, step_s = np.diff(clock.distance_m), np.diff(clock.time_s)
    piece = np.searchsorted(at_m, clock.distance_m[1:] - step_m / 2, side="right")
    new_s = np.where(step_m > 0, step_s / factor[piece], step_s)
    time_s = np.concatenate([[0.0], np.cumsum(new_s)])
    cell_piece = np.searchsorted(at_m, (np.arange(path.x_m.size) + 0.5) * PATH_CELL_M, side="right")
    last_edge = np.searchsorted(clock.time_s, clock.turn_start_s, side="left")
    faster = Clock(
        time_s, clock.distance_m, time_s[last_edge], clock.turn_s, clock.speed_m_s * factor[cell_piece]
    )
    moments = np.interp(times_s, clock.time_s, time_s)
    return faster, moments


def drive(path: Path, clock: Clock, seconds: int, headland_s: float = 0.0) -> Driving:
    """The position, speed and work state at every full second from 0.

    The passes of the first ``headland_s`` run along both ends of the field, across the others.
    """
    time_s = np.arange(seconds, dtype=np.float64)
    distance = np.interp(time_s, clock.time_s, clock.distance_m)
    cell = distance / PATH_CELL_M - 0.5
    nearest = np.clip((distance / PATH_CELL_M).astype(np.int64), 0, path.x_m.size - 1)
    turn = np.searchsorted(clock.turn_start_s, time_s, side="right") - 1
    known = np.maximum(turn, 0)
    into_turn = (time_s - clock.turn_start_s[known]) / clock.turn_s[known]
    turning = (turn >= 0) & (into_turn < 1.0)
    done = np.where(turning, into_turn, 0.0)
    pass_number = np.where(turning, known, path.pass_number[nearest])
    direction = np.where(pass_number % 2 == 0, 1.0, -1.0)
    bulge = 12.0 * np.sin(np.pi * done)
    end_m = np.where(direction > 0, path.length_m, 0.0)
    into_pass = distance - pass_number * path.length_m
    along = np.where(direction > 0, into_pass, path.length_m - into_pass)
    half_before, half_after = (
        np.interp(time_s + half, clock.time_s, clock.distance_m) for half in (-0.5, 0.5)
    )
    speed = np.where(turning, 1.0 + 0.6 * np.sin(np.pi * done), half_after - half_before)
    x_m = (pass_number + 0.5 + done) * path.spacing_m
    y_m = np.where(turning, end_m + direction * bulge, along)
    heading_deg = np.where(direction > 0, 0.0, 180.0) + 180.0 * done
    headland = np.zeros(seconds, dtype=bool)
    if headland_s:
        headland = pass_number <= pass_number[min(int(headland_s), seconds - 1)]
        half = (pass_number[headland][-1] + 1) // 2
        far = x_m > half * path.spacing_m
        at_end = np.where(far, path.length_m + x_m - half * path.spacing_m, -x_m)
        x_m, y_m = np.where(headland, y_m, x_m), np.where(headland, at_end, y_m)
        heading_deg = np.where(headland, heading_deg + 90.0, heading_deg)
    return Driving(
        cell=cell,
        x_m=x_m,
        y_m=y_m,
        direction=direction,
        heading_deg=heading_deg,
        speed_m_s=speed,
        working=~turning,
        width_m=path.width_m[nearest],
        turning=turning,
        headland=headland,
    )
