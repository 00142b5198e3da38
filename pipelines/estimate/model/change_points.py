"""Unlogged change points of a loss: a change nobody wrote down, or a sensor whose gain jumped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.model.covariance import Observations, Rows, independent_rows
from chaffinch.pipelines.estimate.model.noise import Noise
from numpy.typing import NDArray

Indices = NDArray[np.int_]

# A step is tried at each minute of work.
SPACING_S = 60.0
# By chance, none of thirty seasons of sixteen fields has a step this many standard errors high (two hundred minutes
# a field, three losses; normal).
CLEAR_SCORE = 4.8
MOST_CHANGE_POINTS = 3
BLOCK = 32
NEAREST_BINS = 12


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """A step before bin ``index``, on the scale of the observations."""

    index: int
    time_s: float
    estimate: float
    error: float


def scan_change_points(observed: Observations, noise: Noise) -> tuple[ChangePoint, ...]:
    """Try a step at each minute of work of one field job."""
    tried = _tried(observed)
    if tried.size == 0:
        return ()
    rows = independent_rows(observed, noise)
    return _clear_steps(rows.x, _white_steps(rows, tried), rows.y, tried, observed)


def _white_steps(rows: Rows, tried: Indices) -> Array:
    """Steps at the bins ``tried``, whitened, (n + q, k). Rows before a step are zero."""
    n = rows.factored.time_s.size
    white = np.zeros((rows.y.size, tried.size))
    for first in range(0, tried.size, BLOCK):
        block = tried[first : first + BLOCK]
        index = np.arange(block[0], n)
        steps = (index[:, None] >= block[None, :]).astype(float)
        white[block[0] : n, first : first + BLOCK] = rows.factored.since(int(block[0])).whiten(steps)
    return white


def _tried(observed: Observations) -> Indices:
    """Bins at which a step is tried: one a minute of work, none near the ends."""
    n = observed.time_s.size
    minute = np.floor(np.cumsum(1 / observed.white) / SPACING_S)
    first = np.flatnonzero(np.diff(minute) > 0) + 1
    return first[(first >= NEAREST_BINS) & (first <= n - NEAREST_BINS)]


def _clear_steps(
    known: Array, steps: Array, y: Array, tried: Indices, observed: Observations
) -> tuple[ChangePoint, ...]:
    """The clearest steps, one after the other, each given the earlier ones."""
    size = np.einsum("nk,nk->k", steps, steps)
    basis, _ = np.linalg.qr(known)
    shared, left = basis.T @ steps, y - basis @ (basis.T @ y)
    own, score = size - np.einsum("pk,pk->k", shared, shared), steps.T @ left
    found: list[ChangePoint] = []
    while len(found) < MOST_CHANGE_POINTS:
        # Too close to a known step to be separated from it.
        apart = own > 0.02 * size
        clear = np.where(apart, score / np.sqrt(np.where(apart, own, 1.0)), 0.0)
        best = int(np.argmax(np.abs(clear)))
        if abs(clear[best]) < CLEAR_SCORE:
            break
        error = 1 / np.sqrt(own[best])
        at = int(tried[best])
        found.append(ChangePoint(at, float(observed.time_s[at]), float(clear[best] * error), float(error)))
        # The step is known from here on: its rest is the basis' next column.
        new = (steps[:, best] - basis @ shared[:, best]) * error
        basis = np.column_stack([basis, new])
        along = new @ steps
        shared = np.vstack([shared, along])
        own, score = own - along**2, score - along * (new @ left)
        left = left - new * (new @ left)
    return tuple(found)
