"""What truly happens to one machine in one field, before any sensor: drive, moves, loss."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.simulate import crop_flow
from chaffinch.pipelines.simulate.loss_model import LARGEST_SHARE, Conditions, LossCurve
from chaffinch.pipelines.simulate.loss_noise import SENSED_LOSSES, log_noise
from chaffinch.pipelines.simulate.operators import (
    Move,
    MoveEffect,
    StepEffects,
    by_steps,
    by_tip_speed,
    effect_course,
    move_effects,
    plan_moves,
    plan_times,
    spike_times,
    spread_effects,
)
from chaffinch.pipelines.simulate.patches_and_regimes import (
    moved_to_regime,
    named_regimes,
    patch_course,
    regime_courses,
    regime_start_s,
)
from chaffinch.pipelines.simulate.scenario import Effects, Scenario, Script
from chaffinch.pipelines.simulate.sensors import Instruments
from chaffinch.pipelines.simulate.simulated_crops import CROPS, SimulatedCrop
from chaffinch.pipelines.simulate.surface import Place, rectangle

HEADLAND_M = 24.0


@dataclass(frozen=True, slots=True)
class SimulatedMachine:
    """A machine of the season. ``strength`` scales its rated feed rate; ``clock_off_s``: its settings log is
    ahead of the true time by this; ``drum_diameter_m``: of its threshing drum, None where all are alike."""

    name: str
    header_m: float
    strength: float
    instruments: Instruments
    clock_off_s: float
    drum_diameter_m: float | None = None


@dataclass(frozen=True)
class Site:
    """Where and when a field job happens. ``script``: what the operator does, if not left to chance. ``odd``:
    effects differ from those elsewhere. ``shared``: what the noise of all machines of the field has in common.
    """

    field: str
    crop: str
    start: datetime
    place: Place
    script: Script | None = None
    odd: bool = False
    shared: np.random.SeedSequence | None = None


@dataclass(frozen=True)
class History:
    """One row per second of intake, at the cutter bar; mappings are by loss or by what an effect acts on.

    per_step : this field's true effects of one step. sizes : true effects of every move at the field's mean
    conditions, by whose steps: the ``move``'s own, or what as many steps do on average in its ``field``, on its
    ``machine``, in its ``season``.
    base, effect, noise : parts of the log loss share. lost_kg_s : what leaves by each loss.
    speed_log : ln factor of the target speed, by adjustment. boundary : closed ring of (longitude, latitude).
    """

    intake: crop_flow.Intake
    moves: list[Move]
    speed_log: Array
    per_step: StepEffects
    sizes: Mapping[str, list[MoveEffect]]
    rated_kg_s: float
    curves: Mapping[str, LossCurve]
    base: Mapping[str, Array]
    effect: Mapping[str, Array]
    noise: Mapping[str, Array]
    lost_kg_s: Mapping[str, Array]
    boundary: tuple[tuple[float, float], ...]

    @property
    def kept_kg_s(self) -> Array:
        """Grain that goes on to the tank."""
        return self.intake.feed_kg_s - self.all_lost_kg_s

    @property
    def all_lost_kg_s(self) -> Array:
        """Separation and cleaning loss together."""
        return self.lost_kg_s["separation"] + self.lost_kg_s["cleaning"]

    @property
    def conditions(self) -> Conditions:
        """Mean conditions while crop comes in."""
        intake = self.intake
        at_work = intake.feed_kg_s > 0
        return Conditions(
            float(intake.load_kg_s[at_work].mean()),
            float(intake.moisture_pct[at_work].mean()),
            float(np.sqrt((intake.roll_deg[at_work] ** 2).mean())),
        )

    def course(self, time: pl.Series) -> pl.DataFrame:
        """The history as a table, see ``NoiseTruth.course``."""
        columns = {
            "entered_kg_s": self.intake.feed_kg_s,
            "kept_kg_s": self.kept_kg_s,
            "load_kg_s": self.intake.load_kg_s,
            "moisture_pct": self.intake.moisture_pct,
            "roll_deg": self.intake.roll_deg,
        }
        for loss in SENSED_LOSSES:
            columns[f"{loss}_lost_kg_s"] = self.lost_kg_s[loss]
            columns[f"{loss}_log_share"] = self.base[loss] + self.effect[loss]
            columns[f"{loss}_effect"] = self.effect[loss]
            columns[f"{loss}_noise"] = self.noise[loss]
        return pl.DataFrame(columns).insert_column(0, time)


def happen(
    rng: np.random.Generator,
    scenario: Scenario,
    season: StepEffects,
    on_machine: StepEffects,
    machine: SimulatedMachine,
    site: Site,
) -> History:
    """Let one field job happen; every random number comes from ``rng``. season, on_machine : mean effects."""
    crop = CROPS[site.crop]
    rated_kg_s = crop.rated_feed_kg_s * machine.strength
    seconds = round(scenario.hours * 3600)
    tour, intake, times_s, speed_log = _drive_and_plan(rng, scenario, machine, rated_kg_s, site, seconds)
    curves = _draw_curves(rng, scenario, crop, rated_kg_s)
    noise = log_noise(rng, scenario.noise, seconds, intake.drift)
    if site.shared is not None:
        common = log_noise(np.random.default_rng(site.shared), scenario.noise, seconds, intake.drift)
        noise = {loss: np.sqrt(0.5) * (own + common[loss]) for loss, own in noise.items()}
    hour = _hours(site, seconds)
    regime_s = regime_start_s(rng, scenario, hour, intake)
    if scenario.operator.at_regime_share:
        times_s = moved_to_regime(rng, scenario.operator, times_s, regime_s)
    if scenario.operator.reactive and site.script is None and times_s.size:
        for_the_feed = np.stack(
            [curves[loss].base_share * np.exp(noise[loss]) for loss in SENSED_LOSSES]
        ).sum(axis=0)
        times_s = spike_times(
            scenario.operator, times_s.size, np.where(intake.feed_kg_s > 0, for_the_feed, 0.0)
        )
    if any(named_regimes(scenario)):
        patches = patch_course(rng, scenario, times_s, seconds)
        risen = regime_courses(scenario, intake, regime_s)
        noise = {loss: course + patches + risen[loss] for loss, course in noise.items()}
    start_s = 3600.0 * site.start.hour + 60.0 * site.start.minute + site.start.second
    moves = plan_moves(rng, scenario.operator, times_s, site.script, start_s)
    effects, drum_m = scenario.effects, machine.drum_diameter_m
    between = effects.odd_sd if site.odd else effects.between_fields_sd
    per_step = by_tip_speed(spread_effects(rng, on_machine, between), drum_m)
    sizes = {
        "move": move_effects(rng, moves, per_step, effects),
        "field": by_steps(moves, per_step, effects),
        "machine": by_steps(moves, by_tip_speed(on_machine, drum_m), effects),
        "season": by_steps(moves, by_tip_speed(season, drum_m), effects),
    }
    times, usual = _by_conditions(effects, curves, intake)
    effect = effect_course(moves, sizes["move"], seconds, effects, times)
    if scenario.operator.steers_by_loss:
        judged = np.mean([effect[loss] + noise[loss] for loss in SENSED_LOSSES], axis=0)
        intake = crop_flow.steered(intake, scenario.operator.steers_by_loss, judged)
    base = {
        loss: curve.log_share(intake.load_kg_s, intake.moisture_pct, intake.roll_deg)
        for loss, curve in curves.items()
    }
    sizes = {
        whose: [{o: size * usual.get(o, 1.0) for o, size in one.items()} for one in some]
        for whose, some in sizes.items()
    }
    lost = {
        loss: intake.feed_kg_s * np.minimum(np.exp(base[loss] + effect[loss] + noise[loss]), LARGEST_SHARE)
        for loss in SENSED_LOSSES
    }
    width_m = tour.path.passes * tour.path.spacing_m
    boundary = rectangle(site.place, width_m, tour.path.length_m, HEADLAND_M)
    return History(
        intake, moves, speed_log, per_step, sizes, rated_kg_s, curves, base, effect, noise, lost, boundary
    )


def _by_conditions(
    effects: Effects, curves: Mapping[str, LossCurve], intake: crop_flow.Intake
) -> tuple[Mapping[str, Array], Mapping[str, float]]:
    """Factor on effects by loss: at every second, and at the field's mean conditions; empty where there is none."""
    if not effects.by_log_feed and not effects.by_moisture:
        return {}, {}
    at_work = intake.feed_kg_s > 0
    times, usual = {}, {}
    for loss, curve in curves.items():
        load = np.where(at_work, intake.load_kg_s, curve.rated_feed_kg_s) / curve.rated_feed_kg_s
        damp = intake.moisture_pct - curve.rated_moisture_pct
        times[loss] = 1 + effects.by_log_feed * np.log(np.maximum(load, 0.1)) + effects.by_moisture * damp
        mean_load, mean_damp = float(load[at_work].mean()), float(damp[at_work].mean())
        usual[loss] = 1 + effects.by_log_feed * float(np.log(mean_load)) + effects.by_moisture * mean_damp
    return times, usual


