"""Whether estimates of one effect agree, and what they say together."""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array

# Agreement and straightness are doubted where chance alone would do as much in one of a hundred.
DOUBT = 0.01


def least_squares(estimates: Array, covariance: Array, doses: Array) -> tuple[float, float]:
    """Effect per unit of dose, and its variance, of estimates (k,) with covariance (k, k) at doses (k,).

    Generalised least squares through the origin.
    """
    solved = np.linalg.solve(covariance, np.column_stack([doses, estimates]))
    information = float(doses @ solved[:, 0])
    return float(doses @ solved[:, 1]) / information, 1.0 / information


def disagreement(estimates: Array, covariance: Array, doses: Array) -> float:
    """Chance of estimates differing as much about a common effect of the dose, if there is one (Cochran's Q)."""
    from scipy.special import chdtrc

    if estimates.size < 2:
        return 1.0
    effect, _ = least_squares(estimates, covariance, doses)
    rest = estimates - effect * doses
    return float(chdtrc(estimates.size - 1, rest @ np.linalg.solve(covariance, rest)))


def excess_variance(estimates: Array, covariance: Array, doses: Array) -> float:
    """Factor of the variance of repeats about their common effect, as ``spread_of_repeats``."""
    effect, _ = least_squares(estimates, covariance, doses)
    rest = estimates - effect * doses
    return spread_of_repeats(float(rest @ np.linalg.solve(covariance, rest)), estimates.size - 1)


def spread_of_repeats(square: float, freedom: int) -> float:
    """Weighted squares of repeats per degree of freedom, where they differ by more than noise would let them in one
    of a hundred; else 1 (Birge 1932, Phys. Rev. 40:207-227)."""
    from scipy.special import chdtrc

    return square / freedom if freedom > 0 and chdtrc(freedom, square) < DOUBT else 1.0
