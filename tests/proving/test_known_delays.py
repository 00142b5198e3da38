"""Delays of the sensors as the data show them against those that the simulator was given."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.work import machine_delays


def misses_s(scenario: str, seed: int, fields: int, hours: float = 2.0) -> list[tuple[float, float]]:
    """Found minus true delay (grain, loss), s, of each machine-field; true = dead time + smearing."""
    made = replace(SCENARIOS[scenario], fields=fields, machines=fields, hours=hours, adjustments=1)
    season = simulate_season(made, seed)
    out = []
    for index in range(fields):
        field = season.machine_field(index)
        found, true = machine_delays(field.readings.sort("time")), field.machine.instruments
        assert found.estimated
        loss = (true.separation_delay_s + true.cleaning_delay_s) / 2 + true.loss_smear_s
        out.append(
            (
                found.grain.seconds - true.grain_delay_s - true.grain_smear_s,
                found.loss.seconds - loss,
            )
        )
    return out


def fresh_seed() -> int:
    seed = int(np.random.SeedSequence().generate_state(1)[0])
    print("seed", seed)
    return seed


def test_delays_of_a_few_machines_are_found():
    """A fixed seed and a wide net: that the delay is found at all, at the right end of the machine."""
    assert np.abs(misses_s("plain", 5, 3)).max() < 2.0


@pytest.mark.long
def test_delays_are_within_a_second():
    """Each of the two delays in at least 95 % of 120 machines with five hours of log each; fresh seed."""
    seed = fresh_seed()
    scenarios = ("plain", "strong_drift", "dropouts")
    misses = np.abs(np.concatenate([misses_s(name, seed, 40, hours=5.0) for name in scenarios]))
    print(np.sort(misses, axis=0)[-8:])
    assert misses.shape == (120, 2)
    assert ((misses <= 1.0).mean(axis=0) >= 0.95).all()
