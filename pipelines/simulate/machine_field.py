"""One machine in one field: the drive, the operator, the loss, the sensors, the truth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from chaffinch.pipelines.simulate import crop_flow
from chaffinch.pipelines.simulate.crops import ADJUSTABLES, CROPS, SimulatedCrop
from chaffinch.pipelines.simulate.ground import Array, Place, rectangle
from chaffinch.pipelines.simulate.log_frame import log_frame
from chaffinch.pipelines.simulate.loss import LARGEST_SHARE, Conditions, LossCurve
from chaffinch.pipelines.simulate.noise import LOSSES, log_noise
from chaffinch.pipelines.simulate.operators import (
    Move,
    StepEffects,
    effect_course,
    field_effects,
    plan_moves,
    plan_times,
    spike_times,
)
from chaffinch.pipelines.simulate.scenario import Noise, Scenario, Script
from chaffinch.pipelines.simulate.sensors import Instruments
from chaffinch.pipelines.simulate.truth import true_effects, truth_table

HEADLAND_M = 24.0


@dataclass(frozen=True, slots=True)
class Machine:
    """A machine of the season. ``clock_off_s``: its settings log is ahead of the true time by this."""

    name: str
    header_m: float
    strength: float
    instruments: Instruments
    clock_off_s: float


@dataclass(frozen=True)
class NoiseTruth:
    """What an oracle may know.

    parameters : the true noise parameters.
    course : one row per second of *intake* (at the cutter bar, before any delay): time, entered_kg_s,
        kept_kg_s, separation_lost_kg_s, cleaning_lost_kg_s, load_kg_s, moisture_pct, roll_deg, and for both
        ``<loss>_log_share`` (noise-free, effects included), ``<loss>_effect`` (the effects alone) and
        ``<loss>_noise``; share = exp(log_share + noise), at most ``LARGEST_SHARE``.
    curves : loss curve by loss. conditions : the mean conditions to which the truth refers.
    per_step : this field's true effects of one step.
    """

    parameters: Noise
    course: pl.DataFrame
    curves: Mapping[str, LossCurve]
    conditions: Conditions
    per_step: StepEffects


@dataclass(frozen=True)
class MachineField:
    """One machine in one field: what was logged, and the truth behind it.

    readings, adjustments, loss_checks : columns of the table contracts without delivery, file and row.
    truth : see ``truth.truth_table``. boundary : closed ring of (longitude, latitude).
    """

    machine: Machine
    field: str
    crop: str
    readings: pl.DataFrame
    adjustments: pl.DataFrame
    loss_checks: pl.DataFrame
    truth: pl.DataFrame
    noise: NoiseTruth
    boundary: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Site:
    """Where and when a machine-field happens."""

    field: str
    crop: str
    start: datetime
    place: Place
    script: Script | None = None


def simulate_machine_field(
    rng: np.random.Generator, scenario: Scenario, season: StepEffects, machine: Machine, site: Site
) -> MachineField:
    """Make one machine-field; every random number comes from ``rng``."""
    crop = CROPS[site.crop]
    rated = crop.rated_feed_kg_s * machine.strength
    seconds = round(scenario.hours * 3600)
    tour, intake, times_s, speed_log = _drive_and_plan(rng, scenario, crop, machine, rated, site, seconds)
    curves = _draw_curves(rng, scenario, crop, rated)
    base = {
        loss: curve.log_share(intake.load_kg_s, intake.moisture_pct, intake.roll_deg)
        for loss, curve in curves.items()
    }
    noise = log_noise(rng, scenario.noise, seconds, intake.drift)
    if scenario.operator.reactive and site.script is None and times_s.size:
        seen = sum(np.exp(base[loss] + noise[loss]) for loss in LOSSES) * intake.feed_kg_s
        times_s = spike_times(scenario.operator, times_s.size, seen)
    moves = plan_moves(rng, scenario.operator, times_s, site.script)
    per_step = field_effects(rng, season, scenario.effects)
    effect = effect_course(moves, per_step, seconds, scenario.effects.fade_in_s)
    lost = {
        loss: intake.feed_kg_s * np.minimum(np.exp(base[loss] + effect[loss] + noise[loss]), LARGEST_SHARE)
        for loss in LOSSES
    }
    conditions = _mean_conditions(intake)
    effects = true_effects(moves, per_step, curves, conditions, speed_log)
    frame = log_frame(
        rng, scenario, crop, machine.instruments, rated, site, machine.name, intake, lost, effect
    )
    return MachineField(
        machine=machine,
        field=site.field,
        crop=site.crop,
        readings=frame,
        adjustments=_settings_log(moves, site.start, machine),
        loss_checks=_loss_checks(rng, scenario, intake, lost, site, machine.name),
        truth=truth_table(
            moves, effects, site.start, machine.clock_off_s, machine.name, site.field, site.crop
        ),
        noise=NoiseTruth(
            scenario.noise,
            _course(site.start, intake, lost, base, effect, noise),
            curves,
            conditions,
            per_step,
        ),
        boundary=rectangle(
            site.place, tour.path.passes * tour.path.spacing_m, tour.path.length_m, HEADLAND_M
        ),
    )


def _drive_and_plan(
    rng: np.random.Generator,
    scenario: Scenario,
    crop: SimulatedCrop,
    machine: Machine,
    rated_kg_s: float,
    site: Site,
    seconds: int,
) -> tuple[crop_flow.Tour, crop_flow.Intake, Array, Array]:
    """Tour, intake, the operator's moments (s) and the ln factor of speed at each."""
    operator = scenario.operator
    events = scenario.adjustments + operator.unlogged if site.script is None else len(site.script)
    speed_log = operator.speed_change_log * rng.uniform(0.7, 1.3, events)
    tour = crop_flow.plan_tour(rng, scenario, crop, machine.header_m, rated_kg_s, float(speed_log.sum()))
    if site.script is None:
        times_s = plan_times(rng, operator, events, seconds)
    else:
        times_s = np.array([60.0 * minute for minute, _ in site.script])
    if operator.speed_change_log:
        tour, times_s = tour.with_speed_changes(times_s, speed_log)
    hour = site.start.hour + site.start.minute / 60.0 + np.arange(seconds) / 3600.0
    moisture = crop_flow.moisture_of_day(crop, hour, scenario.moisture_drop_pct, times_s)
    return tour, crop_flow.take_in(tour, moisture, seconds), times_s, speed_log


