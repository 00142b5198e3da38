"""A randomisation test: how often another of the orders that might have been drawn would have shown as much.

It needs no model of the noise at all (Fisher, The Design of Experiments, 1935, ch. 3; Edgington and Onghena,
Randomization Tests, 2007).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations, product

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.trials.design.random_order import (
    State,
    block_length,
    possible_halves,
    random_order,
)

MOST_ORDERS = 40_000
MOST_SAMPLED = 4_000


@dataclass(frozen=True, slots=True)
class RandomisationTest:
    """p : share of the possible orders whose contrast is at least as large. least : the smallest p that this design
    can give. blocks : contrast of each mirrored block. agreeing : blocks with the sign of their mean."""

    p: float
    least: float
    blocks: tuple[float, ...]
    agreeing: int


def randomisation_test(
    means: Sequence[float], order: Sequence[int], values: int, one: int = 0, other: int = 1, seed: int = 0
) -> RandomisationTest | None:
    """Test of ``other`` against ``one`` in a trial of mirrored blocks.

    means : of the outcome in each step, conditions taken out; NaN where the step has no work. order : number of the
    value in each step, as it was randomised. A block without work in one of its steps is left out; None where no
    block is whole.
    """
    size = 2 * values
    blocks = [
        (np.asarray(means[at : at + size], dtype=float), list(order[at : at + size]))
        for at in range(0, len(order) - size + 1, size)
    ]
    whole = [(m, o) for m, o in blocks if np.isfinite(m).all() and o == o[::-1] and len(set(o)) == values]
    if not whole:
        return None
    # The contrast of each block under each order that might have been drawn for it: one half and its mirror.
    halves = list(permutations(range(values)))
    contrasts = [[_contrast(m, [*half, *reversed(half)], one, other) for half in halves] for m, _ in whole]
    seen = [_contrast(m, o, one, other) for m, o in whole]
    observed = abs(sum(seen))
    if len(halves) ** len(whole) <= MOST_ORDERS:
        sums = np.array([sum(drawn) for drawn in product(*contrasts)])
    else:
        rng = np.random.default_rng(seed)
        table = np.array(contrasts)
        drawn = rng.integers(len(halves), size=(MOST_ORDERS, len(whole)))
        # The order that was driven is one of the possible ones.
        sums = np.append(table[np.arange(len(whole)), drawn].sum(axis=1), sum(seen))
    p = float(np.mean(np.abs(sums) >= observed * (1 - 1e-9)))
    mean = float(np.mean(seen))
    return RandomisationTest(
        p, 2.0 / len(halves) ** len(whole), tuple(seen), sum(bool(np.sign(c) == np.sign(mean)) for c in seen)
    )


def _contrast(means: Array, order: Sequence[int], one: int, other: int) -> float:
    at = np.asarray(order)
    return float(means[at == other].mean() - means[at == one].mean())


def factorial_test(
    means: Sequence[float], order: Sequence[State], seed: int = 0
) -> tuple[RandomisationTest, ...]:
    """Tests of a trial of two settings: of each of them, and of their interaction; empty where no block is whole.

    means : of the outcome in each step, conditions taken out; NaN where the step has no work. order : numbers of the
    two values in each step, as they were randomised in blocks of eight. How likely an order would show as much is
    told for the case that neither setting does anything.
    """
    size = block_length(2, 2)
    blocks = len(order) // size
    y = np.asarray(means, dtype=float)[: blocks * size].reshape(blocks, size)
    whole = np.isfinite(y).all(axis=1)
    if not whole.any():
        return ()
    if 8 * 6 ** (blocks - 1) <= MOST_ORDERS:
        drawn = list(_factorial_orders(blocks, None))
    else:
        rng = np.random.default_rng(seed)
        drawn = [random_order(rng, 2, blocks, settings=2) for _ in range(MOST_SAMPLED)]
        # The order that was driven is one of the possible ones.
        drawn.append(list(order[: blocks * size]))
    columns = _contrast_columns(np.array(drawn, dtype=float), blocks)[:, whole]
    driven = _contrast_columns(np.array([order[: blocks * size]], dtype=float), blocks)[0, whole]
    tests = []
    for k in range(3):
        sums = np.abs(np.einsum("bs,mbs->m", y[whole], columns[..., k]))
        seen = (y[whole] * driven[..., k]).sum(axis=1) * 2 / size
        p = float(np.mean(sums * 2 / size >= abs(seen.sum()) * (1 - 1e-9)))
        agreeing = int((np.sign(seen) == np.sign(seen.sum())).sum())
        # Orders that change this contrast at the same steps as the driven one show as much whatever is measured.
        alike = np.abs((columns[..., k] * driven[..., k]).sum(axis=(1, 2))) == driven[..., k].size
        tests.append(RandomisationTest(p, float(alike.mean()), tuple(seen.tolist()), agreeing))
    return tuple(tests)


def _factorial_orders(blocks: int, last: State | None) -> Iterator[list[State]]:
    if blocks == 0:
        yield []
        return
    for half in possible_halves(last):
        block = [*half, *reversed(half)]
        for rest in _factorial_orders(blocks - 1, block[-1]):
            yield [*block, *rest]


def _contrast_columns(orders: Array, blocks: int) -> Array:
    """-1 or 1 in each step of each order (m, steps, 2) for both settings and for their product: (m, blocks, steps of
    a block, 3)."""
    signs = 2 * orders.reshape(len(orders), blocks, -1, 2) - 1
    return np.concatenate([signs, signs.prod(axis=3, keepdims=True)], axis=3)


def step_means(time_s: Array, outcome: Array, conditions: Array, edges_s: Sequence[float]) -> Array:
    """Mean outcome of each step with the conditions taken out by least squares, (steps,); NaN without work.

    time_s, outcome : (n,) of bins. conditions : (n, p), such as the log of the feed rate. edges_s : begin of each
    step and end of the last; NaN where a step was not begun.
    """
    known = np.isfinite(outcome) & np.isfinite(conditions).all(axis=1)
    steps = len(edges_s) - 1
    inside = np.full(time_s.size, -1)
    for k in range(steps):
        begins, ends = edges_s[k], edges_s[k + 1]
        if np.isfinite(begins) and np.isfinite(ends):
            inside[(time_s >= begins) & (time_s < ends)] = k
    use = known & (inside >= 0)
    means = np.full(steps, np.nan)
    if use.sum() < conditions.shape[1] + 2:
        return means
    # The slope within steps: what a value does to the outcome is not put down to the conditions.
    within = np.column_stack([conditions, outcome])[use]
    labels, place = np.unique(inside[use], return_inverse=True)
    count = np.bincount(place)
    centre = np.column_stack([np.bincount(place, column) / count for column in within.T])
    centred = within - centre[place]
    slope, *_ = np.linalg.lstsq(centred[:, :-1], centred[:, -1], rcond=None)
    means[labels] = centre[:, -1] - (centre[:, :-1] - within[:, :-1].mean(axis=0)) @ slope
    return means
