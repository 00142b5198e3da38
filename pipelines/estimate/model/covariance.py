"""The observations of one field job and their covariance, factored in O(n).

Exponential correlations are semiseparable: ``celerite2`` factors the covariance of n readings in O(n)
(Foreman-Mackey et al. 2017, Astron. J. 154:220).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.model.bin_means import BinMeans, bin_mean_derivatives, bin_means
from chaffinch.pipelines.estimate.model.noise import Noise
from numpy.typing import NDArray


@dataclass(frozen=True)
class Observations:
    """One outcome of one field job as the likelihood sees it.

    time_s : (n,) increasing. design : (n, p), full column rank. log_outcome : (n,). white : (n,) factors of
    ``second_variance`` (one over the seconds in a bin, times any robust inflation). ground : (n, q) of
    ``ground_basis``, or None where drift of the ground is not looked for. seconds : (n,) of each bin, over which
    the outcome is a mean; None for values at single moments.
    """

    time_s: Array
    design: Array
    log_outcome: Array
    white: Array
    ground: Array | None = None
    seconds: Array | None = None

    @cached_property
    def _lengths(self) -> tuple[Array, NDArray[np.int_]]:
        """Lengths of bins, of which there are few, and which of them each bin has."""
        seconds = np.zeros(self.time_s.size) if self.seconds is None else self.seconds
        return np.unique(seconds, return_inverse=True)

    def means(self, scales_s: Array) -> BinMeans:
        """What being means of bins does to exponential correlations of ``scales_s`` (j,)."""
        # Fits that differ in variances alone, of which there are many, ask for the same scales again.
        key = scales_s.tobytes()
        if key not in self._means:
            self._means.clear()
            self._means[key] = self._of_each_bin(bin_means(self._lengths[0], scales_s))
        return self._means[key]

    @cached_property
    def _means(self) -> dict[bytes, BinMeans]:
        return {}

    def mean_derivatives(self, scales_s: Array) -> BinMeans:
        """Derivatives of ``means`` by the log of the scales."""
        return self._of_each_bin(bin_mean_derivatives(self._lengths[0], scales_s))

    def _of_each_bin(self, of_lengths: BinMeans) -> BinMeans:
        place = self._lengths[1]
        return BinMeans(of_lengths.own.take(place, axis=0), of_lengths.between.take(place, axis=0))

    @cached_property
    def known(self) -> Array:
        """Design and outcome side by side, (n, p + 1)."""
        return np.column_stack([self.design, self.log_outcome])


@dataclass(frozen=True, slots=True)
class Whitened:
    """A factored covariance: ``whiten`` turns rows into independent ones of unit variance."""

    time_s: Array
    rates: Array
    left: Array
    right: Array
    diagonal: Array

    @property
    def log_determinant(self) -> float:
        return float(np.log(self.diagonal).sum())

    def since(self, bin_: int) -> Whitened:
        """For columns that are zero before a bin: the same without the bins before it."""
        parts = (self.left, self.right, self.diagonal)
        left, right, diagonal = (np.ascontiguousarray(part[bin_:]) for part in parts)
        return Whitened(self.time_s[bin_:], self.rates, left, right, diagonal)

    def whiten(self, columns: Array) -> Array:
        """L^-1 times ``columns`` (n, k), scaled to unit variance."""
        from celerite2 import driver

        out = np.empty(columns.shape)
        driver.solve_lower(self.time_s, self.rates, self.left, self.right, np.ascontiguousarray(columns), out)
        out /= np.sqrt(self.diagonal)[:, None]
        return out

    def back(self, white: Array) -> Array:
        """L^-T times ``white`` (n, k): after ``whiten``, the inverse of the covariance times the columns."""
        from celerite2 import driver

        out = white / np.sqrt(self.diagonal)[:, None]
        driver.solve_upper(self.time_s, self.rates, self.left, self.right, out.copy(), out)
        return out


def bin_variances(observed: Observations, noise: Noise, means: BinMeans) -> Array:
    """Variance of each bin, (n,), without the ground's."""
    return means.own @ noise.scale_variances + 1e-12 + noise.second_variance * observed.white


def factor(observed: Observations, noise: Noise) -> Whitened:
    """Cholesky factor of the covariance in time of one observed."""
    from celerite2 import driver

    means = observed.means(noise.scales_s)
    rates, left, right = 1.0 / noise.scales_s, noise.scale_variances * means.between, means.between.copy()
    variances = bin_variances(observed, noise, means)
    pivots, right = driver.factor(observed.time_s, rates, variances, left, right, variances.copy(), right)
    return Whitened(observed.time_s, rates, left, right, pivots)


@dataclass(frozen=True, slots=True)
class Rows:
    """A observed made independent: ordinary least squares on these rows is generalised least squares.

    x : (n + q, q + p + m), the q ground columns first, then the design, then ``more``. y : (n + q,). The last q
    rows say that the ground's weights are random with variance one.
    """

    x: Array
    y: Array
    ground: int
    factored: Whitened


def independent_rows(observed: Observations, noise: Noise, more: Array | None = None) -> Rows:
    """Rows of unit variance for the observed's design and any ``more`` columns (n, m)."""
    factored = factor(observed, noise)
    ground = ground_columns(observed, noise)
    q = ground.shape[1]
    if q == 0 and more is None:
        white = factored.whiten(observed.known)
    else:
        columns = [ground, observed.design] if more is None else [ground, observed.design, more]
        white = factored.whiten(np.column_stack([*columns, observed.log_outcome]))
    if q:
        white = np.vstack([white, np.eye(q, white.shape[1])])
    return Rows(white[:, :-1], white[:, -1], q, factored)


def ground_columns(observed: Observations, noise: Noise) -> Array:
    """Columns (n, q) of the ground scaled to weights of variance one; q is 0 where there is no such drift."""
    if observed.ground is None or noise.ground_variance <= 0:
        return np.empty((observed.time_s.size, 0))
    return observed.ground * np.sqrt(noise.ground_variance)
