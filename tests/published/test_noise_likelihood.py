"""The O(n) algebra of the noise against dense matrices and independent libraries.

Restricted likelihood: Patterson and Thompson 1971, Biometrika 58(3):545-554: the likelihood of contrasts that
are free of the regression, whatever the contrasts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from chaffinch.pipelines.estimate.model.bin_means import apart
from chaffinch.pipelines.estimate.model.covariance import Observations, factor
from chaffinch.pipelines.estimate.model.likelihood import gradient, solve
from chaffinch.pipelines.estimate.model.noise import Noise
from chaffinch.pipelines.estimate.model.noise_fit import fit_noise
from chaffinch.pipelines.prove.oracle import generalised_least_squares
from chaffinch.pipelines.prove.oracle_covariance import binned_covariance, time_scales
from chaffinch.pipelines.simulate import LossNoise as StatedNoise

# Rounding, and the ridge of 1e-10 that keeps near-singular designs solvable.
ROUNDING = 1e-6
NOISES = [
    Noise(np.array([0.4, 0.1, 0.3, 0.2]), 2.0),
    Noise(np.array([0.0, 0.9, 0.0, 0.0]), 0.5),
    Noise(np.array([0.2, 0.2, 0.2, 0.2]), 10.0),
]


@pytest.fixture(scope="module", params=["moments", "means of bins"])
def observed(request) -> Observations:
    """120 bins with turns between and unequal seconds; a step, an intercept, a wandering covariate."""
    rng = np.random.default_rng(8)
    time_s = np.cumsum(rng.uniform(5.0, 15.0, 120) + np.where(np.arange(120) % 30 == 29, 40.0, 0.0))
    design = np.column_stack([time_s > time_s[60], np.ones(120), rng.standard_normal(120).cumsum() / 5])
    seconds = apart(time_s, rng.uniform(3, 10, 120)) if request.param == "means of bins" else None
    return Observations(
        time_s, design.astype(float), rng.standard_normal(120), 1 / rng.uniform(3, 10, 120), seconds=seconds
    )


def dense(observed: Observations, noise: Noise) -> np.ndarray:
    """The covariance as it is written down; that of means by Gauss and Legendre's rule over the bins."""
    covariance = np.diag(noise.second_variance * observed.white)
    for variance, scale in zip(noise.scale_variances, noise.scales_s, strict=True):
        covariance += variance * correlation(observed, scale)
    return covariance


def correlation(observed: Observations, scale: float) -> np.ndarray:
    lag = np.abs(observed.time_s[:, None] - observed.time_s[None, :])
    if observed.seconds is None:
        return np.exp(-lag / scale)
    nodes, weight = np.polynomial.legendre.leggauss(12)
    inside = (observed.time_s[:, None] + observed.seconds[:, None] / 2 * nodes).ravel()
    every = np.exp(-np.abs(inside[:, None] - inside[None, :]) / scale).reshape(lag.shape[0], 12, -1, 12)
    means = np.einsum("iajb,a,b->ij", every, weight / 2, weight / 2)
    # Within a bin the lag's kink is in the way: all pairs of seconds by their lag u, as 2 (T - u) exp(-u / s) / T^2.
    lags = observed.seconds[:, None] / 2 * (1 + nodes)
    pairs = (observed.seconds[:, None] - lags) * np.exp(-lags / scale)
    np.fill_diagonal(means, pairs @ weight / observed.seconds)
    return means


@pytest.mark.seconds
@pytest.mark.parametrize("noise", NOISES)
def test_factor_is_the_cholesky_factor(observed, noise):
    covariance = dense(observed, noise)
    factored = factor(observed, noise)
    whitened = factored.whiten(np.eye(120))
    np.testing.assert_allclose(whitened @ covariance @ whitened.T, np.eye(120), atol=1e-9)
    assert factored.log_determinant == pytest.approx(np.linalg.slogdet(covariance)[1], rel=1e-9)


