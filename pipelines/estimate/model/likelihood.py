"""Generalised least squares and restricted likelihood of one field job under a given noise, in O(n)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.model.average_information import average_information
from chaffinch.pipelines.estimate.model.covariance import (
    Observations,
    Whitened,
    bin_variances,
    ground_columns,
    independent_rows,
)
from chaffinch.pipelines.estimate.model.noise import Noise


@dataclass(frozen=True, slots=True)
class Solved:
    """Generalised least squares: coefficients (p,), their covariance (p, p), -2 restricted log likelihood."""

    coefficients: Array
    covariance: Array
    deviance: float


def solve(observed: Observations, noise: Noise) -> Solved:
    """Generalised least squares of one observed under ``noise``.

    With random ground weights the determinant of their Gram matrix and the design's together is that of the
    covariance they add times that of the design's information (Schur's complement).
    """
    rows = independent_rows(observed, noise)
    q = rows.ground
    chol = np.linalg.cholesky(_steadied(rows.x.T @ rows.x))
    half = np.linalg.solve(chol, rows.x.T @ rows.y)
    inverse = np.linalg.inv(chol)
    deviance = rows.factored.log_determinant + 2 * np.log(np.diag(chol)).sum() + rows.y @ rows.y - half @ half
    return Solved((inverse.T @ half)[q:], (inverse.T @ inverse)[q:, q:], float(deviance))


def _steadied(gram: Array) -> Array:
    return gram + np.eye(gram.shape[0]) * 1e-10 * np.trace(gram) / gram.shape[0]


@dataclass(frozen=True, slots=True)
class Gradient:
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


def gradient(observed: Observations, noise: Noise) -> Gradient:
    """-2 restricted log likelihood and its derivatives by reverse differentiation.

    With A the Gram matrix of whitened columns [X y], G its part of X and b = G^-1 X'y, the deviance is
    log|V| + log|G| + y'y - y'X b, whose derivative by A is [[G^-1 + b b', -b], [-b', 1]].
    """
    from celerite2 import backprop

    means, rates, variances = observed.means(noise.scales_s), 1.0 / noise.scales_s, noise.scale_variances
    left, diagonal, ground = (
        variances * means.between,
        bin_variances(observed, noise, means),
        ground_columns(observed, noise),
    )
    n, j = left.shape
    columns = np.column_stack([ground, observed.known]) if ground.size else observed.known
    k, q, time_s = columns.shape[1], ground.shape[1], observed.time_s
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
    by_scale = observed.mean_derivatives(noise.scales_s)
    by_means = (by_diagonal @ by_scale.own) @ variances
    by_means += ((by_left * variances + by_between) * by_scale.between).sum()
    return Gradient(
        deviance=float(deviance),
        scales=(by_diagonal @ means.own + (by_left * means.between).sum(axis=0)) * variances,
        second=float(by_diagonal @ observed.white) * noise.second_variance,
        shift=float(by_means - (by_rates + by_rates_too) @ rates),
        ground=0.5 * float((by_columns[:, :q] * ground).sum()),
        information=average_information(
            observed, noise, means, Whitened(time_s, rates, left, right, pivot), lower, ground, inverse, found
        ),
    )
