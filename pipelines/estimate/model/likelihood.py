"""Generalised least squares and restricted likelihood of one machine-field under a given noise, in O(n).

Exponential correlations are semiseparable: ``celerite2`` factors the covariance of n readings in O(n)
(Foreman-Mackey et al. 2017, Astron. J. 154:220) and carries derivatives back through the factor.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from chaffinch.pipelines.estimate.model.bin_means import BinMeans, bin_means, slope_of_bin_means
from chaffinch.pipelines.estimate.model.noise import Noise
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Stretch:
    """What one machine-field gives the likelihood.

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

    def slope_of_means(self, scales_s: Array) -> BinMeans:
        """Derivatives of ``means`` by the log of the scales."""
        return self._of_each_bin(slope_of_bin_means(self._lengths[0], scales_s))

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


def _diagonal(stretch: Stretch, noise: Noise, means: BinMeans) -> Array:
    return means.own @ noise.scale_variances + 1e-12 + noise.second_variance * stretch.white


def factor(stretch: Stretch, noise: Noise) -> Whitened:
    """Cholesky factor of the covariance in time of one stretch."""
    from celerite2 import driver

    means = stretch.means(noise.scales_s)
    rates, left, right = 1.0 / noise.scales_s, noise.scale_variances * means.between, means.between.copy()
    diagonal = _diagonal(stretch, noise, means)
    diagonal, right = driver.factor(stretch.time_s, rates, diagonal, left, right, diagonal.copy(), right)
    return Whitened(stretch.time_s, rates, left, right, diagonal)


@dataclass(frozen=True, slots=True)
class Rows:
    """A stretch made independent: ordinary least squares on these rows is generalised least squares.

    x : (n + q, q + p + m), the q ground columns first, then the design, then ``more``. y : (n + q,). The last q
    rows say that the ground's weights are random with variance one.
    """

    x: Array
    y: Array
    ground: int
    factored: Whitened


def independent_rows(stretch: Stretch, noise: Noise, more: Array | None = None) -> Rows:
    """Rows of unit variance for the stretch's design and any ``more`` columns (n, m)."""
    factored = factor(stretch, noise)
    ground = _ground(stretch, noise)
    q = ground.shape[1]
    if q == 0 and more is None:
        white = factored.whiten(stretch.known)
    else:
        columns = [ground, stretch.design] if more is None else [ground, stretch.design, more]
        white = factored.whiten(np.column_stack([*columns, stretch.log_outcome]))
    if q:
        white = np.vstack([white, np.eye(q, white.shape[1])])
    return Rows(white[:, :-1], white[:, -1], q, factored)


def _ground(stretch: Stretch, noise: Noise) -> Array:
    """Columns (n, q) of the ground scaled to weights of variance one; q is 0 where there is no such drift."""
    if stretch.ground is None or noise.ground_variance <= 0:
        return np.empty((stretch.time_s.size, 0))
    return stretch.ground * np.sqrt(noise.ground_variance)


@dataclass(frozen=True, slots=True)
class Solved:
    """Generalised least squares: coefficients (p,), their covariance (p, p), -2 restricted log likelihood."""

    coefficients: Array
    covariance: Array
    deviance: float


def solve(stretch: Stretch, noise: Noise) -> Solved:
    """Generalised least squares of one stretch under ``noise``.

    With random ground weights the determinant of their Gram matrix and the design's together is that of the
    covariance they add times that of the design's information (Schur's complement).
    """
    rows = independent_rows(stretch, noise)
    q = rows.ground
    chol = np.linalg.cholesky(_steadied(rows.x.T @ rows.x))
    half = np.linalg.solve(chol, rows.x.T @ rows.y)
    inverse = np.linalg.inv(chol)
    deviance = rows.factored.log_determinant + 2 * np.log(np.diag(chol)).sum() + rows.y @ rows.y - half @ half
    return Solved((inverse.T @ half)[q:], (inverse.T @ inverse)[q:, q:], float(deviance))


