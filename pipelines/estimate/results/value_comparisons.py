"""A trial as it was driven, by one field alone: several values each against each, and two settings together.

The model that shares evidence has one effect of a step, which would make the best of several values invisible. Of two
settings it does not say how much what one does depends on the other (their interaction):

    y = theta_a a + theta_b b + theta_ab a b        a, b = -1/2 at the lower value of a setting, +1/2 at the higher

theta_ab is the effect of the first setting at the higher value of the second less that at the lower one, and the
same with the two exchanged (Fisher, The Design of Experiments, 1935, ch. 6).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Any

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.results.agreement import spread_of_repeats
from chaffinch.pipelines.estimate.results.shared_changes import Used
from chaffinch.pipelines.estimate.results.verdicts import (
    alone_columns,
    answer_columns,
    answer_with_error,
    reach,
)

INTERACTION_COLUMNS = ("interaction_log_ratio", "interaction_log_ratio_low", "interaction_log_ratio_high")
_ENDS = ("trial_from", "trial_to")


def values_of_trial(members: Sequence[Used]) -> list[str]:
    """The values that changes of one trial go between, lowest first."""
    rows = [row for u in members for row in u.rows]
    return sorted({row[end] for row in rows for end in ("trial_from", "trial_to")}, key=float)


def value_comparisons(
    members: Sequence[Used],
    estimates: Array,
    covariance: Array,
    unknown: Array,
    known_with: float,
    remarks: Sequence[str],
) -> Iterator[dict[str, Any]]:
    """What differs between rows of ``effects`` on the values of a trial; none where they can't be separated.

    members, estimates, covariance, unknown, known_with : as of ``interaction_of``, for one setting. remarks : to be
    said.
    """
    from scipy.special import ndtr

    values = values_of_trial(members)
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
    square, repeats = float(rest @ np.linalg.solve(covariance, rest)), estimates.size - found.size
    by_unknown = unknown @ solved[:, :-1] @ inverse
    inverse = inverse * spread_of_repeats(square, repeats, known_with) + by_unknown.T @ by_unknown
    for a, b in combinations(range(len(values)), 2):
        contrast = np.array([float(k == b) - float(k == a) for k in range(1, len(values))])
        effect, error = float(contrast @ found), float(np.sqrt(contrast @ inverse @ contrast))
        one = answer_with_error(effect, error, known_with + repeats, remarks=remarks)
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


def lowest_first(values: Sequence[str]) -> list[str]:
    """Values of a setting in order: numbers by size, words by the alphabet."""
    try:
        return sorted(values, key=float)
    except ValueError:
        return sorted(values)


def interaction_of(
    members: Sequence[Used], estimates: Array, covariance: Array, unknown: Array, known_with: float
) -> dict[str, float]:
    """``INTERACTION_COLUMNS`` of one trial in one field; empty where its changes can't tell it.

    members : the trial's changes, each of one setting, with estimates (k,) and their covariance (k, k). unknown :
    (u, k) what one standard deviation of each unknown of the signals does to them. known_with : of
    ``freedom_of_trial``.
    """
    codes = _moves(members)
    if codes is None:
        return {}
    solved = np.linalg.solve(covariance, np.column_stack([codes, estimates]))
    information = codes.T @ solved[:, :3]
    if estimates.size < 3 or np.linalg.matrix_rank(information) < 3:
        return {}
    inverse = np.linalg.inv(information)
    found = inverse @ (codes.T @ solved[:, 3])
    rest = estimates - codes @ found
    repeats = estimates.size - 3
    wider = spread_of_repeats(float(rest @ np.linalg.solve(covariance, rest)), repeats, known_with)
    by_unknown = unknown @ solved[:, :3] @ inverse[:, 2]
    error = float(np.sqrt(inverse[2, 2] * wider + (by_unknown**2).sum()))
    half = reach(known_with + repeats, 1.0) * error
    effect = float(found[2])
    return dict(zip(INTERACTION_COLUMNS, (effect, effect - half, effect + half), strict=True))


def _moves(members: Sequence[Used]) -> Array | None:
    """By how much each change moves a, b and a b, (k, 3); None where not two values of two settings were changed."""
    trial = members[0].trial
    made = [
        (k, row)
        for k, change in enumerate(members[0].of.binned.changes)
        for row in change.rows.iter_rows(named=True)
        if row.get("trial") == trial
    ]
    names = sorted({row["setting"] for _, row in made})
    values = [
        lowest_first(list({row[end] for _, row in made if row["setting"] == name for end in _ENDS}))
        for name in names
    ]
    if [len(one) for one in values] != [2, 2]:
        return None
    first = {name: next(row["trial_from"] for _, row in made if row["setting"] == name) for name in names}
    state = [one.index(first[name]) - 0.5 for name, one in zip(names, values, strict=True)]
    moved: dict[int, Array] = {}
    for k, row in made:
        before = np.array([*state, state[0] * state[1]])
        place = names.index(row["setting"])
        state[place] = values[place].index(row["trial_to"]) - 0.5
        moved[k] = moved.get(k, np.zeros(3)) + np.array([*state, state[0] * state[1]]) - before
    return np.array([moved[u.k] for u in members])
