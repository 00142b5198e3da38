"""A trial of several values of a number: each value against each, by one field alone.

The model that shares evidence has one effect of a step, which would make the best in between invisible.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Any

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.results.agreement import spread_of_repeats
from chaffinch.pipelines.estimate.results.shared_changes import Used
from chaffinch.pipelines.estimate.results.verdicts import alone_columns, answer_columns, answer_with_error


def values_of_trial(members: Sequence[Used]) -> list[str]:
    """The values that changes of one trial go between, lowest first."""
    rows = [row for u in members for row in u.rows]
    return sorted({row[end] for row in rows for end in ("trial_from", "trial_to")}, key=float)


def value_comparisons(
    members: Sequence[Used], estimates: Array, covariance: Array, remarks: Sequence[str]
) -> Iterator[dict[str, Any]]:
    """What differs between rows of ``effects`` on the values of a trial; none where they can't be separated.

    members : the trial's changes in one field, with estimates (k,) and their covariance (k, k). remarks : to be said.
    """
    from scipy.special import ndtr

    fitted, values = members[0].of, values_of_trial(members)
    moves = [(row["trial_from"], row["trial_to"]) for u in members for row in u.rows]
    design = np.array(
        [[float(value == to) - float(value == come) for value in values[1:]] for come, to in moves]
    )
    solved = np.linalg.solve(covariance, np.column_stack([design, estimates]))
    information = design.T @ solved[:, :-1]
    if np.linalg.matrix_rank(information) < len(values) - 1:
        return
    inverse = np.linalg.inv(information)
    found = inverse @ (design.T @ solved[:, -1])
    rest = estimates - design @ found
    freedom = float(min(fitted.fit.freedom[u.index] for u in members))
    square = float(rest @ np.linalg.solve(covariance, rest))
    inverse *= spread_of_repeats(square, estimates.size - found.size, freedom)
    for a, b in combinations(range(len(values)), 2):
        contrast = np.array([float(k == b) - float(k == a) for k in range(1, len(values))])
        effect, error = float(contrast @ found), float(np.sqrt(contrast @ inverse @ contrast))
        one = answer_with_error(effect, error, freedom, remarks=remarks)
        yield {
            **answer_columns(one),
            **alone_columns(one),
            "trial": members[0].trial,
            "from_value": values[a],
            "to_value": values[b],
            "per_step": None,
            "shared_with": 0,
            "chance_less": float(ndtr(-effect / error)),
        }
