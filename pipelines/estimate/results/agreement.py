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


def excess_variance(
    estimates: Array, covariance: Array, doses: Array, known_with: float
) -> tuple[float, float]:
    """Factor of the variance of repeats about their common effect, as ``spread_of_repeats``, and the degrees of
    freedom of what they say together."""
    if estimates.size < 2:
        return 1.0, known_with
    effect, _ = least_squares(estimates, covariance, doses)
    rest, freedom = estimates - effect * doses, estimates.size - 1
    square = float(rest @ np.linalg.solve(covariance, rest))
    return spread_of_repeats(square, freedom, known_with), known_with + freedom


def spread_of_repeats(square: float, freedom: int, known_with: float) -> float:
    """Factor by which repeats vary more, or less, than their errors say.

    square : weighted squares of the repeats about what they have in common. freedom : their degrees of freedom.
    known_with : degrees of freedom of the errors themselves. The scale of the posterior of a variance whose prior is
    an inverse chi square about the errors, as of 1; what repeats have in common is then a t with the sum of both
    degrees of freedom (Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., ch. 3.3). A factor that could only widen
    made ranges too wide on average; one that counts the repeats only where they differ clearly (Birge 1932) made
    them jump by half at that point.
    """
    return (square + known_with) / (freedom + known_with)


def in_pairs(estimates: Array, covariance: Array, doses: Array) -> tuple[Array, Array, Array]:
    """The effect per unit of dose by each two switches that follow one another, with covariance and doses.

    What drifts slowly moves single switches far more than the answer of a trial: up and back it cancels. So the pairs
    tell how far repeats differ in what the answer is made of. A last switch without a partner is left out.
    """
    pairs = estimates.size // 2
    mean = np.zeros((pairs, estimates.size))
    for half in (0, 1):
        mean[np.arange(pairs), 2 * np.arange(pairs) + half] = 0.5 / doses[half : 2 * pairs : 2]
    return mean @ estimates, mean @ covariance @ mean.T, np.ones(pairs)
