"""The average information: an approximate hessian of -2 restricted log likelihood.

The mean of the observed and the expected information needs no trace, only products of the covariance's
derivatives with the residuals (Gilmour, Thompson and Cullis 1995, Biometrics 51:1440-1450). The data determine
variances of fast scales a thousand times better than those of slow ones; with it, a handful of steps suffice.
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.model.bin_means import BinMeans
from chaffinch.pipelines.estimate.model.covariance import Observations, Whitened
from chaffinch.pipelines.estimate.model.noise import Noise
from numpy.typing import NDArray

# Of the log of the scales, for the derivative by the shift.
NUDGE = 1e-5


def average_information(
    observed: Observations,
    noise: Noise,
    means: BinMeans,
    factored: Whitened,
    lower: Array,
    ground: Array,
    inverse: NDArray[np.floating],
    found: NDArray[np.floating],
) -> Array:
    """Average information of -2 restricted log likelihood, (7, 7): scales, second, shift, ground.

    means : of the observed. lower : (n, q + p + 1) of L^-1 [ground, design, outcome], not yet scaled. inverse :
    (q + p, q + p) of the Gram matrix of the first q + p scaled columns, with the ground weights' prior; found :
    its solution.
    """
    from celerite2 import driver

    time_s, rates, root = factored.time_s, factored.rates, np.sqrt(factored.diagonal)[:, None]
    known = lower[:, :-1]
    # V^-1 (y - X b), the outcome with everything known projected out.
    rest = factored.back((lower[:, -1:] - known @ found[:, None]) / root)
    variances = noise.scale_variances
    by_scales = np.hstack(
        [
            _correlated(time_s, rates[k : k + 1], variances[k : k + 1], means.of_scale(k), rest)
            for k in range(rates.size)
        ]
    )
    scales_s = np.exp(NUDGE) * noise.scales_s
    longer = _correlated(time_s, 1 / scales_s, variances, observed.means(scales_s), rest)
    moved = np.hstack(
        [
            by_scales,
            noise.second_variance * observed.white[:, None] * rest,
            (longer - by_scales.sum(axis=1, keepdims=True)) / NUDGE,
            ground @ (ground.T @ rest),
        ]
    )
    white = np.empty_like(moved)
    driver.solve_lower(time_s, rates, factored.left, factored.right, moved, white)
    white /= root
    shared = (known / root).T @ white
    return white.T @ white - shared.T @ inverse @ shared


def _correlated(time_s: Array, rates: Array, variances: Array, means: BinMeans, vector: Array) -> Array:
    """Covariance of scales of ``rates`` and ``variances`` (j,) together, times ``vector`` (n, 1)."""
    from celerite2 import driver

    left, right = variances * means.between, np.ascontiguousarray(means.between)
    out = (means.own @ variances)[:, None] * vector
    driver.matmul_lower(time_s, rates, left, right, vector, out)
    driver.matmul_upper(time_s, rates, left, right, vector, out)
    return out
