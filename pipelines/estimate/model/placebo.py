"""Placebo adjustments: the same fit at moments when nothing was changed, as a standing check of the ranges.

A placebo has the leverage of a real adjustment: it stands between two further made-up changes at the distances,
in work, of the real one's neighbours, and every real change stays in the fit. Its score is its estimate over
its standard error; scores of ranges that are true have variance one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.change_points import NEAREST_BINS
from chaffinch.pipelines.estimate.model.covariance import Observations, independent_rows
from chaffinch.pipelines.estimate.model.noise import Noise

PER_CHANGE = 3
# Prior: the model is right, worth this many placebos.
BELIEF = 40.0


@dataclass(frozen=True, slots=True)
class Placebos:
    """``widen``: factor on every standard error, 1 where the placebos agree with the model."""

    count: int
    widen: float

    @classmethod
    def none(cls) -> Placebos:
        return cls(0, 1.0)


def check_ranges(scores: Array) -> Placebos:
    """Factor by which ranges must be widened to agree with placebo ``scores``; never narrowed."""
    scores = scores[np.isfinite(scores)]
    if scores.size < 8:
        return Placebos(int(scores.size), 1.0)
    # Scores beyond 4 mean an unlogged change rather than noise; they count as 4.
    variance = float(np.mean(np.clip(scores, -4, 4) ** 2))
    believed = (scores.size * variance + BELIEF) / (scores.size + BELIEF)
    return Placebos(int(scores.size), float(np.sqrt(max(believed, 1.0))))


def placebo_scores(observed: Observations, noise: Noise, steps: tuple[int, ...], binned: Binned) -> Array:
    """Scores of placebos of one machine-field, shape (at most 2 per change,).

    steps : changes that the design holds, its first columns. Moments are drawn by a generator seeded from the
    data's own shape, so that the same data give the same placebos.
    """
    n = observed.time_s.size
    if n < 6 * NEAREST_BINS:
        return np.empty(0)
    moments = _moments(observed.design[:, : len(steps)])
    rng = np.random.default_rng([n, len(steps), int(observed.time_s[0]) % 2**31])
    bounds = np.concatenate([[0], moments, [n]]).astype(int)
    trials = []
    for before, after in _gaps(bounds, n):
        allowed = np.arange(NEAREST_BINS, n - NEAREST_BINS)
        allowed = allowed[
            np.min(np.abs(allowed[:, None] - bounds[None, 1:-1]), axis=1, initial=n) >= NEAREST_BINS
        ]
        if allowed.size:
            trials += [(int(t), before, after) for t in rng.choice(allowed, PER_CHANGE)]
    if not trials:
        return np.empty(0)
    return _score(observed, noise, trials)


def _moments(steps: Array) -> Array:
    """Index of the first bin after each step."""
    return np.argmax(steps > 0.5, axis=0) if steps.shape[1] else np.empty(0, dtype=int)


def _gaps(bounds: Array, n: int) -> list[tuple[int, int]]:
    if bounds.size <= 2:
        return [(n // 2, n // 2)] * 2
    return [
        (int(bounds[k] - bounds[k - 1]), int(bounds[k + 1] - bounds[k])) for k in range(1, bounds.size - 1)
    ]


def _score(observed: Observations, noise: Noise, trials: list[tuple[int, int, int]]) -> Array:
    index = np.arange(observed.time_s.size)
    made_up = np.column_stack([(index >= m).astype(float) for t, b, a in trials for m in (t, t - b, t + a)])
    rows = independent_rows(observed, noise, made_up)
    p, last = rows.ground + observed.design.shape[1], index.size - NEAREST_BINS
    gram, along = rows.x.T @ rows.x + 1e-9 * np.eye(rows.x.shape[1]), rows.x.T @ rows.y
    # What the design leaves of the made-up columns (Schur's complement), of all trials at once.
    of_design = np.linalg.solve(gram[:p, :p], np.column_stack([gram[:p, p:], along[:p]]))
    gram = gram[p:, p:] - gram[p:, :p] @ of_design[:, :-1]
    along = along[p:] - rows.x[:, p:].T @ (rows.x[:, :p] @ of_design[:, -1])
    scores = []
    for i, (t, b, a) in enumerate(trials):
        there = [True, t - b >= NEAREST_BINS, t + a <= last]
        columns = np.flatnonzero(there) + 3 * i
        inverse = np.linalg.inv(gram[np.ix_(columns, columns)])
        scores.append(float(inverse[0] @ along[columns] / np.sqrt(inverse[0, 0])))
    return np.array(scores)
