"""What changes of settings do as a scenario draws it: how often anything, and how much.

Steps that come at random are a walk; of second moments it is that of a random walk, whose variance grows by the
rate of steps x their mean square (Campbell's theorem, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.simulate import Scenario
from chaffinch.pipelines.simulate.simulated_crops import ADJUSTABLES

# A correlation that falls off over so many field jobs' time is a straight line within one.
LONG = 100.0
# Numbers go one or two steps up or down, words one: mean square of what ``operators`` draws.
MEAN_SQUARE_STEPS = {"number": 2.0}
# Share of a log in which ``sensors`` lets gains jump: where it is, such jumps come the more often.
JUMPS_WITHIN = 0.7


@dataclass(frozen=True, slots=True)
class DrawnEffect:
    """Of a change of one setting on the log of a loss: nothing but for a ``share``, then N(0, ``variance``)."""

    share: float
    variance: float

    @classmethod
    def of(cls, scenario: Scenario, loss: str) -> DrawnEffect:
        """As ``scenario`` draws it, every setting being changed as often as any other."""
        effects = scenario.effects
        acting = [a for a in ADJUSTABLES.values() if loss in a.acts_on]
        squared = [MEAN_SQUARE_STEPS.get(a.kind, 1.0) for a in acting]
        spreads = (effects.between_machines_sd, effects.between_fields_sd, effects.between_changes_sd)
        of_a_step = effects.per_step_sd**2 + sum(sd**2 for sd in spreads)
        share = (1 - effects.zero_share) * len(acting) / len(ADJUSTABLES)
        return cls(share, float(np.mean(squared)) * of_a_step)


def wandering(scenario: Scenario, loss: str) -> tuple[tuple[float, float], ...]:
    """Variance and scale, s, of an exponential correlation that is the walk of hidden steps; empty without any."""
    seconds, drawn = 3600.0 * scenario.hours, DrawnEffect.of(scenario, loss)
    per_field = scenario.sensors.gain_step_share * scenario.sensors.gain_step_log**2 / JUMPS_WITHIN
    per_field += scenario.operator.unlogged * drawn.share * drawn.variance
    scale_s = LONG * seconds
    # Twice the variance x lag / scale is what two moments differ by.
    return ((per_field / seconds * scale_s / 2, scale_s),) if per_field else ()
