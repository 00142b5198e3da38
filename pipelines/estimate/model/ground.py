"""Drift bound to the ground: what neighbouring passes share, however far apart in time.

Weeds, lodging or a wet hollow raise the loss of a place whenever the machine comes by, which no covariance in time
alone can express. It is written as a sum of cosines over the
field with random weights, the sum's covariance falling off about like a Gaussian of ``LENGTH_M`` (a reduced-rank
Gaussian process: Solin and Sarkka 2020, Statistics and Computing 30:419-446).
"""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.array_types import Array

LENGTH_M = 40.0
MOST_COSINES = 24
HIGHEST_ORDER = 40


def ground_basis(east_m: Array, north_m: Array) -> Array | None:
    """Cosines at the places of n bins, shape (n, 24), of mean summed square one; None where a place is unknown.

    Axes are turned along and across the passes (the places' principal axes).
    """
    if east_m.size < 2 * MOST_COSINES or not (np.isfinite(east_m).all() and np.isfinite(north_m).all()):
        return None
    places = np.column_stack([east_m - east_m.mean(), north_m - north_m.mean()])
    _, _, axes = np.linalg.svd(places, full_matrices=False)
    turned = places @ axes.T
    turned -= turned.min(axis=0)
    extent = turned.max(axis=0)
    if extent.min() < LENGTH_M / 2:
        return None
    along, across = (k.ravel()[1:] for k in np.meshgrid(*[np.arange(HIGHEST_ORDER)] * 2, indexing="ij"))
    frequency = np.pi**2 * ((along / extent[0]) ** 2 + (across / extent[1]) ** 2)
    weight = np.exp(-0.25 * LENGTH_M**2 * frequency)
    kept = np.argsort(-weight, kind="stable")[:MOST_COSINES]
    cosines = (
        np.cos(np.pi * turned[:, :1] / extent[0] * along[kept])
        * np.cos(np.pi * turned[:, 1:] / extent[1] * across[kept])
        * weight[kept]
    )
    return cosines / np.sqrt((cosines**2).sum(axis=1).mean())
