"""The step expected of a change, from the other field jobs of a season, whose clocks may be off as well.

One setting does about the same in all fields, so a clock that is off shows by steps of the expected sign and size
that stand minutes from where they were logged, and by none where they were.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.doses import Label, dose_of

# How far effects of one change differ between fields, natural log. Common practice, no source: a tenth.
BETWEEN_FIELDS = 0.1


def expected_steps(
    fields: Sequence[tuple[Binned, Array]], weights: Sequence[Array]
) -> list[tuple[Array, Array]]:
    """Precision and mean of the step of each change by the other field jobs, both (losses, changes) for each of
    ``fields``; precision 0 where no other moved that setting alone.

    fields : with their ``steps_at_offsets``, (2, 121, losses, changes). weights : of each, the posterior of the
    offsets of its clock, (121,).
    """
    doses = [_doses(binned) for binned, _ in fields]
    labels = sorted({label for its in doses for label, _ in its if label}, key=str)
    losses = fields[0][1].shape[2]
    moved = [np.zeros((len(its), len(labels))) for its in doses]
    for amounts, its in zip(moved, doses, strict=True):
        for k, (label, amount) in enumerate(its):
            if label is not None:
                amounts[k, labels.index(label)] = amount
    precision, aim = (np.zeros((len(fields), losses, len(labels))) for _ in range(2))
    for i, ((_, steps), weight) in enumerate(zip(fields, weights, strict=True)):
        mean, variance = _over_offsets(steps, weight)
        certain = 1 / (variance + BETWEEN_FIELDS**2)
        precision[i], aim[i] = certain @ moved[i] ** 2, (certain * mean) @ moved[i]
    precision, aim = precision.sum(axis=0) - precision, aim.sum(axis=0) - aim
    found = []
    for of_step, along, amounts in zip(precision, aim, moved, strict=True):
        known = of_step > 1e-9
        safe = np.where(known, of_step, 1.0)
        mean, seen = (along / safe) @ amounts.T, known @ (amounts != 0).T
        variance = (1 / safe) @ (amounts**2).T + BETWEEN_FIELDS**2
        found.append((np.where(seen, 1 / variance, 0.0), mean))
    return found


def _over_offsets(steps: Array, weight: Array) -> tuple[Array, Array]:
    """Mean and variance, (losses, changes), of estimates over the offsets of a clock; infinite where unknown."""
    weights = weight[:, None, None] * np.isfinite(steps[0])
    total = weights.sum(axis=0)
    weights = weights / np.where(total > 0, total, 1.0)
    estimate, error = np.nan_to_num(steps)
    mean = (weights * estimate).sum(axis=0)
    variance = (weights * (error**2 + (estimate - mean) ** 2)).sum(axis=0)
    return mean, np.where(total > 0, variance, np.inf)


def _doses(binned: Binned) -> list[tuple[Label | None, float]]:
    """What each change of a settings log moved, and by how much; None where it moved several settings at once."""
    found: list[tuple[Label | None, float]] = []
    for change in binned.changes:
        if change.by_settings_log:
            dose = None if change.is_joint else dose_of(change.rows.row(0, named=True))
            found.append((None, 0.0) if dose is None else (dose.label, dose.amount))
    return found
