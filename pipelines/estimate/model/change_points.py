"""Unlogged change points of a loss: a change nobody wrote down, or a sensor whose gain jumped.

The same scan gives the evidence for an offset of the clock of the settings log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.covariance import Observations, Rows, independent_rows
from chaffinch.pipelines.estimate.model.noise import Noise
from numpy.typing import NDArray

Indices = NDArray[np.int_]

# A step is tried at each minute of work, and the clock at each minute up to ten either way.
SPACING_S = 60.0
OFFSETS_S = np.arange(-600.0, 601.0, SPACING_S)
# By chance, none of thirty seasons of sixteen fields has a step this many standard errors high (two hundred minutes
# a field, three losses; normal).
CLEAR_SCORE = 4.8
MOST_CHANGE_POINTS = 3
BLOCK = 32
# Prior variance of effects that are not zero, in squared errors: the usual one is five errors high.
SPREAD = 25.0
NEAREST_BINS = 12


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """A step before bin ``index``, on the scale of the observations."""

    index: int
    time_s: float
    estimate: float
    error: float


@dataclass(frozen=True, slots=True)
class Scan:
    """Change points of one machine-field, and ``clock_evidence`` (21, changes) for each of ``OFFSETS_S``."""

    change_points: tuple[ChangePoint, ...]
    clock_evidence: Array


def scan_change_points(observed: Observations, noise: Noise, logged: tuple[int, ...], binned: Binned) -> Scan:
    """Try a step at each minute of work of one machine-field.

    logged : changes that the design holds, its first columns, in the order of ``binned.changes``.
    """
    tried = _tried(observed)
    nothing = Scan((), np.zeros((OFFSETS_S.size, 0)))
    if tried.size == 0:
        return nothing
    rows = independent_rows(observed, noise)
    known, steps = rows.x, _white_steps(rows, tried)
    found = _clear_steps(known, steps, rows.y, tried, observed)
    if not logged:
        return Scan(found, nothing.clock_evidence)
    others = np.delete(known, np.arange(rows.ground, rows.ground + len(logged)), axis=1)
    made_s = np.array([binned.changes[k].logged_s for k in logged if binned.changes[k].by_settings_log])
    if made_s.size == 0:
        return Scan(found, nothing.clock_evidence)
    places = _places(made_s, tried, observed.time_s)
    return Scan(found, _clock_evidence(others, steps, rows.y, places, made_s.size))


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


def _places(made_s: Array, tried: Indices, time_s: Array) -> list[Indices]:
    """For each of ``OFFSETS_S``, which of the steps tried are nearest to the changes made at ``made_s``."""
    places = []
    for offset in OFFSETS_S:
        at = np.searchsorted(time_s, made_s - offset)
        at = at[(at >= NEAREST_BINS) & (at <= time_s.size - NEAREST_BINS)]
        places.append(np.unique(np.abs(tried[:, None] - at[None, :]).argmin(axis=0)) if at.size else at)
    return places


def _clock_evidence(others: Array, steps: Array, y: Array, places: list[Indices], changes: int) -> Array:
    """Log Bayes factor of an effect against none for each change, were it made at each of the ``places``;
    shape (21, changes).
    """
    used = np.unique(np.concatenate(places)).astype(int)
    basis, _ = np.linalg.qr(others)
    columns = steps[:, used]
    columns = columns - basis @ (basis.T @ columns)
    gram, along = columns.T @ columns, columns.T @ y
    evidence = np.zeros((OFFSETS_S.size, changes))
    for i, chosen in enumerate(places):
        if chosen.size:
            here = np.searchsorted(used, chosen)
            evidence[i, : here.size] = log_bayes_factor(gram[np.ix_(here, here)], along[here])
    return evidence


def log_bayes_factor(gram: Array, along: Array) -> Array:
    """Of an effect against none for each of k steps, (k,), from their Gram matrix and products with the outcome.

    The prior variance of effects is ``SPREAD`` squared errors (as in the g-prior, Zellner 1986; from memory).
    """
    inverse = np.linalg.inv(gram + 1e-9 * np.eye(along.size))
    squared = (inverse @ along) ** 2 / np.diag(inverse)
    return np.asarray(0.5 * squared * SPREAD / (1 + SPREAD) - 0.5 * np.log1p(SPREAD), dtype=np.float64)
