"""A line through effects against a published one: BCG trials over the latitude of their place.

Counts: Colditz et al. 1994, JAMA 271(9):698-702, with absolute latitudes; from memory. Published random-effects
line of the log risk ratio on latitude, variance by moments (DerSimonian and Laird): intercept 0.2595, slope
-0.0292 a degree (Viechtbauer 2010, J. Statist. Software 36(3):1-48, data and software of it; from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.dashboards.figures.dependence import Condition, slope

# Vaccinated with tuberculosis, vaccinated without, others with, others without, latitude in degrees.
TRIALS = np.array(
    [
        [4, 119, 11, 128, 44],
        [6, 300, 29, 274, 55],
        [3, 228, 11, 209, 42],
        [62, 13536, 248, 12619, 52],
        [33, 5036, 47, 5761, 13],
        [180, 1361, 372, 1079, 44],
        [8, 2537, 10, 619, 19],
        [505, 87886, 499, 87892, 13],
        [29, 7470, 45, 7232, 27],
        [17, 1699, 65, 1600, 42],
        [186, 50448, 141, 27197, 18],
        [5, 2493, 3, 2338, 33],
        [27, 16886, 29, 17825, 33],
    ],
    dtype=float,
)


def test_the_line_is_the_published_one():
    sick, well, other_sick, other_well, latitude = TRIALS.T
    vaccinated, others = sick + well, other_sick + other_well
    effect = np.log((sick / vaccinated) / (other_sick / others))
    variance = 1 / sick - 1 / vaccinated + 1 / other_sick - 1 / others
    line = slope(latitude, effect, np.sqrt(variance))
    steep = (line.y[-1] - line.y[0]) / (line.x[-1] - line.x[0])
    assert steep == pytest.approx(-0.0292, abs=5e-5)
    assert line.y[0] - steep * line.x[0] == pytest.approx(0.2595, abs=1e-4)
    assert line.verdict == "less"
    assert (line.low < line.y).all() and (line.y < line.high).all()


def test_equal_errors_without_scatter_give_the_line_itself():
    # Five effects on the line 0.1 + 0.2 (x - 3), each with error 0.1. Slope error = 0.1 / sqrt(10), intercept
    # error = 0.1 / sqrt(5); Student's t on 3 degrees of freedom at 97.5 %: 3.182 (printed tables).
    x = np.arange(1.0, 6.0)
    line = slope(x, 0.1 + 0.2 * (x - 3), np.full(5, 0.1))
    assert line.y == pytest.approx([-0.3, -0.1, 0.1, 0.3, 0.5])
    assert line.high[2] - line.y[2] == pytest.approx(3.182 * 0.1 / np.sqrt(5), rel=1e-3)
    assert line.high[0] - line.y[0] == pytest.approx(3.182 * 0.1 * np.sqrt(1 / 5 + 4 / 10), rel=1e-3)
    assert line.verdict == "more"
    assert slope(x, 0.1 + 0.05 * (x - 3), np.full(5, 0.1)).verdict == "no clear change"


@pytest.mark.parametrize(
    ("name", "x", "why"),
    [
        ("moisture_pct", [14.0, 15, 16, 17], "with 4 adjustments (5 needed)"),
        ("moisture_pct", [14.0, 14.2, 14.4, 14.6, 14.8], "nearly the same moisture"),
        ("feed", [40.0, 41, 42, 43, 44], "nearly the same moisture"),
    ],
)
def test_too_few_or_too_like_adjustments_draw_no_line(name, x, why):
    assert why in (Condition(name, "moisture", "%", "wetter grain").refusal(np.array(x)) or "")


def test_adjustments_in_different_conditions_draw_one():
    assert (
        Condition("feed", "grain feed rate", "t/h", "more").refusal(np.array([30.0, 31, 33, 35, 37])) is None
    )
