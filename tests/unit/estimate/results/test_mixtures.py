"""Mixtures of t distributions against a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.results.mixtures import Posterior, t_below
from scipy.stats import t


@pytest.mark.parametrize("freedom", [1.0, 3.0, 5.0, 8.0, 30.0, 400.0, 1e7, np.inf])
def test_probabilities_below_a_score(freedom):
    score = np.r_[np.linspace(-8, 8, 161), -np.inf, np.inf, 0.0]
    found = t_below(score[None, :], np.array([[freedom]]))[0]
    np.testing.assert_allclose(found, t.cdf(score, freedom), atol=2e-7)


@pytest.mark.parametrize("level", [0.025, 0.5, 0.975])
def test_quantiles_of_a_mixture_have_that_probability_below(level):
    rng = np.random.default_rng(4)
    weights = rng.dirichlet(np.ones(9))
    means, variances = rng.normal(size=(20, 9)), rng.gamma(2.0, size=(20, 9))
    freedoms = rng.choice([2.0, 6.0, 50.0, np.inf], size=(20, 9))
    ends = Posterior(weights, means, variances, freedoms).quantile(level)
    below = t.cdf((ends[:, None] - means) / np.sqrt(variances), freedoms) @ weights
    np.testing.assert_allclose(below, level, atol=1e-4)
