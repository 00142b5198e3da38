"""The values of a trial of three each against each, also where what the signals leave open is large."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from chaffinch.pipelines.estimate.results.value_comparisons import value_comparisons

# Two mirrored blocks of three fan speeds; the best one lies in the middle.
ORDER = ("1000", "1050", "1100", "1100", "1050", "1000", "1050", "1000", "1100", "1100", "1000", "1050")
LEVEL = {"1000": 0.0, "1050": -0.3, "1100": 0.2}
MOVES = [(a, b) for a, b in zip(ORDER[:-1], ORDER[1:], strict=True) if a != b]
TRUE = np.array([LEVEL[b] - LEVEL[a] for a, b in MOVES])
MEMBERS = [
    SimpleNamespace(
        index=k,
        trial="T",
        rows=[{"trial_from": a, "trial_to": b}],
    )
    for k, (a, b) in enumerate(MOVES)
]


def compared(seen, noise, unknown):
    rows = value_comparisons(MEMBERS, seen, noise**2 * np.eye(len(MOVES)), unknown, 200.0, [])
    return {(row["from_value"], row["to_value"]): row for row in rows}


def test_exact_changes_give_the_differences():
    found = compared(TRUE, 0.1, np.zeros((0, len(MOVES))))
    assert list(found) == [("1000", "1050"), ("1000", "1100"), ("1050", "1100")]
    for (a, b), row in found.items():
        assert row["log_ratio"] == pytest.approx(LEVEL[b] - LEVEL[a])


def test_signals_of_unknown_power_do_not_draw_comparisons_to_zero():
    """The power of the signal is off by a fifth (standard deviation; exponents of 0.6 to 1.4), the same way in every
    change. With that error in the covariance of noisy changes, comparisons came out at three quarters of the truth.
    """
    rng, share, noise = np.random.default_rng(1911), 0.2, 0.2
    sums, held, many = dict.fromkeys(compared(TRUE, noise, TRUE[None, :]), 0.0), 0, 1000
    for _ in range(many):
        seen = TRUE * (1 + share * rng.standard_normal()) + noise * rng.standard_normal(TRUE.size)
        for (a, b), row in compared(seen, noise, share * seen[None, :]).items():
            sums[a, b] += row["log_ratio"] / many
            held += row["log_ratio_low"] <= LEVEL[b] - LEVEL[a] <= row["log_ratio_high"]
    for (a, b), mean in sums.items():
        # Four standard errors of the mean of so many draws.
        assert abs(mean - (LEVEL[b] - LEVEL[a])) < 4 * np.hypot(share * 0.5, noise / 2) / np.sqrt(many)
    assert 0.93 <= held / (3 * many) <= 0.98
