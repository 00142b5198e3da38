"""Posterior distributions as mixtures of t distributions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from numpy.typing import NDArray

# Of a quantile: steps at most, and what is close enough, in standard deviations.
MOST_STEPS, CLOSE = 60, 1e-4
# So many degrees of freedom are a normal; so far off, a t of five and more has no probability left.
FEWEST_BY_NORMAL, MOST_FREEDOM, FURTHEST_SCORE = 5.0, 1e9, 1e6


@dataclass(frozen=True, slots=True)
class Posterior:
    """Mixtures of t distributions, one for each of n answers.

    weights : (q,) of the points. means, variances : (n, q). freedoms : (n, q), or (n, 1) where all points share them.
    """

    weights: Array
    means: Array
    variances: Array
    freedoms: Array

    def mean(self) -> Array:
        """Posterior means, shape (n,)."""
        return self.means @ self.weights

    def below(self, x: Array | float) -> Array:
        """Posterior probability of lying below ``x`` (n,), shape (n,)."""
        apart = np.broadcast_to(np.asarray(x, dtype=float), self.means.shape[:1])[:, None] - self.means
        with np.errstate(divide="ignore", invalid="ignore"):
            score = np.where(self.variances > 0, apart / np.sqrt(self.variances), np.sign(apart) * np.inf)
        return t_below(np.nan_to_num(score, nan=0.0), self.freedoms) @ self.weights

    def quantile(self, level: float) -> Array:
        """Where the probability of lying below is ``level``, shape (n,), by Newton's steps within a bracket."""
        from scipy.special import ndtri

        mean = self.mean()
        spread = np.sqrt((self.variances + (self.means - mean[:, None]) ** 2) @ self.weights)
        low, high = mean - 15 * spread, mean + 15 * spread
        found = mean + ndtri(level) * spread
        # A few answers need many more steps than the others.
        far = np.arange(mean.size)
        for _ in range(MOST_STEPS):
            here, middle = self.rows(far), found[far]
            missing = level - here.below(middle)
            low[far] = np.where(missing > 0, middle, low[far])
            high[far] = np.where(missing > 0, high[far], middle)
            with np.errstate(divide="ignore", invalid="ignore"):
                ahead = middle + missing / here._density(middle)
            ahead = np.where((low[far] < ahead) & (ahead < high[far]), ahead, (low[far] + high[far]) / 2)
            found[far] = ahead
            far = far[~(np.abs(ahead - middle) <= CLOSE * spread[far])]
            if not far.size:
                break
        return found

    def _density(self, x: Array) -> Array:
        """Posterior density at ``x`` (n,), shape (n,); infinite or not a number where a draw has no variance."""
        from scipy.special import gammaln

        # So many degrees of freedom are a normal.
        freedoms = np.minimum(self.freedoms, 1e6)
        half = (freedoms + 1) / 2
        log_peak = gammaln(half) - gammaln(freedoms / 2) - 0.5 * np.log(np.pi * freedoms)
        score = (x[:, None] - self.means) ** 2 / self.variances
        return (np.exp(log_peak) / np.sqrt(self.variances) * (1 + score / freedoms) ** -half) @ self.weights

    def times(self, factor: Array | float) -> Posterior:
        """The posterior of ``factor`` (n,) times the answers."""
        by = np.broadcast_to(np.asarray(factor, dtype=float), self.means.shape[:1])[:, None]
        return Posterior(self.weights, by * self.means, by**2 * self.variances, self.freedoms)

    def rows(self, which: Sequence[int] | NDArray[np.int_]) -> Posterior:
        """The answers of ``which``."""
        return Posterior(self.weights, *(a[which] for a in (self.means, self.variances, self.freedoms)))


def t_below(score: Array, freedoms: Array) -> Array:
    """Probability that a t of so many degrees of freedom lies below ``score``; the two broadcast.

    From five degrees of freedom on by a normal score, right to 2e-7 and a fifth of the cost (G. W. Hill 1970,
    Algorithm 395, Communications of the ACM 13:617-619).
    """
    from scipy.special import ndtr, stdtr

    if freedoms.size == 0 or freedoms.min() < FEWEST_BY_NORMAL:
        return np.asarray(stdtr(freedoms, score))
    many = np.minimum(freedoms, MOST_FREEDOM)
    a = many - 0.5
    b = 48 * a**2
    y = a * np.log1p(np.clip(score, -FURTHEST_SCORE, FURTHEST_SCORE) ** 2 / many)
    tail = (((-0.4 * y - 3.3) * y - 24) * y - 85.5) / (0.8 * y**2 + 100 + b)
    return np.asarray(ndtr(np.copysign(((tail + y + 3) / b + 1) * np.sqrt(y), score)))
