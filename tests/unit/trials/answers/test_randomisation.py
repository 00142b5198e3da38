"""The randomisation test, against enumeration by hand and against its own promise."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from chaffinch.pipelines.trials.answers.randomisation import factorial_test, randomisation_test, step_means
from chaffinch.pipelines.trials.design.random_order import random_order


def order_of(seed: int, blocks: int, values: int = 2) -> list[int]:
    return [state[0] for state in random_order(np.random.default_rng(seed), values, blocks)]


def test_against_all_orders_by_hand():
    order = [0, 1, 1, 0, 1, 0, 0, 1, 0, 1, 1, 0]
    means = np.array([1.0, 2.0, 2.2, 1.1, 2.4, 1.3, 1.2, 2.1, 0.9, 1.2, 1.9, 1.4])
    found = randomisation_test(means, order, 2)
    assert found is not None
    contrasts = []
    for at in range(0, 12, 4):
        a = means[at : at + 4][np.array(order[at : at + 4]) == 0].mean()
        b = means[at : at + 4][np.array(order[at : at + 4]) == 1].mean()
        contrasts.append(b - a)
    sums = [
        abs(sum(s * c for s, c in zip(signs, contrasts, strict=True))) for signs in product((1, -1), repeat=3)
    ]
    assert found.blocks == pytest.approx(contrasts)
    assert found.p == pytest.approx(np.mean([s >= abs(sum(contrasts)) - 1e-12 for s in sums]))
    assert found.least == pytest.approx(0.25)
    assert found.agreeing == 3


def test_against_fishers_sign_test_of_pairs():
    # Darwin's maize, Fisher, The Design of Experiments (1935), section 21: of the 32,768 sign changes of the fifteen
    # differences, 1,726 give a sum at least as far from zero: 5.267 %.
    differences = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    order = [0, 1, 1, 0] * 15
    means = [value for d in differences for value in (0.0, d, d, 0.0)]
    found = randomisation_test(means, order, 2)
    assert found is not None
    assert found.p == pytest.approx(1726 / 32768, abs=1e-9)


def test_without_effect_small_p_are_as_rare_as_they_should_be():
    rng = np.random.default_rng(7)
    small = 0
    for trial in range(400):
        order = order_of(trial, 6)
        drift = np.cumsum(rng.normal(0, 1, 24)) + np.linspace(0, rng.normal(0, 5), 24)
        found = randomisation_test(drift, order, 2)
        small += found is not None and found.p <= 0.05
    # Binomial with 400 trials: 5 % +- 2.2 % at 95 %.
    assert small / 400 <= 0.072


def test_a_steady_drift_takes_no_side():
    for seed in range(5):
        found = randomisation_test(np.arange(16.0), order_of(seed, 4), 2)
        assert found is not None and found.blocks == pytest.approx([0, 0, 0, 0])


def test_three_values():
    order = order_of(3, 3, values=3)
    means = [[0.0, 0.0, 5.0][value] for value in order]
    found = randomisation_test(means, order, 3, one=0, other=2)
    assert found is not None
    assert found.blocks == pytest.approx([5, 5, 5])
    # Of the six orders of a block two give 5 and two give -5: both signs, a third each, in three blocks.
    assert found.p == pytest.approx(2 / 3**3)


def test_blocks_with_a_hole_are_left_out():
    means = [1.0, 2.0, 2.0, np.nan, 2.0, 1.0, 1.0, 2.0]
    found = randomisation_test(means, [0, 1, 1, 0, 1, 0, 0, 1], 2)
    assert found is not None and len(found.blocks) == 1
    assert randomisation_test([1.0, 2.0, 2.0], [0, 1, 1], 2) is None


def test_conditions_are_taken_out_of_the_means():
    rng = np.random.default_rng(2)
    time_s = np.arange(0.0, 2400.0, 10.0)
    step = (time_s // 600).astype(int)
    feed = rng.normal(0, 0.2, time_s.size) + 0.3 * (step % 2)
    outcome = 1.7 * feed + np.array([0.0, 0.5, 0.5, 0.0])[step]
    means = step_means(time_s, outcome, feed[:, None], [0, 600, 1200, 1800, 2400])
    assert means - means[0] == pytest.approx([0, 0.5, 0.5, 0.0], abs=1e-9)
    gone = step_means(time_s, outcome, feed[:, None], [0, 600, 1200, np.nan, np.nan])
    assert np.isnan(gone[2:]).all()


def test_two_settings_against_all_orders_by_hand():
    # One block: eight orders, four corners to start from and two ways round.
    around = [(0, 0), (1, 0), (1, 1), (0, 1)]
    orders = []
    for start, way in product(range(4), (-1, 1)):
        half = [around[(start + way * k) % 4] for k in range(4)]
        orders.append([*half, *reversed(half)])
    means = np.random.default_rng(4).standard_normal(8)

    def contrasts(order):
        a, b = (np.array([state[k] for state in order]) for k in (0, 1))
        return [means[c == 1].mean() - means[c == 0].mean() for c in (a, b, (a == b).astype(int))]

    for order in orders:
        found = factorial_test(means.tolist(), order)
        for k, test in enumerate(found):
            seen = contrasts(order)[k]
            assert test.blocks == pytest.approx((seen,))
            sums = np.array([abs(contrasts(other)[k]) for other in orders])
            assert test.p == pytest.approx(np.mean(sums >= abs(seen) * (1 - 1e-9)))


def test_two_settings_without_effect_small_p_are_as_rare_as_they_should_be():
    rng = np.random.default_rng(20261129)
    p = []
    for _ in range(300):
        order = random_order(rng, 2, 2, settings=2)
        p.append([test.p for test in factorial_test(rng.standard_normal(16).tolist(), order)])
    for level in (0.2, 0.5):
        assert (np.array(p) <= level).mean(axis=0).max() <= level + 0.08


def test_an_effect_of_one_setting_is_seen_and_a_block_with_a_hole_is_left_out():
    rng = np.random.default_rng(3)
    order = random_order(rng, 2, 3, settings=2)
    means = np.array([a for a, _ in order]) + 0.05 * rng.standard_normal(24)
    first, second, together = factorial_test(means.tolist(), order)
    # Of 288 orders 16 change the first setting at the same steps or at all others.
    assert first.p == first.least == pytest.approx(16 / 288)
    assert first.p < min(second.p, together.p) and first.agreeing == 3
    means[3] = np.nan
    assert len(factorial_test(means.tolist(), order)[0].blocks) == 2
    assert factorial_test([np.nan] * 8, order[:8]) == ()
