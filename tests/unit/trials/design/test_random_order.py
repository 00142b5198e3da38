"""Orders of a trial: at random, and no steady drift can mimic them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from chaffinch.pipelines.trials.design.random_order import (
    differing,
    effect_columns,
    random_order,
    switches_of,
)


@pytest.mark.parametrize(("values", "settings"), [(2, 1), (3, 1), (2, 2)])
@pytest.mark.parametrize("blocks", [1, 2, 5])
def test_every_value_has_the_same_mean_place(values: int, settings: int, blocks: int):
    for seed in range(20):
        order = random_order(np.random.default_rng(seed), values, blocks, settings)
        places = {state: [n for n, one in enumerate(order) if one == state] for state in set(order)}
        assert len(places) == values**settings
        assert len({len(found) for found in places.values()}) == 1
        assert {np.mean(found) for found in places.values()} == {(len(order) - 1) / 2}


def test_two_values_go_a_b_b_a_or_b_a_a_b():
    orders = {tuple(s[0] for s in random_order(np.random.default_rng(seed), 2, 1)) for seed in range(30)}
    assert orders == {(0, 1, 1, 0), (1, 0, 0, 1)}


def test_the_same_seed_gives_the_same_order():
    first, again, other = (random_order(np.random.default_rng(seed), 2, 8) for seed in (3, 3, 4))
    assert first == again != other


@pytest.mark.parametrize("seed", range(30))
def test_of_two_settings_one_is_changed_at_a_time(seed: int):
    order = random_order(np.random.default_rng(seed), 2, 6, settings=2)
    assert max(differing(a, b) for a, b in pairwise(order)) == 1


def test_switches_are_counted_where_something_changes():
    assert switches_of([(0,), (1,), (1,), (0,)]) == 2


def test_effects_of_two_settings_are_means_over_each_other():
    order = [(0, 0), (1, 0), (1, 1), (0, 1)]
    # A 2 x 2 table with effects 2 and 3 and an interaction: main effects are means of the margins.
    table = {(0, 0): 1.0, (1, 0): 3.5, (0, 1): 4.5, (1, 1): 6.0}
    columns = np.column_stack([effect_columns(order, 2), np.ones(4)])
    found = np.linalg.solve(columns, [table[state] for state in order])
    assert found[:2] == pytest.approx([(2.5 + 1.5) / 2, (3.5 + 2.5) / 2])
