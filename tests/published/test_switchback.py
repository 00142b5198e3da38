"""A complete published switchback trial (A-B-A repeats) by the estimator's generalised least squares."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.model.covariance import Observations
from chaffinch.pipelines.estimate.model.likelihood import Solved, solve
from chaffinch.pipelines.estimate.model.noise import Noise
from scipy.stats import ttest_ind

# A. E. Brandt, Tests of Significance in Reversal or Switchback Trials, Iowa State College Agricultural
# Research Bulletin 234, 1938 (by way of the agridat data collection).
# Milk, lb in 28 days, ten cows, three periods.
T1_T2_T1 = np.array(
    [
        [433.0, 413.7, 362.9],
        [744.6, 797.4, 780.3],
        [858.2, 753.8, 680.1],
        [977.2, 1025.2, 1007.4],
        [655.0, 616.1, 494.6],
    ]
)
T2_T1_T2 = np.array(
    [
        [671.3, 610.3, 596.8],
        [615.1, 555.4, 488.5],
        [776.9, 733.0, 693.9],
        [1101.8, 958.8, 939.6],
        [764.4, 717.6, 717.0],
    ]
)


def white_fit(variance: float) -> tuple[Solved, float]:
    """T2 against T1 with level and linear drift of each cow and a common curve taken out, and the mean square left.

    The noise is white, of ``variance``.
    """
    y = np.vstack([T1_T2_T1, T2_T1_T2]).ravel()
    cow, period = np.repeat(np.arange(10), 3), np.tile(np.arange(3.0), 10)
    second = (period == 1) == (cow < 5)
    of_cow = (cow[:, None] == np.arange(10)).astype(float)
    design = np.column_stack([second, of_cow, of_cow * (period - 1)[:, None], (period == 1)]).astype(float)
    observed = Observations(np.arange(y.size) * 1e6, design, y, np.ones(y.size))
    solved = solve(observed, Noise(np.full(4, 1e-12), variance))
    left = y - design @ solved.coefficients
    return solved, float(left @ left) / (y.size - design.shape[1])


def test_the_published_effect():
    # Published: T2 gave 21.7 lb more per cow and 28 days.
    assert white_fit(1.0)[0].coefficients[0] == pytest.approx(21.7, abs=0.05)


def test_the_standard_error_is_that_of_two_samples():
    # Against an independent program: the two-sample t of scipy on the contrasts p1 - 2 p2 + p3.
    contrast = np.array([1.0, -2.0, 1.0])
    theirs = ttest_ind(T2_T1_T2 @ contrast, T1_T2_T1 @ contrast).statistic
    _, mean_square = white_fit(1.0)
    solved, _ = white_fit(mean_square)
    assert solved.coefficients[0] / np.sqrt(solved.covariance[0, 0]) == pytest.approx(theirs, rel=1e-6)
