"""Random-effects pooling against a published meta-analysis: 13 trials of BCG vaccination.

Counts (tuberculosis and participants, vaccinated and not): Colditz et al. 1994, JAMA 271(9):698-702, as given
in many textbooks; from memory. Published pooled log risk ratios of these counts, from memory: restricted
maximum likelihood -0.7145 (between-trial variance 0.3132; Viechtbauer 2010, J. Statist. Software 36(3):1-48);
DerSimonian and Laird -0.7141 (0.3088). Independent implementation: statsmodels.
"""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.results.pooling import pool_between, pool_within

# Trial: vaccinated with tuberculosis, vaccinated without, others with, others without.
TRIALS = np.array(
    [
        [4, 119, 11, 128],
        [6, 300, 29, 274],
        [3, 228, 11, 209],
        [62, 13536, 248, 12619],
        [33, 5036, 47, 5761],
        [180, 1361, 372, 1079],
        [8, 2537, 10, 619],
        [505, 87886, 499, 87892],
        [29, 7470, 45, 7232],
        [17, 1699, 65, 1600],
        [186, 50448, 141, 27197],
        [5, 2493, 3, 2338],
        [27, 16886, 29, 17825],
    ],
    dtype=float,
)


@pytest.fixture(scope="module")
def log_risk_ratios() -> tuple[np.ndarray, np.ndarray]:
    sick, well, other_sick, other_well = TRIALS.T
    vaccinated, others = sick + well, other_sick + other_well
    effect = np.log((sick / vaccinated) / (other_sick / others))
    return effect, 1 / sick - 1 / vaccinated + 1 / other_sick - 1 / others


def test_the_counts_give_the_published_pools(log_risk_ratios):
    """Guards the table above: DerSimonian and Laird's closed form on it must give the published number."""
    effect, variance = log_risk_ratios
    weight = 1 / variance
    mean = weight @ effect / weight.sum()
    q = weight @ (effect - mean) ** 2
    between = (q - 12) / (weight.sum() - (weight**2).sum() / weight.sum())
    again = 1 / (variance + between)
    assert between == pytest.approx(0.3088, abs=5e-5)
    assert again @ effect / again.sum() == pytest.approx(-0.7141, abs=5e-5)
    assert q == pytest.approx(
        152.233, abs=5e-4
    )  # published heterogeneity on 12 degrees of freedom, from memory


def test_pool_agrees_with_the_published_one(log_risk_ratios):
    """Paule and Mandel's variance is another estimate of what restricted likelihood puts at 0.3132.

    The two need not agree to the digit; the mean hardly depends on it: -0.7145 within 0.002, and the standard
    deviation between trials 0.5597 within 0.01.
    """
    pooled = pool_between(*log_risk_ratios, belief_fields=0)
    assert pooled.estimate == pytest.approx(-0.7145, abs=2e-3)
    assert pooled.between == pytest.approx(np.sqrt(0.3132), abs=1e-2)
    assert pooled.count == 13


def test_pool_agrees_with_statsmodels(log_risk_ratios):
    """Paule-Mandel variance, Hartung-Knapp range on 12 degrees of freedom."""
    from scipy.stats import t
    from statsmodels.stats.meta_analysis import combine_effects

    effect, variance = log_risk_ratios
    theirs = combine_effects(effect, variance, method_re="iterated", use_t=True)
    pooled = pool_between(effect, variance, belief_fields=0)

    assert pooled.between**2 == pytest.approx(theirs.tau2, rel=1e-4)
    assert pooled.estimate == pytest.approx(theirs.mean_effect_re, rel=1e-5)
    # Ours never lets the scatter's scale fall below one; where theirs is at one, both ranges are one.
    scale = max(1.0, theirs.scale_hksj_re)
    half = t.ppf(0.975, 12) * np.sqrt(scale / theirs.weights_re.sum())
    assert pooled.high - pooled.estimate == pytest.approx(half, rel=1e-3)


def test_trials_that_agree_leave_no_variance_between():
    """Equal effects: variance between nought, so mean and error are those of inverse variances."""
    variance = np.array([0.04, 0.01, 0.02, 0.05])
    pooled = pool_between(np.full(4, 0.3), variance, belief_fields=0)
    assert pooled.between == 0
    assert pooled.estimate == pytest.approx(0.3)
    assert pooled.error == pytest.approx(1 / np.sqrt((1 / variance).sum()))


def test_one_field_keeps_its_own_range():
    pooled = pool_between(np.array([0.2]), np.array([0.01]))
    assert (pooled.low, pooled.high) == (pytest.approx(0.2 - 0.196, abs=1e-4), pytest.approx(0.396, abs=1e-4))


def test_within_a_field_is_least_squares_through_the_origin():
    """Independent equal errors: sum(d y) / sum(d^2) = (0.1 + 2 x 0.3 + 0.2) / 6 = 0.15, variance s^2 / 6."""
    found, variance = pool_within(np.array([0.1, 0.3, -0.2]), 0.04 * np.eye(3), np.array([1.0, 2.0, -1.0]))
    assert found == pytest.approx(0.15)
    assert variance == pytest.approx(0.04 / 6)


def test_within_a_field_correlated_errors_agree_with_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(4)
    root = rng.standard_normal((4, 4))
    covariance = root @ root.T + np.eye(4)
    effects, dose = rng.standard_normal(4), np.array([1.0, -1.0, 2.0, 1.0])
    theirs = sm.GLS(effects, dose[:, None], sigma=covariance).fit(cov_type="fixed scale")
    found, variance = pool_within(effects, covariance, dose)
    assert found == pytest.approx(float(theirs.params[0]))
    assert variance == pytest.approx(float(theirs.cov_params()[0, 0]))
