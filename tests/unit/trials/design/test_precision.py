"""How precisely a trial tells, against values computed outside this program."""

from __future__ import annotations

import numpy as np
import pytest
from chaffinch.pipelines.estimate.model.ground import ground_basis
from chaffinch.pipelines.trials.design.precision import (
    Driven,
    TrialNoise,
    WorkPattern,
    detectable_percent,
    errors_of_values,
    needed_error,
    power,
)

# Ornstein-Uhlenbeck noise of 25 s (SD 0.3) and 1200 s (SD 0.25), white 0.3 per second.
NOISE = TrialNoise(np.array([0.3**2, 0.25**2]), 0.3**2, own_scales_s=np.array([25.0, 1200.0]))

# Steady work throughout, arms of equal length; values computed by two independent programs.
CHECKED = [
    # hours, switches, se with 36 s left out after each switch, se with nothing left out
    (2, 1, 0.162, 0.135),
    (2, 3, 0.109, 0.086),
    (2, 7, 0.076, 0.058),
    (2, 15, 0.058, 0.043),
    (2, 23, 0.053, 0.036),
    (4, 15, 0.052, 0.040),
]


def alternating(hours: float, switches: int, left_out_s: float) -> float:
    seconds = np.arange(3600.0 * hours)
    ends = 3600.0 * hours / (switches + 1) * np.arange(1, switches + 2)
    states = [[float(step % 2)] for step in range(switches + 1)]
    driven = Driven(seconds, np.zeros(seconds.size))
    return float(np.sqrt(errors_of_values(driven, ends.tolist(), states, NOISE, left_out_s)[0, 0]))


@pytest.mark.parametrize(("hours", "switches", "with_36_s", "with_none"), CHECKED)
def test_standard_errors_are_those_of_other_programs(
    hours: float, switches: int, with_36_s: float, with_none: float
):
    found = alternating(hours, switches, 36.0), alternating(hours, switches, 0.0)
    assert found == pytest.approx((with_36_s, with_none), abs=0.0006)


def test_against_the_whole_covariance_matrix():
    # The same quantity by dense linear algebra: x' M V^-1 M x with the mean taken out.
    seconds = np.arange(1800.0)
    arm = (seconds // 450) % 2
    keep = (seconds < 450) | (seconds % 450 >= 36)
    t, x = seconds[keep], arm[keep]
    lag = np.abs(t[:, None] - t[None, :])
    v = 0.09 * np.exp(-lag / 25) + 0.0625 * np.exp(-lag / 1200) + 0.09 * np.eye(t.size)
    inverse = np.linalg.inv(v)
    one = np.ones(t.size)
    information = x @ inverse @ x - (x @ inverse @ one) ** 2 / (one @ inverse @ one)
    assert alternating(0.5, 3, 36.0) == pytest.approx(information**-0.5, rel=1e-6)


def test_a_change_by_15_percent_needs_an_error_of_0_058():
    # ln(0.85) / (1.96 + 0.84), computed elsewhere.
    assert needed_error(15.0) == pytest.approx(0.058, abs=0.0005)
    assert detectable_percent(needed_error(15.0)) == pytest.approx(15.0)
    assert power(np.log(0.85), needed_error(15.0)) == pytest.approx(0.80, abs=0.001)


def test_bins_are_as_precise_as_seconds():
    # Ten-second bins of steady work without turns against single seconds, 36 s left out in both.
    steady = WorkPattern(pass_s=7200.0, turn_s=0.0).driven(2)
    ends = (900.0 * np.arange(1, 9)).tolist()
    binned = errors_of_values(steady, ends, [[float(k % 2)] for k in range(8)], NOISE, 40.0)
    assert np.sqrt(binned[0, 0]) == pytest.approx(alternating(2, 7, 40.0), rel=0.01)


def test_turns_cost_precision():
    ends, states = (900.0 * np.arange(1, 9)).tolist(), [[float(k % 2)] for k in range(8)]
    without = errors_of_values(WorkPattern(7200.0, 0.0).driven(2), ends, states, NOISE)
    with_turns = errors_of_values(WorkPattern(200.0, 60.0).driven(2), ends, states, NOISE)
    assert with_turns[0, 0] > without[0, 0]


def test_a_value_without_any_work_has_no_precision():
    ends, states = [3600.0, 3630.0], [[0.0], [1.0]]
    assert np.isinf(errors_of_values(WorkPattern().driven(1.2), ends, states, NOISE)).all()


def test_drift_of_the_ground_against_the_whole_covariance_matrix():
    # Dense linear algebra over the same passes: x' M V^-1 M x with V = time + white + ground.
    pattern = WorkPattern(180.0, 30.0, speed_m_s=1.6, width_m=9.0)
    driven, step_s, order = pattern.driven(1.4), 630.0, [0, 1, 1, 0, 1, 0, 0, 1]
    noise = TrialNoise(
        np.array([0.09, 0.02]), 0.09, ground_variance=0.09, own_scales_s=np.array([25.0, 1200.0])
    )
    moments = Driven(driven.time_s, np.zeros(driven.time_s.size), driven.along_m, driven.across_m)
    ends = (step_s * np.arange(1, 9)).tolist()
    found = errors_of_values(moments, ends, [[float(k)] for k in order], noise)
    step = np.searchsorted(ends, driven.time_s, side="right")
    keep = driven.time_s < ends[-1]
    arm = np.array([*order, 0], dtype=float)[step]
    since = np.zeros(driven.time_s.size)
    for k in range(1, 8):
        if order[k] != order[k - 1]:
            since[step >= k] = step_s * k
    keep &= (since == 0) | (driven.time_s >= since + 36.0 - 1e-9)
    t, x = driven.time_s[keep], arm[keep]
    lag = np.abs(t[:, None] - t[None, :])
    basis = ground_basis(driven.along_m[keep], driven.across_m[keep])
    v = sum(a * np.exp(-lag / s) for a, s in ((0.09, 25.0), (0.02, 1200.0)))
    v = v + 0.09 * np.eye(t.size) + 0.09 * basis @ basis.T
    design = np.column_stack([x, np.ones(t.size)])
    dense = np.linalg.inv(design.T @ np.linalg.solve(v, design))
    assert found[0, 0] == pytest.approx(dense[0, 0], rel=1e-6)


def test_passes_lie_side_by_side_and_are_driven_to_and_fro():
    driven = WorkPattern(100.0, 20.0, speed_m_s=2.0, width_m=8.0).driven(0.1)
    assert driven.along_m[:2].tolist() == [10.0, 30.0]
    second = np.flatnonzero(driven.across_m == 8.0)
    assert driven.along_m[second[:2]].tolist() == [190.0, 170.0]
    assert driven.time_s[second[0]] == 125.0
