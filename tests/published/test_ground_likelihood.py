"""Drift of the ground against a dense computation: covariance in time plus ground, by numpy and scipy alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.model.covariance import Observations
from chaffinch.pipelines.estimate.model.ground import ground_basis
from chaffinch.pipelines.estimate.model.likelihood import gradient, solve
from chaffinch.pipelines.estimate.model.noise import Noise
from chaffinch.pipelines.estimate.model.noise_fit import with_ground
from scipy.stats import multivariate_normal

RNG = np.random.default_rng(8)
NOISE = Noise(np.array([0.2, 0.1, 0.05, 0.1]), 0.6, 0.2, 0.7)


def observed() -> Observations:
    n = 150
    time_s = np.cumsum(RNG.uniform(8, 40, n))
    east = 300 * np.abs((time_s / 300) % 2 - 1)
    north = np.floor(time_s / 300) * 9
    design = np.column_stack([time_s > time_s[70], np.ones(n), RNG.standard_normal(n)]).astype(float)
    return Observations(
        time_s, design, RNG.standard_normal(n), 1 / RNG.uniform(3, 10, n), ground_basis(east, north)
    )


def drawn(one: Observations, noise: Noise) -> Observations:
    """The observed with an outcome drawn from ``noise`` in time, dense."""
    lag = np.abs(one.time_s[:, None] - one.time_s[None, :])
    dense = sum(v * np.exp(-lag / s) for v, s in zip(noise.scale_variances, noise.scales_s, strict=True))
    root = np.linalg.cholesky(dense + np.diag(noise.second_variance * one.white))
    return replace(one, log_outcome=root @ RNG.standard_normal(one.time_s.size))


def test_the_basis_has_mean_summed_square_one_and_neighbours_share_it():
    one = observed()
    assert one.ground is not None
    assert np.isclose((one.ground**2).sum(axis=1).mean(), 1.0)
    likeness = one.ground @ one.ground.T
    # Places 9 m apart in neighbouring passes, against places over 150 m apart.
    assert likeness.diagonal().min() > 0.3
    assert abs(np.median(likeness)) < 0.2


def test_effects_and_likelihood_are_those_of_the_dense_covariance():
    """Restricted likelihood: Patterson and Thompson 1971, Biometrika 58:545-554; Searle's form with X'V^-1 X."""
    one = observed()
    lag = np.abs(one.time_s[:, None] - one.time_s[None, :])
    dense = sum(
        v * np.exp(-lag / s) for v, s in zip(NOISE.scale_variances, NOISE.scales_s, strict=True)
    ) + np.diag(NOISE.second_variance * one.white)
    dense = dense + NOISE.ground_variance * one.ground @ one.ground.T
    inverse = np.linalg.inv(dense)
    information = one.design.T @ inverse @ one.design
    expected = np.linalg.solve(information, one.design.T @ inverse @ one.log_outcome)
    found = solve(one, NOISE)
    assert np.allclose(found.coefficients, expected, rtol=1e-6, atol=1e-8)
    assert np.allclose(found.covariance, np.linalg.inv(information), rtol=1e-6)
    rest = one.log_outcome - one.design @ expected
    at_mode = -2 * multivariate_normal(cov=dense).logpdf(rest) - one.time_s.size * np.log(2 * np.pi)
    assert np.isclose(found.deviance, at_mode + np.linalg.slogdet(information)[1], rtol=1e-6)


def test_unknown_places_give_no_basis():
    assert ground_basis(np.full(200, np.nan), np.zeros(200)) is None


def test_the_ground_s_slope_is_that_of_central_differences():
    one, h = observed(), 1e-4
    up, down = (replace(NOISE, ground_variance=NOISE.ground_variance * np.exp(by)) for by in (h, -h))
    expected = (solve(one, up).deviance - solve(one, down).deviance) / (2 * h)
    found = gradient(one, NOISE)
    assert found.ground == pytest.approx(expected, rel=1e-4)
    assert found.deviance == pytest.approx(solve(one, NOISE).deviance, rel=1e-9)


def test_ground_is_found_where_passes_share_it_and_not_elsewhere():
    """Invented fields: noise of the time alone, and the same with a wander over the ground added."""
    in_time = replace(NOISE, ground_variance=0.0)
    fields = [drawn(observed(), in_time) for _ in range(4)]
    assert with_ground(fields, in_time).ground_variance == 0.0
    shared = [
        replace(f, log_outcome=f.log_outcome + 2 * f.ground @ RNG.standard_normal(f.ground.shape[1]))
        for f in fields
        if f.ground is not None
    ]
    assert with_ground(shared, in_time).ground_variance > 0.5
