"""What taking the mean over a bin does to noise of an exponential correlation.

The mean varies less than a moment does, and two means are alike more than the moments in their middles. Bins taken
for moments made the fast noise seem half as slow again as it is, and with it too strong over minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BinMeans:
    """Factors (n, j) for n bins and j scales, each beside its derivative by the log of the scale.

    own : of the variance of a bin's mean. between : one of a bin's two factors of its covariance with another.
    """

    own: Array
    between: Array
    own_by_scale: Array
    between_by_scale: Array


def bin_means(seconds: Array, scales_s: Array) -> BinMeans:
    """Of bins of ``seconds`` (n,) and correlations exp(-lag / scale) of ``scales_s`` (j,).

    With h = T / 2s for a bin of T seconds the variance is (2h - 1 + exp(-2h)) / 2h^2, and the covariance with
    another bin exp(-lag / s) sinh(h) / h sinh(h') / h', the lag from middle to middle: integrals of the
    exponential, own calculation.
    """
    half = seconds[:, None] / (2 * scales_s)
    left = np.exp(-2 * half)
    own, between = (2 * half - 1 + left) / (2 * half**2), np.sinh(half) / half
    return BinMeans(own, between, 2 * own - (1 - left) / half, between - np.cosh(half))


def of_points(n: int, j: int) -> BinMeans:
    """Of values at single moments."""
    ones, zeros = np.ones((n, j)), np.zeros((n, j))
    return BinMeans(ones, ones, zeros, zeros)


def apart(time_s: Array, seconds: Array) -> Array:
    """``seconds`` (n,) of bins around ``time_s``, cut so that no two bins overlap.

    Readings that share a moment, or a clock that jitters, let bins seem longer than the time they lie in; the
    covariance of means of overlapping bins is another.
    """
    share = np.minimum(1.0, 2 * np.diff(time_s) / (seconds[:-1] + seconds[1:]))
    return np.asarray(seconds * np.minimum(np.append(share, 1.0), np.insert(share, 0, 1.0)), dtype=np.float64)
