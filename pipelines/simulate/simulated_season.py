"""A whole season: machines, fields, one independent random stream each."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property

import numpy as np
from chaffinch.pipelines.errors import CallError
from chaffinch.pipelines.simulate.history import SimulatedMachine, Site
from chaffinch.pipelines.simulate.machine_field import MachineField, simulate_machine_field
from chaffinch.pipelines.simulate.operators import StepEffects, draw_effects, spread_effects
from chaffinch.pipelines.simulate.scenario import FieldPlan, Scenario, Script
from chaffinch.pipelines.simulate.scenarios import scenario_named
from chaffinch.pipelines.simulate.sensors import draw_instruments
from chaffinch.pipelines.simulate.surface import Place
from chaffinch.pipelines.simulate.trial_operators import trial_script

FIELD_NAMES = (
    "Mill Field",
    "Long Acre",
    "Church Piece",
    "Hollow Bank",
    "Gravel Pit",
    "Top Thirty",
    "Brook Meadow",
    "Lark Hill",
    "Old Orchard",
    "Windmill Rise",
    "Lower Marsh",
    "Crow Wood",
    "Stony Down",
    "Bridge End",
    "Sheep Walk",
    "Barn Close",
)


@dataclass(frozen=True)
class Season:
    """A made-up season. Each field job has its own random stream and can be made alone, in any order.

    effects : the season's true mean effect of one step, by setting and what it acts on; a field's own are in
        ``MachineField.noise.per_step``.
    """

    scenario: Scenario
    seed: int
    effects: StepEffects
    machines: tuple[SimulatedMachine, ...]

    def machine_field(self, index: int) -> MachineField:
        """The field job number ``index`` (0 .. fields - 1)."""
        if not 0 <= index < self.scenario.fields:
            raise CallError(f"This season has fields 0 to {self.scenario.fields - 1}, not {index}.")
        stream = _streams(self.scenario, self.seed)[1 + len(self.machines) + index]
        rng = np.random.Generator(np.random.SFC64(stream))
        machine = self.machines[index % len(self.machines)]
        site = replace(self._site(rng, index), odd=index < self.scenario.effects.odd_fields)
        if self.scenario.two_in_a_field:
            pair = _streams(self.scenario, self.seed)[1 + len(self.machines) + index - index % 2]
            both = self._site(np.random.Generator(np.random.SFC64(pair)), index - index % 2)
            site = replace(both, script=site.script, odd=site.odd, shared=pair.spawn(1)[0])
        on_machine = self.on_machines[index % len(self.machines)]
        return simulate_machine_field(rng, self.scenario, self.effects, on_machine, machine, site)

    @cached_property
    def on_machines(self) -> list[StepEffects]:
        """The mean effects of one step on each of ``machines``, but for the size of its drum."""
        streams = _streams(self.scenario, self.seed)[1 : 1 + len(self.machines)]
        spread = self.scenario.effects.between_machines_sd
        return [spread_effects(np.random.default_rng(s.spawn(1)[0]), self.effects, spread) for s in streams]

    def iter(self) -> Iterator[MachineField]:
        """One field job after another, each made when asked for and not kept."""
        return (self.machine_field(index) for index in range(self.scenario.fields))

    @cached_property
    def machine_fields(self) -> list[MachineField]:
        """All field jobs, kept in memory: about 5 MB for every 5 h at 1 s."""
        return list(self.iter())

    def _site(self, rng: np.random.Generator, index: int) -> Site:
        names, machines = len(FIELD_NAMES), len(self.machines)
        lap = index // names
        field = FIELD_NAMES[index % names] + (f" {lap + 1}" if lap else "")
        crop = self.scenario.crops[index % len(self.scenario.crops)]
        day = datetime(self.scenario.year, 7, 20, tzinfo=UTC) + timedelta(days=index // machines)
        earliest, latest = (int(60 * hour) for hour in self.scenario.start_hours)
        start = day + timedelta(minutes=int(rng.integers(earliest, latest)))
        place = Place(
            latitude=52.2 + 0.02 * (index % 7) + rng.uniform(0.0, 0.005),
            longitude=-1.4 + 0.03 * (index // 7) + rng.uniform(0.0, 0.008),
            bearing_deg=float(rng.uniform(0.0, 180.0)),
            altitude_m=float(rng.uniform(60.0, 180.0)),
        )
        return Site(field, crop, start, place, self._script(index))

    def trial_of(self, index: int) -> FieldPlan | None:
        """The planned trial in field job number ``index``."""
        trials = self.scenario.operator.trials
        return trials[index % len(trials)] if trials else None

    def _script(self, index: int) -> Script | None:
        scripts, trial = self.scenario.operator.script, self.trial_of(index)
        script = scripts[index] if index < len(scripts) else None
        if trial is None:
            return script
        stream = _streams(self.scenario, self.seed)[1 + len(self.machines) + index].spawn(1)[0]
        # What the plan has after the end of the work is not done.
        minutes = 60.0 * self.scenario.hours
        moved = [one for one in trial_script(np.random.default_rng(stream), trial) if one[0] < minutes]
        return tuple(sorted([*(script or ()), *moved]))


def _streams(scenario: Scenario, seed: int) -> list[np.random.SeedSequence]:
    """Independent streams: [0] the season, then the machines, then the fields."""
    root = np.random.SeedSequence([seed, zlib.crc32(scenario.name.encode())])
    return root.spawn(1 + scenario.machines + scenario.fields)


def simulate_season(scenario: Scenario | str, seed: int) -> Season:
    """A season of ``scenario`` (or of the scenario of that name), the same for the same ``seed``.

    Nothing of a field job is made before it is asked for.

    Raises ``CallError`` for an unknown name or a negative seed.
    """
    if isinstance(scenario, str):
        scenario = scenario_named(scenario)
    if seed < 0:
        raise CallError(f"A seed is a whole number from 0 up, not {seed}.")
    streams = _streams(scenario, seed)
    effects = draw_effects(np.random.default_rng(streams[0]), scenario.effects)
    machines = tuple(
        _draw_machine(np.random.default_rng(stream), scenario, number)
        for number, stream in enumerate(streams[1 : 1 + scenario.machines])
    )
    return Season(scenario, seed, effects, machines)


def _draw_machine(rng: np.random.Generator, scenario: Scenario, number: int) -> SimulatedMachine:
    least, greatest = scenario.operator.clock_off_minutes
    off_s = round(60.0 * float(rng.uniform(least, greatest)) * float(rng.choice([-1.0, 1.0])))
    return SimulatedMachine(
        name=f"Combine {chr(ord('A') + number)}" if number < 26 else f"Combine {number + 1}",
        header_m=round(float(rng.uniform(7.0, 12.0)), 1),
        strength=float(rng.uniform(0.9, 1.15)),
        instruments=draw_instruments(rng, scenario.sensors),
        clock_off_s=float(off_s),
        drum_diameter_m=scenario.drum_diameters_m[number % len(scenario.drum_diameters_m)]
        if scenario.drum_diameters_m
        else None,
    )
