"""The range of capacity against Fieller's closed form for a ratio of two means.

E. C. Fieller 1954, J. R. Statist. Soc. B 16(2):175-185: the values r at which a + r b does not differ from
zero, (a + r b)^2 <= q^2 (A + 2 r C + r^2 B), lie between the roots of a quadratic. For a power curve (loss
share on feed rate, slope b) capacity changes by r = -effect / slope, so the range of the curve's search must
end at those roots. The closed form is the paper's (from memory); the numbers put in are our own.
"""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.data.design import Design
from chaffinch.pipelines.estimate.model.fit import Fit
from chaffinch.pipelines.estimate.results.capacity import capacity_effect

Q = 1.959964  # normal quantile, any table
# The search tries shifts 0.00495 apart and keeps those inside, so an end is short by less than one of them.
GRID = 0.005


def fieller(effect: float, slope: float, covariance: np.ndarray) -> tuple[float, float] | None:
    """Ends of the range of -effect / slope; None where it has none, because the slope may be zero."""
    (a2, ab), (_, b2) = covariance
    quadratic = slope**2 - Q**2 * b2
    if quadratic <= 0:
        return None
    low, high = np.sort(np.roots([quadratic, 2 * (effect * slope - Q**2 * ab), effect**2 - Q**2 * a2]))
    return float(low), float(high)


def searched(effect: float, slope: float, covariance: np.ndarray):
    names = ("step 0", "log feed")
    design = Design(np.ones(2, dtype=bool), np.zeros((2, 2)), names, (0,), 30.0)
    fit = Fit(np.array([effect, slope]), covariance, np.full(2, 1e9))
    return capacity_effect(design, fit, 0, 1.0)


@pytest.mark.parametrize("effect", [-0.4, -0.1, 0.0, 0.3])
@pytest.mark.parametrize("slope", [1.2, 2.5])
@pytest.mark.parametrize("correlation", [-0.6, 0.0, 0.6])
def test_search_gives_the_roots_of_the_quadratic(effect, slope, correlation):
    errors = np.array([0.08, 0.15])
    covariance = np.outer(errors, errors) * np.array([[1, correlation], [correlation, 1]])
    low, high = fieller(effect, slope, covariance)

    found = searched(effect, slope, covariance)

    assert found.log_ratio == pytest.approx(-effect / slope, abs=1e-9)
    assert low - 1e-9 <= found.low <= low + GRID
    assert high - GRID <= found.high <= high + 1e-9


def test_the_range_is_not_symmetric_where_the_slope_is_unsure():
    """Fieller's range of -(-0.4) / 1.2 reaches further up than down; a delta-method range could not."""
    covariance = np.diag([0.12**2, 0.25**2])
    found = searched(-0.4, 1.2, covariance)
    assert found.high - found.log_ratio > 1.3 * (found.log_ratio - found.low)


def test_no_range_where_the_slope_may_be_zero():
    covariance = np.diag([0.05**2, 0.5**2])
    assert fieller(-0.2, 0.8, covariance) is None
    assert searched(-0.2, 0.8, covariance).reasons == ("flat_curve",)
