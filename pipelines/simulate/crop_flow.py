"""What enters the machine second by second: grain, its moisture, the lie of the ground."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.simulate.driving import (
    PATH_CELL_M,
    Clock,
    Driving,
    Path,
    change_speed,
    choose_stops,
    drive,
    driven_speed,
    plan_path,
    run_clock,
    unloading_cells,
)
from chaffinch.pipelines.simulate.scenario import Scenario
from chaffinch.pipelines.simulate.simulated_crops import SimulatedCrop
from chaffinch.pipelines.simulate.surface import bilinear, random_surface

GRID_M = 8.0
STRAW_LENGTH_M = 60.0
"""Over which the correlation of straw per grain falls to 1/e."""


@dataclass(frozen=True)
class Cells:
    """Properties of the ground in each cell of the path, all (cells,)."""

    relative_yield: Array
    straw_log: Array
    moisture_pct: Array
    altitude_m: Array
    across: Array
    along: Array
    drift: tuple[Array, Array]


@dataclass(frozen=True)
class Intake:
    """One row per second, at the cutter bar. ``feed_kg_s`` is grain entering, wet; ``load_kg_s`` the same
    scaled by straw per grain relative to the usual: what fills the machine."""

    drive: Driving
    feed_kg_s: Array
    load_kg_s: Array
    moisture_pct: Array
    altitude_m: Array
    pitch_deg: Array
    roll_deg: Array
    unloading: Array
    drift: tuple[Array, Array]


def lay_ground(rng: np.random.Generator, scenario: Scenario, path: Path) -> Cells:
    """Yield (correlated over 30 and 130 m), straw, moisture, relief and bound drift under the path."""
    shape = (int(path.passes * path.spacing_m / GRID_M) + 2, int(path.length_m / GRID_M) + 2)

    def surface(length_m: float) -> Array:
        return random_surface(rng, shape, GRID_M, length_m)

    def under(grid: Array) -> Array:
        return bilinear(grid, GRID_M, path.x_m, path.y_m)

    crop = under(0.6 * surface(30.0) + 0.8 * surface(130.0))
    relief = _relief(rng, shape)
    slope_across, slope_along = (np.gradient(relief, GRID_M, axis=axis) for axis in (0, 1))
    noise, none = scenario.noise, np.zeros(path.x_m.size)
    shared = np.sqrt(noise.shared) * under(surface(noise.ground_length_m)) if noise.ground_sd else none
    own = np.sqrt(1.0 - noise.shared)
    bound = tuple(
        shared + own * under(surface(noise.ground_length_m)) if noise.ground_sd else none for _ in range(2)
    )
    return Cells(
        relative_yield=np.exp(scenario.yield_sd * crop - scenario.yield_sd**2 / 2),
        straw_log=scenario.straw_sd * under(surface(STRAW_LENGTH_M)) if scenario.straw_sd else none,
        moisture_pct=0.25 * under(surface(80.0)),
        altitude_m=under(relief),
        across=under(slope_across),
        along=under(slope_along),
        drift=(bound[0], bound[1]),
    )


def _relief(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    """Smooth hills: a few long waves, slopes mostly below 4 degrees, m."""
    x = np.arange(shape[0])[:, None] * GRID_M
    y = np.arange(shape[1])[None, :] * GRID_M
    height = np.zeros(shape)
    for _ in range(6):
        wave_m, bearing, phase = rng.uniform(180.0, 700.0), rng.uniform(0, np.pi), rng.uniform(0, 2 * np.pi)
        along = (x * np.cos(bearing) + y * np.sin(bearing)) * 2 * np.pi / wave_m
        height += rng.uniform(0.004, 0.016) * wave_m / np.pi * np.sin(along + phase)
    return height


@dataclass(frozen=True)
class Tour:
    """The way, the ground under it and the clock. ``grain_kg_m`` (standing per metre of way): (cells,)."""

    path: Path
    cells: Cells
    clock: Clock
    grain_kg_m: Array
    unloading: Array

    def with_speed_changes(self, times_s: Array, log_factor: Array) -> tuple[Tour, Array]:
        """Target speed times exp(``log_factor``) from each moment on; the moments on the new clock."""
        clock, moments = change_speed(self.clock, self.path, times_s, log_factor)
        return replace(self, clock=clock), moments


def plan_tour(
    rng: np.random.Generator,
    scenario: Scenario,
    crop: SimulatedCrop,
    header_m: float,
    rated_kg_s: float,
    slowest_log: float,
) -> Tour:
    """A field to be cut at about the rated feed rate, long enough for the scenario's hours.

    ``slowest_log``: sum of the speed changes to come, so that the field is large enough.
    """
    kg_m2 = crop.yield_t_ha * rng.uniform(0.88, 1.12) / 10.0
    target_m_s = rated_kg_s * rng.uniform(0.88, 1.02) / (kg_m2 * header_m)
    seconds = scenario.hours * 3600.0 * np.exp(max(slowest_log, 0.0))
    path = plan_path(rng, header_m, target_m_s, seconds)
    cells = lay_ground(rng, scenario, path)
    grain_kg_m = cells.relative_yield * kg_m2 * path.width_m
    unloading = unloading_cells(grain_kg_m * PATH_CELL_M)
    stops = choose_stops(rng, path)
    speed = driven_speed(rng, path, target_m_s, cells.relative_yield, unloading, stops)
    return Tour(path, cells, run_clock(rng, path, speed, stops), grain_kg_m, unloading)


def intake_of(tour: Tour, moisture_pct: Array, seconds: int, headland_s: float = 0.0) -> Intake:
    """What enters at each second; ``moisture_pct``: (seconds,) of the day, to which the ground's is added."""
    way = drive(tour.path, tour.clock, seconds, headland_s)
    index = np.arange(tour.grain_kg_m.size)

    def seen(cells: Array) -> Array:
        return np.interp(way.cell, index, cells)

    feed = np.where(way.working, seen(tour.grain_kg_m) * way.speed_m_s, 0.0)
    cells = tour.cells
    return Intake(
        drive=way,
        feed_kg_s=feed,
        load_kg_s=feed * np.exp(seen(cells.straw_log)),
        moisture_pct=moisture_pct + seen(cells.moisture_pct),
        altitude_m=seen(cells.altitude_m),
        pitch_deg=np.rad2deg(np.arctan(seen(cells.along) * way.direction)),
        roll_deg=np.rad2deg(np.arctan(-seen(cells.across) * way.direction)),
        unloading=np.where(way.working, np.round(seen(tour.unloading)), 0.0),
        drift=(seen(cells.drift[0]), seen(cells.drift[1])),
    )


