"""Made-up seasons with known truth.

``simulate_season(scenario, seed)`` gives a ``Season`` that makes its field jobs one by one: readings,
settings log, loss checks, the true effect of every adjustment, and the true course of loss behind the
signals. ``write_season_files`` writes such a season as an inbox. What counts as the true effect, and by how
much a naive comparison misses it, is in ``truth``.
"""

from __future__ import annotations

from chaffinch.pipelines.simulate.files.inbox_of_season import write_season_files
from chaffinch.pipelines.simulate.machine_field import MachineField
from chaffinch.pipelines.simulate.scenario import Effects, FieldPlan, LossNoise, Operator, Scenario, Sensors
from chaffinch.pipelines.simulate.scenarios import SCENARIOS
from chaffinch.pipelines.simulate.simulated_season import simulate_season

__all__ = [
    "SCENARIOS",
    "Effects",
    "FieldPlan",
    "MachineField",
    "LossNoise",
    "Operator",
    "Scenario",
    "Sensors",
    "simulate_season",
    "write_season_files",
]
