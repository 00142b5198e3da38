"""Steps that nothing written down tells of: changes that were not logged, or a sensor whose gain jumped.

And, from the same scan, how well the logged changes would fit if the clock of their log were off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.estimate.bins import Binned
from chaffinch.pipelines.estimate.likelihood import Stretch, independent_rows
from chaffinch.pipelines.estimate.noise import Noise
from numpy.typing import NDArray

Array = NDArray[np.float64]
Indices = NDArray[np.int_]

# A step is tried at each minute of work, and the clock at each minute up to ten either way.
SPACING_S = 60.0
OFFSETS_S = np.arange(-600.0, 601.0, SPACING_S)
# A step this many standard errors high is there in none of thirty seasons of sixteen fields by chance
# (two hundred minutes a field, three losses; normal).
CLEAR_STEP = 4.8
MOST_STEPS = 3
NEAREST_BINS = 12


@dataclass(frozen=True, slots=True)
class StepFound:
    """A step at bin ``index`` of the stretch (the first after it), on the scale of the stretch."""

    index: int
    time_s: float
    estimate: float
    error: float


@dataclass(frozen=True, slots=True)
class Scan:
    """Steps found in one machine-field, and ``clock_gain`` (21,): how much better its logged changes fit at each
    of ``OFFSETS_S``, as twice a log likelihood less what chance gives."""

    steps: tuple[StepFound, ...]
    clock_gain: Array


def scan_steps(stretch: Stretch, noise: Noise, logged: tuple[int, ...], binned: Binned) -> Scan:
    """Try a step at each minute of work of one machine-field.

    logged : changes that the design holds, its first columns, in the order of ``binned.changes``.
    """
    tried = _tried(stretch)
    nothing = Scan((), np.zeros(OFFSETS_S.size))
    if tried.size == 0:
        return nothing
    index = np.arange(stretch.time_s.size)
    rows = independent_rows(stretch, noise, (index[:, None] >= tried[None, :]).astype(float))
    p = rows.ground + stretch.design.shape[1]
    known, steps = rows.x[:, :p], rows.x[:, p:]
    of_changes = np.arange(rows.ground, rows.ground + len(logged))
    found = _clear_steps(known, steps, rows.y, tried, stretch)
    if not logged:
        return Scan(found, nothing.clock_gain)
    others = np.delete(known, of_changes, axis=1)
    return Scan(found, _clock_gain(others, steps, rows.y, tried, stretch.time_s, logged, binned))


def _tried(stretch: Stretch) -> Indices:
    """Bins at which a step is tried: one a minute of work, none near the ends."""
    n = stretch.time_s.size
    minute = np.floor(np.cumsum(1 / stretch.white) / SPACING_S)
    first = np.flatnonzero(np.diff(minute) > 0) + 1
    return first[(first >= NEAREST_BINS) & (first <= n - NEAREST_BINS)]


def _free_of(known: Array, columns: Array) -> Array:
    basis, _ = np.linalg.qr(known)
    return columns - basis @ (basis.T @ columns)


def _clear_steps(
    known: Array, steps: Array, y: Array, tried: Indices, stretch: Stretch
) -> tuple[StepFound, ...]:
    """The clearest steps, one after the other, each given those before it."""
    size = np.einsum("nk,nk->k", steps, steps)
    found: list[StepFound] = []
    while len(found) < MOST_STEPS:
        rest = _free_of(known, np.column_stack([steps, y]))
        left = np.einsum("nk,nk->k", rest[:, :-1], rest[:, :-1])
        # A step close to a known one is hardly its own: what is left of it says nothing.
        own = left > 0.02 * size
        score = np.where(own, rest[:, :-1].T @ rest[:, -1] / np.sqrt(np.where(own, left, 1.0)), 0.0)
        best = int(np.argmax(np.abs(score)))
        if abs(score[best]) < CLEAR_STEP:
            break
        error = 1 / np.sqrt(left[best])
        at = int(tried[best])
        found.append(StepFound(at, float(stretch.time_s[at]), float(score[best] * error), float(error)))
        known = np.column_stack([known, steps[:, best]])
    return tuple(found)


def _clock_gain(
    others: Array,
    steps: Array,
    y: Array,
    tried: Indices,
    time_s: Array,
    logged: tuple[int, ...],
    binned: Binned,
) -> Array:
    rest = _free_of(others, np.column_stack([steps, y]))
    columns, left = rest[:, :-1], rest[:, -1]
    made_s = np.array([binned.changes[k].first_s for k in logged if binned.changes[k].by_settings_log])
    gain = np.zeros(OFFSETS_S.size)
    for i, offset in enumerate(OFFSETS_S):
        at = np.searchsorted(time_s, made_s - offset)
        at = at[(at >= NEAREST_BINS) & (at <= time_s.size - NEAREST_BINS)]
        chosen = np.unique(np.abs(tried[:, None] - at[None, :]).argmin(axis=0)) if at.size else at
        if chosen.size:
            x = columns[:, chosen]
            fitted = np.linalg.solve(x.T @ x + 1e-9 * np.eye(chosen.size), x.T @ left)
            gain[i] = left @ x @ fitted - chosen.size
    return gain
