"""How precise a trial is in a field to come, from how fields differ in their noise."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.trials.design.season_noise import errors_to_come


@pytest.mark.parametrize(("known", "freedom"), [(3, np.inf), (8, np.inf), (8, 30.0)])
def test_eight_of_ten_fields_to_come_lie_inside(known, freedom):
    rng, many = np.random.default_rng(1991), 4000
    held = 0
    for levels in np.exp(0.3 * rng.standard_normal((many, known + 1))):
        found = errors_to_come(levels[:-1], freedom)
        assert found is not None
        # What all known levels are off by together, as the noise is known from so many values only.
        off = np.sqrt(rng.chisquare(freedom) / freedom) if np.isfinite(freedom) else 1.0
        held += found[0] <= levels[-1] / np.median(levels[:-1]) / off <= found[1]
    # Four standard errors of a share of 0.8 in so many draws.
    assert abs(held / many - 0.8) < 4 * np.sqrt(0.16 / many)


def test_two_fields_say_nothing_of_others():
    assert errors_to_come(np.array([0.1, 0.2]), 30.0) is None


def test_fields_that_are_alike_leave_nothing_open():
    assert errors_to_come(np.full(5, 0.2), np.inf) == pytest.approx((1.0, 1.0))
