"""What taking the mean over a bin does to noise of an exponential correlation.

The mean varies less than a moment does, and two means are alike more than the moments in their middles. Bins taken
for moments make fast noise seem slower than it is, and with it too strong over minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array

# A moment is a bin too short to tell.
SHORTEST_S = 1e-9
# From here down the variance is its series: its terms would cancel each other's digits.
SMALL_HALF = 1e-3


@dataclass(frozen=True, slots=True)
class BinMeans:
    """Factors (n, j) for n bins and j scales.

    own : of the variance of a bin's mean. between : one of a bin's two factors of its covariance with another.
    """

    own: Array
    between: Array

    def of_scale(self, k: int) -> BinMeans:
        """The factors of scale ``k`` alone, (n, 1)."""
        return BinMeans(self.own[:, k : k + 1], self.between[:, k : k + 1])


def bin_means(seconds: Array, scales_s: Array) -> BinMeans:
    """Of bins of ``seconds`` (n,), 0 for a moment, and correlations exp(-lag / scale) of ``scales_s`` (j,).

    With h = T / 2s for a bin of T seconds the variance is (2h - 1 + exp(-2h)) / 2h^2, and the covariance with
    another bin exp(-lag / s) sinh(h) / h sinh(h') / h', the lag from middle to middle: integrals of the
    exponential, own calculation.
    """
    half = _half(seconds, scales_s)
    whole = (2 * half + np.expm1(-2 * half)) / (2 * half**2)
    own = np.where(half < SMALL_HALF, 1 - half * (2 - half) / 3, whole)
    return BinMeans(own, np.sinh(half) / half)


def bin_mean_derivatives(seconds: Array, scales_s: Array) -> BinMeans:
    """Derivatives of the factors by the log of the scales."""
    half, means = _half(seconds, scales_s), bin_means(seconds, scales_s)
    return BinMeans(2 * means.own + np.expm1(-2 * half) / half, means.between - np.cosh(half))


def _half(seconds: Array, scales_s: Array) -> Array:
    return np.asarray(np.maximum(seconds, SHORTEST_S)[:, None] / (2 * scales_s))


def apart(time_s: Array, seconds: Array) -> Array:
    """``seconds`` (n,) of bins around ``time_s``, cut so that no two bins overlap.

    Readings that share a moment, or a clock that jitters, let bins seem longer than the time they lie in; the
    covariance of means of overlapping bins is another.
    """
    share = np.minimum(1.0, 2 * np.diff(time_s) / (seconds[:-1] + seconds[1:]))
    return np.asarray(seconds * np.minimum(np.append(share, 1.0), np.insert(share, 0, 1.0)), dtype=np.float64)