STEERED_BY_S, STEERED_AGAINST_S, SEEN_AFTER_S = 20, 1200, 8


def steered(intake: Intake, power: float, log_loss: Array) -> Intake:
    """The same way driven slower where the loss monitor shows more, and faster where it shows less.

    log_loss : (seconds,) log of the loss at the same feed rate, as the driver judges it. Speed is divided by that of
    the past 20 s over that of the past 20 min to the ``power``, seen eight seconds later.
    """
    shown = np.concatenate([np.full(SEEN_AFTER_S, log_loss[0]), log_loss[:-SEEN_AFTER_S]])
    total = np.concatenate([[0.0], np.cumsum(np.exp(shown))])
    now = np.arange(1, total.size)

    def past(seconds: int) -> Array:
        first = np.maximum(now - seconds, 0)
        return np.asarray((total[now] - total[first]) / (now - first))

    factor = (past(STEERED_BY_S) / past(STEERED_AGAINST_S)) ** -power
    factor = np.clip(factor / max(factor.mean(), 1.0), 0.6, 1.5)
    factor /= max(factor.mean(), 1.0)
    at = np.cumsum(factor) - factor[0]
    nearest = np.round(at).astype(int)

    def seen(values: Array) -> Array:
        return np.interp(at, np.arange(values.size), values)

    way = intake.drive
    drive = replace(
        way,
        cell=seen(way.cell), x_m=seen(way.x_m), y_m=seen(way.y_m), direction=way.direction[nearest],
        heading_deg=way.heading_deg[nearest], speed_m_s=seen(way.speed_m_s) * factor, working=way.working[nearest],
        width_m=way.width_m[nearest], turning=way.turning[nearest], headland=way.headland[nearest],
    )  # fmt: skip
    return replace(
        intake,
        drive=drive,
        feed_kg_s=np.where(drive.working, seen(intake.feed_kg_s) * factor, 0.0),
        load_kg_s=np.where(drive.working, seen(intake.load_kg_s) * factor, 0.0),
        moisture_pct=seen(intake.moisture_pct), altitude_m=seen(intake.altitude_m), pitch_deg=seen(intake.pitch_deg),
        roll_deg=seen(intake.roll_deg), unloading=np.where(drive.working, intake.unloading[nearest], 0.0),
        drift=(seen(intake.drift[0]), seen(intake.drift[1])),
    )  # fmt: skip


def moisture_of_day(crop: SimulatedCrop, hour: Array, drop_pct: float, drop_times_s: Array) -> Array:
    """Grain moisture over the day, %: damp until 8 h, driest at 16 h, dew from 19 h; 1 Hz.

    With ``drop_pct`` it also falls by that much over some 5 min around each of ``drop_times_s``, from a start
    that is higher by half of all falls.
    """
    drying = 0.5 * (1.0 + np.cos(np.pi * np.clip((hour - 8.0) / 8.0, 0.0, 1.0)))
    dew = 0.35 * np.clip((hour - 19.0) / 3.0, 0.0, 1.0)
    moisture = crop.dry_pct + (crop.damp_pct - crop.dry_pct) * (drying + dew)
    if not drop_pct:
        return moisture
    second = np.arange(hour.size)[:, None]
    fallen = 1.0 / (1.0 + np.exp(-np.clip((second - drop_times_s[None, :]) / 75.0, -30.0, 30.0)))
    return moisture + drop_pct * (drop_times_s.size / 2.0 - fallen.sum(axis=1))
