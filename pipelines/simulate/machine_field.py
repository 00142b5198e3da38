"""One machine in one field: what was logged, and the truth behind it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Indexes
from chaffinch.pipelines.simulate.history import History, SimulatedMachine, Site, happen
from chaffinch.pipelines.simulate.log_frame import log_frame, times_from
from chaffinch.pipelines.simulate.loss_model import Conditions, LossCurve
from chaffinch.pipelines.simulate.operators import StepEffects
from chaffinch.pipelines.simulate.scenario import LossNoise, Scenario
from chaffinch.pipelines.simulate.simulated_crops import ADJUSTABLES
from chaffinch.pipelines.simulate.truth import UTC_MOMENT, true_effects, truth_table


@dataclass(frozen=True)
class NoiseTruth:
    """What an oracle may know.

    parameters : the true noise parameters.
    course : one row per second of *intake* (at the cutter bar, before any delay): time, entered_kg_s,
        kept_kg_s, separation_lost_kg_s, cleaning_lost_kg_s, load_kg_s, moisture_pct, roll_deg, and for both
        losses ``<loss>_log_share`` (noise-free, effects included), ``<loss>_effect`` (the effects alone) and
        ``<loss>_noise``; share = exp(log_share + noise), at most ``loss.LARGEST_SHARE``.
    curves : loss curve by loss. conditions : the mean conditions to which the truth refers.
    per_step : this field's true effects of one step.
    """

    parameters: LossNoise
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

    machine: SimulatedMachine
    field: str
    crop: str
    readings: pl.DataFrame
    adjustments: pl.DataFrame
    loss_checks: pl.DataFrame
    truth: pl.DataFrame
    noise: NoiseTruth
    boundary: tuple[tuple[float, float], ...]

    @property
    def boundary_wkt(self) -> str:
        return f"POLYGON (({', '.join(f'{longitude} {latitude}' for longitude, latitude in self.boundary)}))"


def simulate_machine_field(
    rng: np.random.Generator,
    scenario: Scenario,
    season: StepEffects,
    on_machine: StepEffects,
    machine: SimulatedMachine,
    site: Site,
) -> MachineField:
    """Make one field job; every random number comes from ``rng``. season, on_machine : mean effects of a step."""
    history = happen(rng, scenario, season, on_machine, machine, site)
    effects = true_effects(
        history.moves, history.sizes, history.curves, history.conditions, history.speed_log
    )
    names = (machine.name, site.field, site.crop)
    readings = log_frame(rng, scenario, machine, site, history)
    course = history.course(times_from(site.start, np.arange(history.intake.feed_kg_s.size)))
    return MachineField(
        machine=machine,
        field=site.field,
        crop=site.crop,
        readings=readings,
        adjustments=logged_settings(history, site.start, machine),
        loss_checks=weighed_pans(rng, scenario, history, site, machine.name),
        truth=truth_table(history.moves, effects, site.start, machine.clock_off_s, *names),
        noise=NoiseTruth(scenario.noise, course, history.curves, history.conditions, history.per_step),
        boundary=history.boundary,
    )


def logged_settings(history: History, start: datetime, machine: SimulatedMachine) -> pl.DataFrame:
    """What the settings log says, by the settings log's own clock: columns of ``adjustments``."""
    texts = ("machine", "setting", "from_value", "to_value", "unit", "kind", "origin", "note")
    rows = [
        (
            start + timedelta(seconds=move.written_s + machine.clock_off_s),
            machine.name,
            *(move.setting, move.from_value, move.to_value),
            *(ADJUSTABLES[move.setting].unit or None, ADJUSTABLES[move.setting].kind),
            "settings log",
            None,
        )
        for move in history.moves
        if move.logged
    ]
    return pl.DataFrame(rows, {"time": UTC_MOMENT} | dict.fromkeys(texts, pl.String()), orient="row")


def weighed_pans(
    rng: np.random.Generator, scenario: Scenario, history: History, site: Site, machine: str
) -> pl.DataFrame:
    """Weighed pans at steady work: true loss per area over 5 s, with an error of 12 %; of ``loss_checks``."""
    way = history.intake.drive
    area_m2_s = way.speed_m_s * way.width_m
    steady = np.convolve((history.intake.feed_kg_s > 0) & (area_m2_s > 4.0), np.ones(31), "same") == 31
    candidates = np.flatnonzero(steady)
    at = np.sort(rng.choice(candidates, min(scenario.loss_checks, candidates.size), replace=False))
    if scenario.checks_each_side:
        at = np.concatenate([at, *_beside_changes(rng, scenario.checks_each_side, history, candidates)])
        at.sort()
    window = at[:, None] + np.arange(-2, 3)
    kg_ha = history.all_lost_kg_s[window].sum(axis=1) / area_m2_s[window].sum(axis=1) * 1e4
    names = {"machine": machine, "field": site.field, "place": "machine"}
    return pl.DataFrame({"time": times_from(site.start, at)}).with_columns(
        *(pl.lit(value, pl.String).alias(name) for name, value in names.items()),
        pl.Series("machine_loss_kg_ha", kg_ha * np.exp(0.12 * rng.standard_normal(at.size))),
    )


BESIDE_S = (60.0, 900.0)


def _beside_changes(
    rng: np.random.Generator, count: int, history: History, candidates: Indexes
) -> Iterator[Indexes]:
    """So many moments before each logged change, and so many after it, among ``candidates``; none beyond the next."""
    moments = sorted({move.time_s for move in history.moves if move.logged})
    ends = [-np.inf, *moments, np.inf]
    nearest, furthest = BESIDE_S
    for before, moment, after in zip(ends, ends[1:], ends[2:], strict=False):
        since = candidates - moment
        early = (-since >= nearest) & (-since <= furthest) & (candidates > before + nearest)
        late = (since >= nearest) & (since <= furthest) & (candidates < after - nearest)
        for side in (early, late):
            some = candidates[side]
            yield rng.choice(some, min(count, some.size), replace=False)
