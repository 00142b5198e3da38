"""The Newey-West peer against an independent library, and a case small enough for hand arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.prove.newey_west import customary_lags, least_squares_newey_west

# Two implementations of the same sums differ by rounding alone.
ROUNDING = 1e-9


@pytest.mark.parametrize("lags", [0, 1, 4, 12])
def test_against_statsmodels(lags):
    import statsmodels.api as sm

    rng = np.random.default_rng(11)
    n = 150
    noise = np.convolve(rng.standard_normal(n + 9), np.ones(10), "valid")
    x = np.column_stack([np.ones(n), np.arange(n) > 70, rng.standard_normal(n).cumsum()])
    y = x @ [0.5, -0.3, 0.02] + noise
    theirs = sm.OLS(y, x).fit(cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": True})

    found, covariance = least_squares_newey_west(y, x, lags)

    np.testing.assert_allclose(found, theirs.params, rtol=ROUNDING)
    np.testing.assert_allclose(covariance, theirs.cov_params(), rtol=ROUNDING)


def test_three_readings_by_hand():
    """y = 1, 2, 6 about their mean 3: residuals -2, -1, 3; sum of squares 14, of neighbours 2 - 3 = -1.

    One lag has weight 1/2: meat 14 + 2 x 1/2 x (-1) = 13; bread 1/3; variance 3/2 x 13/9 = 13/6.
    Hand arithmetic from the formula of Newey and West 1987, Econometrica 55(3):703-708.
    """
    found, covariance = least_squares_newey_west(np.array([1.0, 2.0, 6.0]), np.ones((3, 1)), 1)
    assert found[0] == pytest.approx(3.0)
    assert covariance[0, 0] == pytest.approx(13 / 6)


@pytest.mark.parametrize(("n", "lags"), [(100, 4), (180, 4), (1000, 6)])
def test_customary_lags(n, lags):
    """floor(4 (n / 100)^(2/9)): 4, 4.56, 6.67; own arithmetic on the rule (from memory)."""
    assert customary_lags(n) == lags
