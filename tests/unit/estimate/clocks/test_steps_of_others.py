"""What other field jobs say of a step, against the weighted mean by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.clocks.scan import OFFSETS_S, SPREAD, log_bayes_factors
from chaffinch.pipelines.estimate.clocks.steps_of_others import BETWEEN_FIELDS, expected_steps
from scipy.stats import norm

RIGHT = (OFFSETS_S == 0).astype(float)


def field(*moved: tuple[str, str, str]) -> SimpleNamespace:
    """A field job whose settings log has these changes: setting, value before and after."""
    names = ("setting", "from_value", "to_value")
    changes = [
        SimpleNamespace(
            by_settings_log=True,
            is_joint=False,
            rows=pl.DataFrame([{**dict(zip(names, one, strict=True)), "kind": "number", "unit": "rpm"}]),
        )
        for one in moved
    ]
    return SimpleNamespace(changes=changes)


def steps(estimates: list[float], errors: list[float]) -> np.ndarray:
    """The same at all offsets, of one loss."""
    one = np.array([estimates, errors])[:, None, None, :]
    return np.broadcast_to(one, (2, OFFSETS_S.size, 1, len(estimates))).copy()


UP, UP_TWO, DOWN = ("fan_speed", "900", "950"), ("fan_speed", "900", "1000"), ("fan_speed", "950", "900")
OTHER = ("rotor_speed", "800", "850")


def test_a_step_is_expected_to_be_like_those_of_other_fields_by_its_dose():
    fields = [
        (field(UP), steps([-0.30], [0.10])),
        (field(DOWN, OTHER), steps([0.20, 0.5], [0.20, 0.1])),
        (field(UP_TWO), steps([9.0], [0.10])),
    ]
    precision, mean = expected_steps(fields, [RIGHT] * 3)[2]
    # One step up: -0.30 +- 0.10 and -0.20 +- 0.20, plus the spread between fields. Two steps: twice that.
    weights = 1 / (np.array([0.10, 0.20]) ** 2 + BETWEEN_FIELDS**2)
    assert mean[0, 0] == pytest.approx(2 * (weights @ [-0.30, -0.20]) / weights.sum())
    assert 1 / precision[0, 0] == pytest.approx(4 / weights.sum() + BETWEEN_FIELDS**2)
    # No other field moved the rotor.
    assert expected_steps(fields, [RIGHT] * 3)[1][0][0, 1] == 0.0


def test_a_clock_in_doubt_says_less_of_a_step():
    doubtful = steps([-0.30], [0.10])
    doubtful[0, OFFSETS_S > 0] = 0.0
    half = 0.5 * RIGHT + 0.5 * (OFFSETS_S == 600)
    fields = [(field(UP), doubtful), (field(UP), steps([0.0], [0.1]))]
    precision, mean = expected_steps(fields, [half, RIGHT])[1]
    assert mean[0, 0] == pytest.approx(-0.15)
    assert 1 / precision[0, 0] == pytest.approx(0.10**2 + 0.15**2 + 2 * BETWEEN_FIELDS**2)


def test_bayes_factors_are_ratios_of_densities():
    known = steps([-0.3], [0.1])
    precision, mean = np.array([[25.0]]), np.array([[-0.25]])
    found = log_bayes_factors(known, precision, mean)
    prior = 1 / (25.0 + 1 / (SPREAD * 0.01))
    expected = norm.logpdf(-0.3, -0.25 * 25.0 * prior, np.sqrt(0.01 + prior)) - norm.logpdf(-0.3, 0, 0.1)
    assert found.shape == (OFFSETS_S.size, 1)
    np.testing.assert_allclose(found, expected)
    known[:, 0] = np.nan
    assert log_bayes_factors(known)[0, 0] == 0.0
