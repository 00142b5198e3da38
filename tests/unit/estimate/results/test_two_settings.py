"""How much one setting of a trial depends on the other, from the changes of single settings."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from chaffinch.pipelines.estimate.results.value_comparisons import (
    INTERACTION_COLUMNS,
    interaction_of,
    lowest_first,
)

FAN, SIEVE = ("1000", "1050"), ("9", "14")
CORNERS = [(0, 0), (1, 0), (1, 1), (0, 1), (0, 1), (1, 1), (1, 0), (0, 0)]


def trial(states, start=CORNERS[0]):
    """The changes of a trial that goes through ``states`` of (fan, sieve), as ``interaction_of`` takes them."""
    changes = []
    for before, after in zip([start, *states[:-1]], states, strict=True):
        for setting, values, a, b in (
            ("fan_speed", FAN, before[0], after[0]),
            ("upper_sieve_opening", SIEVE, before[1], after[1]),
        ):
            if a != b:
                row = {"setting": setting, "trial": "T", "trial_from": values[a], "trial_to": values[b]}
                changes.append(SimpleNamespace(rows=pl.DataFrame([row])))
    of = SimpleNamespace(binned=SimpleNamespace(changes=changes))
    return [SimpleNamespace(of=of, k=k, index=k, trial="T") for k in range(len(changes))]


def level(state, fan, sieve, both):
    a, b = state[0] - 0.5, state[1] - 0.5
    return fan * a + sieve * b + both * a * b


@pytest.mark.parametrize("both", [0.0, 0.3, -0.2])
def test_exact_changes_give_the_interaction(both: float):
    members = trial(CORNERS[1:])
    moved = [(a, b) for a, b in zip(CORNERS[:-1], CORNERS[1:], strict=True) if a != b]
    estimates = np.array([level(b, 0.4, -0.1, both) - level(a, 0.4, -0.1, both) for a, b in moved])
    found = interaction_of(members, estimates, 0.01 * np.eye(len(members)), np.zeros((0, len(members))), 30.0)
    assert found[INTERACTION_COLUMNS[0]] == pytest.approx(both, abs=1e-9)
    # Effect of the fan at the wide sieve less that at the narrow one.
    wide = level((1, 1), 0.4, -0.1, both) - level((0, 1), 0.4, -0.1, both)
    narrow = level((1, 0), 0.4, -0.1, both) - level((0, 0), 0.4, -0.1, both)
    assert wide - narrow == pytest.approx(both)


def test_the_range_holds_the_truth_as_often_as_it_says():
    # Errors of neighbouring changes go against each other, as those of steps between them do.
    members, rng = trial(CORNERS[1:]), np.random.default_rng(20261129)
    k = len(members)
    covariance = 0.02 * (np.eye(k) - 0.4 * (np.eye(k, k=1) + np.eye(k, k=-1)))
    moved = [(a, b) for a, b in zip(CORNERS[:-1], CORNERS[1:], strict=True) if a != b]
    true = np.array([level(b, 0.4, -0.1, 0.15) - level(a, 0.4, -0.1, 0.15) for a, b in moved])
    held = 0
    for _ in range(2000):
        seen = true + np.linalg.cholesky(covariance) @ rng.standard_normal(k)
        found = interaction_of(members, seen, covariance, np.zeros((0, k)), 30.0)
        held += found[INTERACTION_COLUMNS[1]] <= 0.15 <= found[INTERACTION_COLUMNS[2]]
    # Three binomial standard errors of 2,000 about 95 %, and half a point, as the errors are known better than said.
    assert 0.935 <= held / 2000 <= 0.97


def test_what_the_signals_leave_open_widens_the_range():
    members = trial(CORNERS[1:])
    k = len(members)
    plain = interaction_of(members, np.zeros(k), 0.01 * np.eye(k), np.zeros((0, k)), 30.0)
    wider = interaction_of(members, np.zeros(k), 0.01 * np.eye(k), np.full((1, k), 0.1) * np.arange(k), 30.0)
    assert wider[INTERACTION_COLUMNS[2]] > plain[INTERACTION_COLUMNS[2]]


def test_three_corners_tell_no_interaction():
    members = trial([(1, 0), (1, 1), (1, 0), (0, 0)])
    assert interaction_of(members, np.zeros(4), np.eye(4), np.zeros((0, 4)), 30.0) == {}


def test_values_in_order():
    assert lowest_first(["14", "9"]) == ["9", "14"]
    assert lowest_first(["open", "closed"]) == ["closed", "open"]