def _steadied(gram: Array) -> Array:
    return gram + np.eye(gram.shape[0]) * 1e-10 * np.trace(gram) / gram.shape[0]


@dataclass(frozen=True, slots=True)
class Slope:
    """Deviance and its derivatives by the log variances of the scales (4,), of a second, of the ground, and by
    the shift.

    information : (7, 7), about the second derivatives, in the order scales, second, shift, ground.
    """

    deviance: float
    scales: Array
    second: float
    shift: float
    ground: float
    information: Array


def slope(stretch: Stretch, noise: Noise) -> Slope:
    """-2 restricted log likelihood and its derivatives by reverse differentiation.

    With A the Gram matrix of whitened columns [X y], G its part of X and b = G^-1 X'y, the deviance is
    log|V| + log|G| + y'y - y'X b, whose derivative by A is [[G^-1 + b b', -b], [-b', 1]].
    """
    from celerite2 import backprop
    from chaffinch.pipelines.estimate.model.average_information import average_information

    means, rates, variances = stretch.means(noise.scales_s), 1.0 / noise.scales_s, noise.scale_variances
    left, diagonal, ground = (
        variances * means.between,
        _diagonal(stretch, noise, means),
        _ground(stretch, noise),
    )
    n, j = left.shape
    columns = np.column_stack([ground, stretch.known]) if ground.size else stretch.known
    k, q, time_s = columns.shape[1], ground.shape[1], stretch.time_s
    pivot, right, work = backprop.factor_fwd(
        time_s, rates, diagonal, left, means.between, np.empty(n), np.empty((n, j)), np.empty((n, j, j))
    )
    lower, work_lower = backprop.solve_lower_fwd(
        time_s, rates, left, right, columns, np.empty((n, k)), np.empty((n, j, k))
    )
    scaled = lower / pivot[:, None]
    gram = lower.T @ scaled
    gram[range(q), range(q)] += 1.0
    information = _steadied(gram[:-1, :-1])
    inverse = np.linalg.inv(information)
    found = inverse @ gram[:-1, -1]
    deviance = np.log(pivot).sum() + np.linalg.slogdet(information)[1] + gram[-1, -1] - gram[:-1, -1] @ found

    by_gram = np.block(
        [[inverse + np.outer(found, found), -found[:, None]], [-found[None, :], np.ones((1, 1))]]
    )
    spread = scaled @ by_gram
    by_pivot = 1 / pivot - np.einsum("nk,nk->n", spread, scaled)
    zeros = np.zeros
    _, by_rates, by_left, by_right, by_columns = backprop.solve_lower_rev(
        time_s, rates, left, right, columns, lower, work_lower, 2 * spread,
        zeros(n), zeros(j), zeros((n, j)), zeros((n, j)), zeros((n, k)),
    )  # fmt: skip
    _, by_rates_too, by_diagonal, by_left_too, by_between = backprop.factor_rev(
        time_s, rates, diagonal, left, means.between, pivot, right, work, by_pivot, by_right,
        zeros(n), zeros(j), zeros(n), zeros((n, j)), zeros((n, j)),
    )  # fmt: skip
    by_left = by_left + by_left_too
    by_scale = stretch.slope_of_means(noise.scales_s)
    by_means = (by_diagonal @ by_scale.own) @ variances
    by_means += ((by_left * variances + by_between) * by_scale.between).sum()
    return Slope(
        deviance=float(deviance),
        scales=(by_diagonal @ means.own + (by_left * means.between).sum(axis=0)) * variances,
        second=float(by_diagonal @ stretch.white) * noise.second_variance,
        shift=float(by_means - (by_rates + by_rates_too) @ rates),
        ground=0.5 * float((by_columns[:, :q] * ground).sum()),
        information=average_information(
            stretch, noise, means, Whitened(time_s, rates, left, right, pivot), lower, ground, inverse, found
        ),
    )
