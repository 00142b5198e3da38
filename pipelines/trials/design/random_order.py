"""In which order a trial goes through its values: at random, in blocks that a steady drift can't mimic.

Each block is followed by its mirror image, so that over both, every value has the same mean place in time: what
changes evenly with the hour (drying grain, dusk, a filling tank) takes no side. Blocks in a random order and their
mirrors are common practice of field trials (Fisher, The Design of Experiments, 1935).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

State = tuple[int, ...]
"""Number of the value of each setting."""


def block_length(values: int, settings: int = 1) -> int:
    """Steps of one block with its mirror image."""
    return 2 * (values if settings == 1 else 4)


def random_order(rng: np.random.Generator, values: int, blocks: int, settings: int = 1) -> list[State]:
    """States of ``blocks`` mirrored blocks.

    Two values: A B B A or B A A B. Three: a random order and its mirror. Two settings of two values: once around the
    four combinations and back, so that each step changes one setting at most.
    """
    order: list[State] = []
    for _ in range(blocks):
        if settings == 2:
            half = _corners(rng, order[-1] if order else None)
        else:
            half = [(int(value),) for value in rng.permutation(values)]
        order += [*half, *reversed(half)]
    return order


def _corners(rng: np.random.Generator, last: State | None) -> list[State]:
    """Around the four combinations of two settings, from one that differs from ``last`` in at most one setting."""
    start, way = int(rng.choice(_starts(last))), int(rng.choice([-1, 1]))
    return _around(start, way)


AROUND: tuple[State, ...] = ((0, 0), (1, 0), (1, 1), (0, 1))


def _starts(last: State | None) -> list[int]:
    return [k for k, state in enumerate(AROUND) if last is None or differing(state, last) <= 1]


def _around(start: int, way: int) -> list[State]:
    return [AROUND[(start + way * k) % 4] for k in range(4)]


def possible_halves(last: State | None) -> list[list[State]]:
    """All first halves of a block of two settings that may follow ``last``, each as likely as the others."""
    return [_around(start, way) for start in _starts(last) for way in (-1, 1)]


def differing(one: Sequence[int], other: Sequence[int]) -> int:
    """How many settings differ between two states."""
    return sum(a != b for a, b in zip(one, other, strict=True))


def switches_of(order: Sequence[State]) -> int:
    """How often something is changed in an order."""
    return sum(a != b for a, b in zip(order[:-1], order[1:], strict=True))


def effect_columns(order: Sequence[State], values: int) -> list[list[float]]:
    """What is in force in each step, as columns of effects.

    One setting: one column for each value but the first. Two settings: one for each, centred, and their product,
    so that each effect is the mean over the other setting.
    """
    if len(order[0]) == 1:
        return [[float(state[0] == value) for value in range(1, values)] for state in order]
    signs = [[value - 0.5 for value in state] for state in order]
    return [[a, b, 4 * a * b] for a, b in signs]