def _drive_and_plan(
    rng: np.random.Generator,
    scenario: Scenario,
    machine: SimulatedMachine,
    rated_kg_s: float,
    site: Site,
    seconds: int,
) -> tuple[crop_flow.Tour, crop_flow.Intake, Array, Array]:
    """Tour, intake, the operator's moments (s) and the ln factor of speed at each."""
    operator, crop = scenario.operator, CROPS[site.crop]
    events = scenario.adjustments + operator.unlogged if site.script is None else len(site.script)
    speed_log = operator.speed_change_log * rng.uniform(0.7, 1.3, events)
    tour = crop_flow.plan_tour(rng, scenario, crop, machine.header_m, rated_kg_s, float(speed_log.sum()))
    if site.script is None:
        # Slowing down puts later adjustments off: plan for the slowest speed, so that all fall into the day.
        times_s = plan_times(rng, operator, events, seconds * np.exp(min(speed_log.sum(), 0.0)))
    else:
        times_s = np.array([60.0 * minute for minute, _ in site.script])
    if operator.speed_change_log:
        tour, times_s = tour.with_speed_changes(times_s, speed_log)
    moisture = crop_flow.moisture_of_day(crop, _hours(site, seconds), scenario.moisture_drop_pct, times_s)
    intake = crop_flow.intake_of(tour, moisture, seconds, 60.0 * scenario.headland_minutes)
    return tour, intake, times_s, speed_log


def _hours(site: Site, seconds: int) -> Array:
    """Hour of the day at every second, (seconds,)."""
    return np.asarray(site.start.hour + site.start.minute / 60.0 + np.arange(seconds) / 3600.0)


def _draw_curves(
    rng: np.random.Generator, scenario: Scenario, crop: SimulatedCrop, rated_kg_s: float
) -> dict[str, LossCurve]:
    moisture = crop.dry_pct + 0.3 * (crop.damp_pct - crop.dry_pct)
    level = np.exp(0.25 * rng.standard_normal(2))
    steep = rng.uniform(*scenario.separation_steepness), rng.uniform(*scenario.cleaning_steepness)
    separation, cleaning = crop.separation_share * level[0], crop.cleaning_share * level[1]
    return {
        "separation": LossCurve(scenario.curve, separation, rated_kg_s, steep[0], moisture, 0.07, 0.004),
        "cleaning": LossCurve(scenario.curve, cleaning, rated_kg_s, steep[1], moisture, 0.04, 0.02),
    }
