"""Posterior distributions as mixtures of t distributions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Posterior:
    """Mixtures of t distributions, one for each of n answers.

    weights : (q,) of the points. means, variances : (n, q). freedoms : (n, q).
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
        from scipy.special import stdtr

        apart = np.broadcast_to(np.asarray(x, dtype=float), self.means.shape[:1])[:, None] - self.means
        with np.errstate(divide="ignore", invalid="ignore"):
            score = np.where(self.variances > 0, apart / np.sqrt(self.variances), np.sign(apart) * np.inf)
        return stdtr(self.freedoms, np.nan_to_num(score, nan=0.0)) @ self.weights

    def quantile(self, level: float) -> Array:
        """Where the probability of lying below is ``level``, shape (n,), by bisection."""
        middle, mean = self.mean(), self.mean()[:, None]
        spread = 15 * np.sqrt((self.variances + (self.means - mean) ** 2) @ self.weights)
        low, high = middle - spread, middle + spread
        for _ in range(30):
            middle = (low + high) / 2
            under = self.below(middle) < level
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return (low + high) / 2

    def times(self, factor: Array | float) -> Posterior:
        """The posterior of ``factor`` (n,) times the answers."""
        by = np.broadcast_to(np.asarray(factor, dtype=float), self.means.shape[:1])[:, None]
        return Posterior(self.weights, by * self.means, by**2 * self.variances, self.freedoms)

    def rows(self, which: Sequence[int] | NDArray[np.int_]) -> Posterior:
        """The answers of ``which``."""
        return Posterior(self.weights, *(a[which] for a in (self.means, self.variances, self.freedoms)))
