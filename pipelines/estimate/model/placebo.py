"""Placebo adjustments: the same fit at moments when nothing was changed, as a standing check of the ranges.

The whole schedule of a field's changes is shifted rigidly in working time, past the end to the start again, so that
placebos have the leverage of the real changes; every real change stays in the fit. A score is an estimate over its
standard error; scores of ranges that are true have variance one. The mean step of a shifted schedule is scored too.

Further placebos stand where loss had just risen, as it may have before a real change (``rises``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.model.change_points import NEAREST_BINS
from chaffinch.pipelines.estimate.model.covariance import Observations, Rows, independent_rows
from chaffinch.pipelines.estimate.model.noise import Noise
from chaffinch.pipelines.estimate.model.rises import rise_scores
from numpy.typing import NDArray

SHIFTS = 4
# Placebos of one field at the moments of its clearest rises, so many bins apart: nearer to a change, the level before
# is known from the rise itself.
AFTER_RISES, APART_BINS = 6, 5 * NEAREST_BINS
# Prior: the model is right, worth this many placebos.
BELIEF = 40.0


@dataclass(frozen=True, slots=True)
class Placebos:
    """``widen``: factor on every standard error, 1 where the placebos agree with the model; ``widen_after_rise``: of
    a change that was made just after loss had risen, as placebos at such moments have it."""

    count: int
    widen: float
    widen_after_rise: float = 1.0

    @classmethod
    def none(cls) -> Placebos:
        return cls(0, 1.0)


@dataclass(frozen=True, slots=True)
class PlaceboSteps:
    """Of one field job. scores : of single steps and of the mean step of each shifted schedule. steps : the
    estimates of single ones. after_rise : scores of steps where loss had just risen."""

    scores: Array
    steps: Array
    after_rise: Array

    @classmethod
    def none(cls) -> PlaceboSteps:
        return cls(np.empty(0), np.empty(0), np.empty(0))


def check_ranges(scores: Array, after_rise: Array | None = None) -> Placebos:
    """Factors by which ranges must be widened to agree with placebo scores; never narrowed."""
    widen, count = _widening(scores)
    after, _ = _widening(np.empty(0) if after_rise is None else after_rise)
    return Placebos(count, widen, max(widen, after))


def _widening(scores: Array) -> tuple[float, int]:
    scores = scores[np.isfinite(scores)]
    if scores.size < 8:
        return 1.0, int(scores.size)
    # Scores beyond 4 mean an unlogged change rather than noise; they count as 4.
    variance = float(np.mean(np.clip(scores, -4, 4) ** 2))
    believed = (scores.size * variance + BELIEF) / (scores.size + BELIEF)
    return float(np.sqrt(max(believed, 1.0))), int(scores.size)


def placebo_steps(observed: Observations, noise: Noise, steps: tuple[int, ...]) -> PlaceboSteps:
    """Placebos of one field job, in units of ``observed``.

    steps : changes that the design holds, its first columns. Shifts are drawn by a generator seeded from the data's
    own shape, so that the same data give the same placebos.
    """
    n = observed.time_s.size
    if n < 6 * NEAREST_BINS:
        return PlaceboSteps.none()
    moments = _moments(observed.design[:, : len(steps)])
    rng = np.random.default_rng([n, len(steps), int(observed.time_s[0]) % 2**31])
    schedule = moments if moments.size else np.array([n // 2])
    shifts = rng.integers(NEAREST_BINS, n - NEAREST_BINS, SHIFTS)
    shifted = [_allowed((schedule + shift) % n, moments, n, NEAREST_BINS) for shift in shifts]
    rises = rise_scores(observed, noise)
    return _scored(observed, noise, shifted, _after_rises(rises, moments, n))


def _moments(steps: Array) -> NDArray[np.int_]:
    """Index of the first bin after each step."""
    return np.argmax(steps > 0.5, axis=0) if steps.shape[1] else np.empty(0, dtype=int)


def _allowed(at: NDArray[np.int_], moments: NDArray[np.int_], n: int, apart: int) -> NDArray[np.int_]:
    """Those of ``at`` (k,) that are ``apart`` bins from the ends and from real changes."""
    near = np.min(np.abs(at[:, None] - moments[None, :]), axis=1, initial=n)
    return np.sort(at[(at >= apart) & (at <= n - apart) & (near >= apart)])


def _after_rises(rises: Array, moments: NDArray[np.int_], n: int) -> list[NDArray[np.int_]]:
    """The moments of the clearest rises, apart from each other and from real changes; one of them each."""
    found: list[int] = []
    for at in np.argsort(-rises, kind="stable")[: 40 * AFTER_RISES].tolist():
        if len(found) == AFTER_RISES:
            break
        taken = np.concatenate([moments, np.array(found, dtype=int)])
        one = _allowed(np.array([at]), taken, n, APART_BINS)
        found += one.tolist()
    return [np.array([at]) for at in found]


def _scored(
    observed: Observations,
    noise: Noise,
    shifted: list[NDArray[np.int_]],
    after_rises: list[NDArray[np.int_]],
) -> PlaceboSteps:
    groups = [*shifted, *after_rises]
    every = np.concatenate(groups)
    if every.size == 0:
        return PlaceboSteps.none()
    index = np.arange(observed.time_s.size)
    rows = independent_rows(observed, noise, (index[:, None] >= every[None, :]).astype(float))
    estimates, covariances = _fitted_groups(rows, observed.design.shape[1], [g.size for g in groups])
    scores: list[float] = []
    single: list[float] = []
    after: list[float] = []
    for number, (estimate, covariance) in enumerate(zip(estimates, covariances, strict=True)):
        each = (estimate / np.sqrt(np.diag(covariance))).tolist()
        if number >= len(shifted):
            after += each
            continue
        scores += each
        single += estimate.tolist()
        if estimate.size > 1:
            scores.append(float(estimate.sum() / np.sqrt(covariance.sum())))
    return PlaceboSteps(np.array(scores), np.array(single), np.array(after))


def _fitted_groups(rows: Rows, columns: int, sizes: list[int]) -> tuple[list[Array], list[Array]]:
    """Estimates and covariance of each group of columns added to the design (Schur's complement)."""
    p = rows.ground + columns
    gram, along = rows.x.T @ rows.x + 1e-9 * np.eye(rows.x.shape[1]), rows.x.T @ rows.y
    of_design = np.linalg.solve(gram[:p, :p], np.column_stack([gram[:p, p:], along[:p]]))
    gram = gram[p:, p:] - gram[p:, :p] @ of_design[:, :-1]
    along = along[p:] - rows.x[:, p:].T @ (rows.x[:, :p] @ of_design[:, -1])
    estimates: list[Array] = []
    covariances: list[Array] = []
    first = 0
    for size in sizes:
        here = slice(first, first + size)
        inverse = np.asarray(np.linalg.inv(gram[here, here]), dtype=np.float64)
        estimates.append(inverse @ along[here])
        covariances.append(inverse)
        first += size
    return estimates, covariances