def _draw_curves(
    rng: np.random.Generator, scenario: Scenario, crop: SimulatedCrop, rated_kg_s: float
) -> dict[str, LossCurve]:
    moisture = crop.dry_pct + 0.3 * (crop.damp_pct - crop.dry_pct)
    level = np.exp(0.25 * rng.standard_normal(2))
    steep = rng.uniform(*scenario.separation_steepness), rng.uniform(*scenario.cleaning_steepness)
    return {
        "separation": LossCurve(
            scenario.curve, crop.separation_share * level[0], rated_kg_s, steep[0], moisture, 0.07, 0.004
        ),
        "cleaning": LossCurve(
            scenario.curve, crop.cleaning_share * level[1], rated_kg_s, steep[1], moisture, 0.04, 0.02
        ),
    }


def _mean_conditions(intake: crop_flow.Intake) -> Conditions:
    at_work = intake.feed_kg_s > 0
    return Conditions(
        float(intake.load_kg_s[at_work].mean()),
        float(intake.moisture_pct[at_work].mean()),
        float(np.sqrt((intake.roll_deg[at_work] ** 2).mean())),
    )


def _settings_log(moves: list[Move], start: datetime, machine: Machine) -> pl.DataFrame:
    """What the settings log says, by the settings log's own clock."""
    logged = [move for move in moves if move.logged]
    return pl.DataFrame(
        {
            "time": [start + timedelta(seconds=move.time_s + machine.clock_off_s) for move in logged],
            "machine": [machine.name] * len(logged),
            "setting": [move.setting for move in logged],
            "from_value": [move.from_value for move in logged],
            "to_value": [move.to_value for move in logged],
            "unit": [ADJUSTABLES[move.setting].unit or None for move in logged],
            "kind": [ADJUSTABLES[move.setting].kind for move in logged],
            "origin": ["settings log"] * len(logged),
            "note": [None] * len(logged),
        },
        schema={"time": pl.Datetime("us", "UTC")}
        | dict.fromkeys(
            ("machine", "setting", "from_value", "to_value", "unit", "kind", "origin", "note"), pl.String
        ),
    )


def _loss_checks(
    rng: np.random.Generator,
    scenario: Scenario,
    intake: crop_flow.Intake,
    lost: Mapping[str, Array],
    site: Site,
    machine: str,
) -> pl.DataFrame:
    """Weighed pans at steady work: true loss per area over 5 s, with an error of 12 %."""
    total = sum(lost[loss] for loss in LOSSES)
    area_m2_s = intake.drive.speed_m_s * intake.drive.width_m
    steady = np.convolve(intake.feed_kg_s > 0, np.ones(31), "same") == 31
    steady &= np.convolve(area_m2_s > 4.0, np.ones(31), "same") == 31
    candidates = np.flatnonzero(steady)
    at = np.sort(rng.choice(candidates, min(scenario.loss_checks, candidates.size), replace=False))
    window = at[:, None] + np.arange(-2, 3)
    kg_ha = total[window].sum(axis=1) / area_m2_s[window].sum(axis=1) * 1e4
    kg_ha *= np.exp(0.12 * rng.standard_normal(at.size))
    return pl.DataFrame(
        {
            "time": pl.Series(
                [site.start + timedelta(seconds=int(s)) for s in at], dtype=pl.Datetime("us", "UTC")
            ),
            "machine": pl.Series([machine] * at.size, dtype=pl.String),
            "field": pl.Series([site.field] * at.size, dtype=pl.String),
            "place": pl.Series(["machine"] * at.size, dtype=pl.String),
            "machine_loss_kg_ha": kg_ha,
        }
    )


def _course(
    start: datetime,
    intake: crop_flow.Intake,
    lost: Mapping[str, Array],
    base: Mapping[str, Array],
    effect: Mapping[str, Array],
    noise: Mapping[str, Array],
) -> pl.DataFrame:
    columns = {
        "entered_kg_s": intake.feed_kg_s,
        "kept_kg_s": intake.feed_kg_s - lost["separation"] - lost["cleaning"],
        "load_kg_s": intake.load_kg_s,
        "moisture_pct": intake.moisture_pct,
        "roll_deg": intake.roll_deg,
    }
    for loss in LOSSES:
        columns[f"{loss}_lost_kg_s"] = lost[loss]
        columns[f"{loss}_log_share"] = base[loss] + effect[loss]
        columns[f"{loss}_effect"] = effect[loss]
        columns[f"{loss}_noise"] = noise[loss]
    first_us = int(start.astimezone(UTC).timestamp()) * 1_000_000
    micros = first_us + 1_000_000 * np.arange(intake.feed_kg_s.size, dtype=np.int64)
    return pl.DataFrame(columns).insert_column(0, pl.Series("time", micros).cast(pl.Datetime("us", "UTC")))
