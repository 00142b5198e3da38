"""How likely each setting does nothing to an outcome, and what that makes of the chance that the outcome fell.

The prior of ``spread_draws`` has settings whose size is small, but how many there are it does not learn. Here a
setting is idle where its size is below ``IDLE`` of the usual one. How much likelier that is among the draws than by
their prior is a Bayes factor, one for each setting. The share of idle settings has a beta prior (1/2, 1/2; Jeffreys)
and is integrated out over the settings of the outcome. An idle setting's effect is as likely a fall as a rise. Only
chances are weighed so, not ranges: where all effects are small, ranges that count on idle settings are too narrow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.results.mixtures import Posterior
from chaffinch.pipelines.estimate.results.nested_terms import Spreads
from chaffinch.pipelines.estimate.results.spread_draws import share_of_sizes_below
from numpy.typing import NDArray

# Of the usual size: a tenth. Chosen on simulated estimates with 60 and 20 % of effects nil; no source.
IDLE = 0.1
SHARES = (np.arange(64) + 0.5) / 64


@dataclass(frozen=True, slots=True)
class IdleSettings:
    """chances : that each setting is idle, (s,). idle : at each draw of the spreads, (d, s). counts : by what the
    weight of a draw changes as the share of idle settings is learned, (d, s)."""

    chances: Array
    idle: NDArray[np.bool_]
    counts: Array

    @classmethod
    def of(cls, drawn: Sequence[Spreads], weights: Array) -> IdleSettings:
        """drawn, weights (d,) : of the spreads."""
        idle = np.array([np.asarray(s.setting) / s.unknown for s in drawn]) < IDLE
        usual = share_of_sizes_below(IDLE)
        # Draws are few, so the prior counts as one of them.
        drawn_idle = (len(weights) * (weights @ idle) + usual) / (len(weights) + 1)
        chances = idle_chances(drawn_idle / usual, (1 - drawn_idle) / (1 - usual))
        return cls(chances, idle, np.where(idle, chances / drawn_idle, (1 - chances) / (1 - drawn_idle)))

    def chance_less(self, posterior: Posterior, moved: NDArray[np.bool_]) -> Array:
        """Probability that each outcome fell, (n,). moved : which settings each answer is about, (n, s)."""
        log_counts = np.log(np.maximum(self.counts, 1e-300)) @ moved.T
        counts = posterior.weights[:, None] * np.exp(log_counts - log_counts.max(axis=0))
        acts = (~self.idle).astype(float) @ moved.T > 0
        below = np.where(~acts & moved.any(axis=1), 0.5, posterior.below_at_each(0.0).T)
        return np.asarray((counts * below).sum(axis=0) / counts.sum(axis=0))


def idle_chances(for_idle: Array, for_acting: Array) -> Array:
    """That each setting is idle, (s,), from what the data say for it and against it, up to a factor of each."""
    each = SHARES[:, None] * for_idle + (1 - SHARES[:, None]) * for_acting
    log_weight = np.log(each).sum(axis=1) - 0.5 * np.log(SHARES * (1 - SHARES))
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray((weight / weight.sum()) @ (SHARES[:, None] * for_idle / each))
