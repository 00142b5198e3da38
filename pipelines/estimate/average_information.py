"""About the second derivatives of the restricted likelihood: the average information.

The mean of the observed and the expected information needs no trace, only products of the covariance's
derivatives with the residuals (Gilmour, Thompson and Cullis 1995, Biometrics 51:1440-1450). Variances of slow
and fast scales differ a thousandfold in what the data know of them; steps that know this arrive in a handful.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from chaffinch.pipelines.estimate.noise import Noise
from numpy.typing import NDArray

if TYPE_CHECKING:
    from chaffinch.pipelines.estimate.likelihood import Stretch, Whitened

Array = NDArray[np.float64]

# Of the log of the scales, for the derivative by the shift.
NUDGE = 1e-5


def average_information(
    stretch: Stretch,
    noise: Noise,
    factored: Whitened,
    lower: Array,
    ground: Array,
    inverse: NDArray[np.floating],
    found: NDArray[np.floating],
) -> Array:
    """Average information of -2 restricted log likelihood, (7, 7): scales, second, shift, ground.

    lower : (n, q + p + 1) of L^-1 [ground, design, outcome], not yet scaled. inverse : (q + p, q + p) of the
    Gram matrix of the first q + p scaled columns, with the ground weights' prior; found : its solution.
    """
    from celerite2 import driver

    time_s, rates, root = factored.time_s, factored.rates, np.sqrt(factored.diagonal)[:, None]
    known = lower[:, :-1]
    # V^-1 (y - X b), the outcome with everything known projected out.
    rest = ((lower[:, -1] - known @ found) / factored.diagonal)[:, None]
    driver.solve_upper(time_s, rates, factored.left, factored.right, rest.copy(), rest)
    each = [
        _correlated(stretch, scale, variance, rest)
        for variance, scale in zip(noise.scale_variances[:, None], noise.scales_s[:, None], strict=True)
    ]
    by_scales = np.hstack(each)
    longer = _correlated(stretch, np.exp(NUDGE) * noise.scales_s, noise.scale_variances, rest)
    moved = np.hstack(
        [
            by_scales,
            noise.second_variance * stretch.white[:, None] * rest,
            (longer - by_scales.sum(axis=1, keepdims=True)) / NUDGE,
            ground @ (ground.T @ rest),
        ]
    )
    white = np.empty_like(moved)
    driver.solve_lower(time_s, rates, factored.left, factored.right, moved, white)
    white /= root
    shared = (known / root).T @ white
    return white.T @ white - shared.T @ inverse @ shared


def _correlated(stretch: Stretch, scales_s: Array, variances: Array, vector: Array) -> Array:
    """Covariance of ``scales_s`` (j,) and ``variances`` (j,) together, times ``vector`` (n, 1)."""
    from celerite2 import driver

    means, rates = stretch.means(scales_s), 1 / scales_s
    left, right = variances * means.between, means.between
    out = (means.own @ variances)[:, None] * vector
    driver.matmul_lower(stretch.time_s, rates, left, right, vector, out)
    driver.matmul_upper(stretch.time_s, rates, left, right, vector, out)
    return out
