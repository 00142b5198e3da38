"""Ordinary least squares with standard errors that allow for autocorrelation of a few lags.

Newey and West 1987, Econometrica 55(3):703-708: Bartlett weights 1 - lag / (lags + 1). The rule for how many
lags, floor(4 (n / 100)^(2/9)), is the customary one after Newey and West 1994 (from memory).
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array


def customary_lags(n: int) -> int:
    """Number of lags for ``n`` observations."""
    return int(4 * (n / 100) ** (2 / 9))


def least_squares_newey_west(y: Array, x: Array, lags: int) -> tuple[Array, Array]:
    """Coefficients (p,) and their covariance (p, p), with the small-sample factor n / (n - p).

    y : (n,). x : (n, p) of full column rank. Raises ``numpy.linalg.LinAlgError`` where the rank is short.
    """
    n, p = x.shape
    bread = np.linalg.inv(x.T @ x)
    coefficients = bread @ (x.T @ y)
    scores = x * (y - x @ coefficients)[:, None]
    meat = scores.T @ scores
    for lag in range(1, min(lags, n - 1) + 1):
        between = scores[lag:].T @ scores[:-lag]
        meat += (1 - lag / (lags + 1)) * (between + between.T)
    return coefficients, n / (n - p) * bread @ meat @ bread
