"""Pans before and after a change."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.agronomy.paired_pans import ACROSS, effect_within_percent, pans_for


def test_the_stated_range_holds_95_of_100_comparisons():
    """20,000 comparisons of pans drawn with their error: the chance error of the share is 0.0015."""
    rng = np.random.default_rng(1)
    for pans, error in ((3, 0.2), (12, 0.35)):
        before, after = error * rng.standard_normal((2, 20_000, pans))
        miss = np.abs(after.mean(axis=1) - before.mean(axis=1))
        held = np.mean(miss <= np.log1p(effect_within_percent(pans, error) / 100))
        assert held == pytest.approx(0.95, abs=0.006)


def test_by_hand():
    # 1.96 x 0.2 x sqrt(2/6) = 0.226: 25.4 %. For 20 % ln 1.2 = 0.182: 2 (0.392 / 0.182)^2 = 9.2 pans, so 12.
    assert effect_within_percent(6, 0.2) == pytest.approx(25.4, abs=0.1)
    found = pans_for(20.0, 0.2)
    assert found == 12
    assert effect_within_percent(found, 0.2) < 20.0 < effect_within_percent(9, 0.2)


@pytest.mark.parametrize("error", [0.05, 0.2, 0.5])
def test_whole_rows_and_no_fewer_would_do(error):
    found = pans_for(40.0, error)
    assert found is not None
    assert found % ACROSS == 0 and effect_within_percent(found, error) <= 40.0
    fewer = found - ACROSS
    assert fewer == 0 or effect_within_percent(fewer, error) > 40.0


def test_more_pans_than_anyone_lays_are_not_asked_for():
    assert pans_for(2.0, 0.3) is None
