"""The noise of a season: how a log outcome varies over seconds, minutes and hours with everything else fixed.

The log of a loss share wanders on every time scale. Its covariance is taken as a sum of exponential
correlations on a ladder of scales, each a factor five slower than the one before, plus white noise. A mixture of
exponentials on such a ladder comes close to any covariance that only falls with time (a completely monotone
one), noise without a scale included, so no scale has to be guessed; the data choose the weights and where the
whole ladder stands.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.array_types import Array

# Four rungs, not more: five a factor four apart were tried and the data never liked them better, and
# ``celerite2`` 0.3.3 is twice as fast up to four terms and gives wrong derivatives beyond.
LADDER_S = np.array([30.0, 150.0, 750.0, 3750.0])
SLOW = LADDER_S >= 320.0


@dataclass(frozen=True, slots=True)
class Noise:
    """Variances of the log outcome: one per scale (shape (4,)), and of one second, white.

    shift : log factor by which the whole ladder of scales is moved, so that a scale that rules lies on a rung.
    ground_variance : of what is bound to the ground (``ground.py``); 0 where nothing is.
    """

    scale_variances: Array
    second_variance: float
    shift: float = 0.0
    ground_variance: float = 0.0

    @property
    def scales_s(self) -> Array:
        return LADDER_S * np.exp(self.shift)

    def with_drift(self, factor: float) -> Noise:
        """The same noise with the variances of the slow scales (750 s and more) times ``factor``."""
        return replace(
            self, scale_variances=np.where(SLOW, self.scale_variances * factor, self.scale_variances)
        )
