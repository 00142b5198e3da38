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


def excess_variance(estimates: Array, covariance: Array, doses: Array, known_with: float) -> float:
    """Factor of the variance of repeats about their common effect, as ``spread_of_repeats``."""
    effect, _ = least_squares(estimates, covariance, doses)
    rest = estimates - effect * doses
    return spread_of_repeats(float(rest @ np.linalg.solve(covariance, rest)), estimates.size - 1, known_with)


def spread_of_repeats(square: float, freedom: int, known_with: float) -> float:
    """Factor by which repeats vary more than their errors say, never below 1.

    square : weighted squares of the repeats about what they have in common. freedom : their degrees of freedom.
    known_with : degrees of freedom of the errors themselves, added to those of the repeats: the mean of an inverse
    chi square posterior (Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., ch. 2.6, less the 2 of its mean). A
    rule that counts the repeats only where they differ clearly (Birge 1932) made a range jump by half at that point.
    """
    return max(1.0, (square + known_with) / (freedom + known_with)) if freedom > 0 else 1.0