@pytest.mark.parametrize("noise", NOISES)
def test_coefficients_and_errors_are_those_of_statsmodels(observed, noise):
    import statsmodels.api as sm

    theirs = sm.GLS(observed.log_outcome, observed.design, sigma=dense(observed, noise)).fit(
        cov_type="fixed scale"
    )
    ours = solve(observed, noise)
    np.testing.assert_allclose(ours.coefficients, theirs.params, rtol=ROUNDING, atol=ROUNDING)
    np.testing.assert_allclose(ours.covariance, theirs.cov_params(), rtol=ROUNDING, atol=ROUNDING)


@pytest.mark.seconds
@pytest.mark.parametrize("noise", NOISES[1:])
def test_restricted_likelihood_is_that_of_contrasts(observed, noise):
    """-2 log likelihood of 117 contrasts by scipy; the two differ by the same constant for every noise."""
    from scipy.linalg import null_space
    from scipy.stats import multivariate_normal

    contrasts = null_space(observed.design.T)

    def theirs(one: Noise) -> float:
        covariance = contrasts.T @ dense(observed, one) @ contrasts
        return -2 * multivariate_normal(None, covariance).logpdf(contrasts.T @ observed.log_outcome)

    ours = solve(observed, noise).deviance - solve(observed, NOISES[0]).deviance
    assert ours == pytest.approx(theirs(noise) - theirs(NOISES[0]), abs=1e-4)


@pytest.mark.parametrize("noise", [NOISES[0], NOISES[2]])
def test_slopes_are_those_of_central_differences(observed, noise):
    """Central differences of ``solve``, itself held against dense matrices above."""
    noise = replace(noise, shift=0.2)
    h = 1e-4

    def difference(up: Noise, down: Noise) -> float:
        return (solve(observed, up).deviance - solve(observed, down).deviance) / (2 * h)

    def scaled(rung: int, by: float) -> Noise:
        factors = np.where(np.arange(4) == rung, np.exp(by), 1.0)
        return replace(noise, scale_variances=noise.scale_variances * factors)

    found = gradient(observed, noise)
    assert found.deviance == pytest.approx(solve(observed, noise).deviance, rel=1e-9)
    np.testing.assert_allclose(
        found.scales, [difference(scaled(k, h), scaled(k, -h)) for k in range(4)], rtol=1e-4, atol=1e-4
    )
    second = [replace(noise, second_variance=noise.second_variance * np.exp(by)) for by in (h, -h)]
    shifted = [replace(noise, shift=noise.shift + by) for by in (h, -h)]
    assert found.second == pytest.approx(difference(*second), rel=1e-4, abs=1e-4)
    assert found.shift == pytest.approx(difference(*shifted), rel=1e-4, abs=1e-4)
    assert found.ground == 0.0


@pytest.mark.seconds
@pytest.mark.parametrize("noise", [NOISES[0], NOISES[2]])
def test_the_information_is_the_average_one_of_dense_matrices(observed, noise):
    """y'P V_i P V_j P y with P of dense matrices (Gilmour, Thompson and Cullis 1995, Biometrics 51:1440-1450)."""
    noise = replace(noise, shift=0.2)
    h = 1e-5

    def moved(change: Callable[[float], Noise]) -> np.ndarray:
        return (dense(observed, change(h)) - dense(observed, change(-h))) / (2 * h)

    def rung(k: int, by: float) -> Noise:
        factors = np.where(np.arange(4) == k, np.exp(by), 1.0)
        return replace(noise, scale_variances=noise.scale_variances * factors)

    moves = [moved(partial(rung, k)) for k in range(4)]
    moves.append(moved(lambda by: replace(noise, second_variance=noise.second_variance * np.exp(by))))
    moves.append(moved(lambda by: replace(noise, shift=noise.shift + by)))
    inverse, x = np.linalg.inv(dense(observed, noise)), observed.design
    project = inverse - inverse @ x @ np.linalg.inv(x.T @ inverse @ x) @ x.T @ inverse
    rest = project @ observed.log_outcome
    theirs = np.array([[rest @ a @ project @ b @ rest for a in moves] for b in moves])
    ours = gradient(observed, noise).information
    np.testing.assert_allclose(ours[:6, :6], theirs, rtol=1e-3, atol=1e-5)
    assert not ours[6].any()


