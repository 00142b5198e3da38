"""Several tests at once, and how far the next field may lie, against published worked figures."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.results.pooling import Pooled, held_to_false_share, pool_between
from scipy import stats

# Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57:289-300, section 4: fifteen outcomes of a trial of
# thrombolysis in myocardial infarction (Neuhaus et al. 1992). Bonferroni calls three, their method four.
NEUHAUS = np.array(
    [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
     0.7590, 1.0000]
)  # fmt: skip


def test_the_published_trial_has_four_calls():
    called = held_to_false_share(NEUHAUS)
    np.testing.assert_array_equal(called, np.arange(15) < 4)
    assert (NEUHAUS < 0.05 / 15).sum() == 3


def test_the_order_of_tests_does_not_matter_and_an_unknown_one_is_never_called():
    order = np.random.default_rng(2).permutation(15)
    called = held_to_false_share(np.append(NEUHAUS[order], np.nan))
    np.testing.assert_array_equal(called[:-1], order < 4)
    assert not called[-1]
    assert held_to_false_share(np.array([])).size == 0


def test_it_calls_what_scipy_s_adjusted_chances_call():
    p_values = np.random.default_rng(5).uniform(size=300) ** 3
    np.testing.assert_array_equal(
        held_to_false_share(p_values), stats.false_discovery_control(p_values) <= 0.05
    )


def test_a_test_worth_asking_needs_less():
    """By hand: of ten tests 0.015 is not under 0.05 / 10; weighed five to one the mean weight is 1.4, and
    0.015 x 1.4 / 5 = 0.0042 is. What is not worth asking needs more: 0.004 x 1.4 / 1 = 0.0056."""
    p_values, weights = np.r_[0.015, np.full(9, 0.9)], np.r_[5.0, np.ones(9)]
    assert not held_to_false_share(p_values).any()
    np.testing.assert_array_equal(held_to_false_share(p_values, weights=weights), np.arange(10) == 0)
    assert held_to_false_share(np.r_[0.004, p_values[1:]]).any()
    assert not held_to_false_share(np.r_[0.9, 0.004, p_values[2:]], weights=weights).any()
    np.testing.assert_array_equal(
        held_to_false_share(NEUHAUS, weights=np.full(15, 3.0)), held_to_false_share(NEUHAUS)
    )


def test_wrong_weights_hold_the_share_all_the_same():
    """Genovese, Roeder and Wasserman 2006: whatever the weights. Where nothing is to be found every call is false,
    so that any is made in one season of twenty at most; 4,000 seasons tell that within 1.1 points (3.2 errors)."""
    rng = np.random.default_rng(8)
    weights = np.where(rng.uniform(size=40) < 0.3, 5.0, 1.0)
    seasons = rng.uniform(size=(4000, 40))
    called = np.mean([held_to_false_share(one, weights=weights).any() for one in seasons])
    assert called == pytest.approx(0.05, abs=0.011)


def test_the_next_field_lies_wider_than_the_mean():
    """Higgins et al. 2009, section 4.1 formula by hand: 5 fields, mean 0.2 +- 0.1, spread 0.3, t(3) = 3.182."""
    low, high = Pooled(0.2, 0.0, 0.4, 0.1, 0.3, 5, 4.0).next_field()
    half = 3.1824463 * np.sqrt(0.1**2 + 0.3**2)
    assert (low, high) == pytest.approx((0.2 - half, 0.2 + half))
    assert Pooled(0.2, 0.0, 0.4, 0.1, 0.3, 2, 4.0).next_field() is None


def test_three_fields_that_agree_and_three_that_do_not():
    """Agreeing: error 0.1 / sqrt(3) = 0.0577, no spread; t(5) = 2.571, for three fields and four of belief less two.

    Differing by 0.6 each, errors 0.02: their spread alone is 0.6, so the range is over 2.571 x 0.59 either way.
    """
    low, high = pool_between(np.full(3, 0.3), np.full(3, 0.01)).next_field()
    assert (low, high) == pytest.approx((0.3 - 0.1484, 0.3 + 0.1484), abs=2e-4)
    low, high = pool_between(np.array([-0.3, 0.3, 0.9]), np.full(3, 0.0004)).next_field()
    assert high - 0.3 > 2.571 * 0.59
    assert 0.3 - low > 2.571 * 0.59
