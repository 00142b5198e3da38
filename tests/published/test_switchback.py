"""A complete published switchback trial: an A-B-A repeat with level and drift taken out."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.agronomy.switchback import switchback_contrast, switchback_effect

# A. E. Brandt, Tests of Significance in Reversal or Switchback Trials, Iowa State College Agricultural
# Research Bulletin 234, 1938 (by way of the agridat data collection).
# Milk, lb in 28 days, ten cows, three periods.
T1_T2_T1 = [
    [433.0, 413.7, 362.9],
    [744.6, 797.4, 780.3],
    [858.2, 753.8, 680.1],
    [977.2, 1025.2, 1007.4],
    [655.0, 616.1, 494.6],
]
T2_T1_T2 = [
    [671.3, 610.3, 596.8],
    [615.1, 555.4, 488.5],
    [776.9, 733.0, 693.9],
    [1101.8, 958.8, 939.6],
    [764.4, 717.6, 717.0],
]


def test_the_published_effect():
    # Published: T2 gave 21.7 lb more per cow and 28 days.
    result = switchback_effect(T1_T2_T1, T2_T1_T2)
    assert result.effect == pytest.approx(21.7, abs=0.05)
    assert result.degrees_of_freedom == 8


def test_the_standard_error_is_that_of_two_samples():
    # Against an independent program: the two-sample t of scipy on the contrasts.
    from scipy.stats import ttest_ind

    result = switchback_effect(T1_T2_T1, T2_T1_T2)
    t = ttest_ind(switchback_contrast(T2_T1_T2), switchback_contrast(T1_T2_T1)).statistic
    assert result.effect / result.standard_error == pytest.approx(t, rel=1e-12)


def test_level_and_linear_drift_of_each_unit_cancel():
    rng = np.random.default_rng(1938)
    level, drift = rng.normal(600, 200, (10, 1)), rng.normal(0, 40, (10, 1))
    effect = np.array([0.0, 21.7, 0.0])
    flat = level + drift * np.arange(3)
    result = switchback_effect(flat[:5] + effect, flat[5:] + 21.7 - effect)
    assert result.effect == pytest.approx(21.7, rel=1e-9)


def test_two_periods_are_refused():
    with pytest.raises(ValueError, match="three periods a unit, found 2"):
        switchback_contrast([[1.0, 2.0]])
    with pytest.raises(ValueError, match="at least three units"):
        switchback_effect([[1.0, 2.0, 3.0]], [[1.0, 2.0, 3.0]])
