"""Estimates that differ by more than their errors, pooled: against a general library."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.work.random_effects import random_effects
from statsmodels.stats.meta_analysis import combine_effects


@pytest.mark.parametrize("seed", range(3))
def test_estimates_are_pooled_as_a_general_library_does(seed: int):
    """DerSimonian and Laird 1986, by statsmodels (method "chi2", one step)."""
    rng = np.random.default_rng(seed)
    variances = rng.uniform(0.01, 0.3, 9)
    estimates = 2 + 0.4 * rng.standard_normal(9) + np.sqrt(variances) * rng.standard_normal(9)
    theirs = combine_effects(estimates, variances, method_re="chi2")
    mean, between = random_effects(estimates, variances)
    assert between == pytest.approx(max(theirs.tau2, 0.0))
    assert mean == pytest.approx(theirs.mean_effect_re if theirs.tau2 > 0 else theirs.mean_effect_fe)


def test_one_estimate_or_none():
    assert random_effects(np.array([1.8]), np.array([0.1])) == (1.8, 0.0)
    mean, between = random_effects(np.empty(0), np.empty(0))
    assert np.isnan(mean) and between == 0.0