@pytest.mark.seconds
def test_no_search_of_scipy_finds_a_lower_deviance_than_the_fit(observed):
    """Under the fit's own prior, by Nelder and Mead's search from the fit and from a place away from it."""
    from chaffinch.pipelines.estimate.model import noise_fit
    from scipy.optimize import minimize

    found = noise_fit._logs(fit_noise([observed], within=1e-4))
    centre = noise_fit._centre([observed])

    def deviance(logs: np.ndarray) -> float:
        return noise_fit._penalised(logs, [observed], centre).deviance

    for start in (found, centre):
        best = minimize(deviance, start, method="Nelder-Mead", options={"maxiter": 3000, "fatol": 1e-6})
        assert deviance(found) < best.fun + 1e-3


def test_more_drift_is_more_variance_on_the_slow_scales_alone(observed):
    before = NOISES[0]
    after = before.with_drift(4.0)
    np.testing.assert_allclose(after.scale_variances / before.scale_variances, [1, 1, 4, 4])
    assert after.second_variance == before.second_variance


def test_more_drift_moves_no_scale():
    moved = Noise(NOISES[0].scale_variances, 2.0, 0.4)
    np.testing.assert_allclose(moved.with_drift(4.0).scales_s, moved.scales_s)


STATED = StatedNoise(fast_sd=0.3, fast_scale_s=30.0, slow_sd=0.4, slow_scale_s=1500.0)


def test_the_oracle_s_covariance_of_bins_is_that_of_the_seconds_in_them():
    """Bins of 4, 10 and 7 s, at 50 steps a second and summed: within a thousandth of the integrals."""
    seconds, start = np.array([4.0, 10.0, 7.0]), np.array([0.0, 12.0, 60.0])
    fine = [np.arange(a, a + s, 0.02) + 0.01 for a, s in zip(start, seconds, strict=True)]
    moments = np.concatenate(fine)
    lag = np.abs(moments[:, None] - moments[None, :])
    every = 0.09 * np.exp(-lag / 30) + 0.16 * np.exp(-lag / 1500)
    mean = np.zeros((3, moments.size))
    for i, at in enumerate(np.split(np.arange(moments.size), np.cumsum([f.size for f in fine])[:-1])):
        mean[i, at] = 1 / at.size
    by_sum = mean @ every @ mean.T + np.diag(0.05 / seconds)

    factored = binned_covariance(start + seconds / 2, seconds, time_scales(STATED), 0.05)
    inverse_root = factored.whiten(np.eye(3))
    np.testing.assert_allclose(np.linalg.inv(inverse_root.T @ inverse_root), by_sum, rtol=1e-3)


def test_the_oracle_s_least_squares_are_those_of_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    time_s, seconds = np.arange(80) * 12.0, rng.uniform(4, 10, 80)
    x = np.column_stack([time_s > 400, np.ones(80)]).astype(float)
    y = rng.standard_normal(80)
    factored = binned_covariance(time_s, seconds, time_scales(STATED), 0.05)
    root = factored.whiten(np.eye(80))
    theirs = sm.GLS(y, x, sigma=np.linalg.inv(root.T @ root)).fit(cov_type="fixed scale")

    _, found, covariance = generalised_least_squares(factored, x, y)

    np.testing.assert_allclose(found, theirs.params, rtol=ROUNDING)
    np.testing.assert_allclose(covariance, theirs.cov_params(), rtol=ROUNDING)
