"""What repeats of a trial say of its range: as wide as it should be on average where the errors are right."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.results.agreement import (
    excess_variance,
    in_pairs,
    least_squares,
    spread_of_repeats,
)
from scipy.integrate import quad
from scipy.stats import chi2, norm, t

# A trial of twelve switches of 0.2 each; neighbours share the level between them.
DOSES = np.tile([1.0, -1.0], 6)
COVARIANCE = 0.04 * (np.eye(12) - 0.45 * (np.eye(12, k=1) + np.eye(12, k=-1)))


@pytest.mark.parametrize(("square", "freedom"), [(2.0, 5), (5.0, 5), (24.0, 8)])
def test_the_range_is_that_of_a_variance_of_which_the_repeats_tell(square: float, freedom: int):
    """A normal mean integrated over its variance, a priori 40 over a chi square of 40 degrees of freedom."""
    known = 40.0

    # The posterior of one over the variance is a chi square of both, over both sums of squares.
    def below(x: float) -> float:
        total = known + square
        return quad(
            lambda c: norm.cdf(x * np.sqrt(c / total)) * chi2.pdf(c, known + freedom), 0.0, 200.0, limit=200
        )[0]

    reach = t.ppf(0.975, known + freedom) * np.sqrt(spread_of_repeats(square, freedom, known))
    assert below(reach) == pytest.approx(0.975, abs=1e-6)


def test_what_drifts_evenly_cancels_in_pairs():
    pairs, _, doses = in_pairs(0.3 * DOSES + 0.2, COVARIANCE, DOSES)
    assert pairs == pytest.approx(np.full(6, 0.3))
    assert (doses == 1).all()


def test_a_last_switch_without_a_partner_is_left_out():
    pairs, covariance, _ = in_pairs(0.3 * DOSES[:5], COVARIANCE[:5, :5], DOSES[:5])
    assert pairs == pytest.approx([0.3, 0.3])
    # (0.04 + 0.04 + 2 * 0.45 * 0.04) / 4 of a switch up and the one back.
    assert np.diag(covariance) == pytest.approx([0.029, 0.029])


@pytest.mark.parametrize("size", [1.0, 1.5])
def test_ranges_hold_as_often_as_they_say_and_follow_repeats_that_differ_more(size: float):
    """4,000 trials; errors are as stated, or larger by half, which the repeats show in part."""
    rng, held, known = np.random.default_rng(20261130), 0, 10.0
    root = size * np.linalg.cholesky(COVARIANCE)
    many = 4000
    for _ in range(many):
        seen = root @ rng.standard_normal(12)
        effect, variance = least_squares(seen, COVARIANCE, DOSES)
        factor, freedom = excess_variance(*in_pairs(seen, COVARIANCE, DOSES), known)
        held += abs(effect) < t.ppf(0.975, freedom) * np.sqrt(factor * variance)
    if size == 1.0:
        # A known variance is a little narrower than one that is not: at most 97 %, and 95 % less three errors.
        assert 0.94 <= held / many <= 0.97
    else:
        # By the stated errors alone 1.96 / 1.5 of them are reached: 81 %.
        assert held / many > 2 * norm.cdf(1.96 / 1.5) - 1 + 0.04
