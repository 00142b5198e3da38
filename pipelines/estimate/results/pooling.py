"""Effects of single adjustments pooled: within a field by their joint covariance, over fields by random effects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.estimate.results.verdicts import by_chance
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pooled:
    """Pooled log effect with its 95 % range; ``between`` is the standard deviation of true effects.

    freedom : degrees of freedom of the t that the range rests on; infinite for a single field.
    """

    estimate: float
    low: float
    high: float
    error: float
    between: float
    count: int
    freedom: float = float("inf")

    @property
    def p_value(self) -> float:
        """Chance of an estimate as far from nothing if there were no effect."""
        return by_chance(self.estimate, self.error, self.freedom)

    def next_field(self) -> tuple[float, float] | None:
        """95 % range of the true effect in a field to come; None for fewer than three fields.

        Higgins, Thompson and Spiegelhalter 2009, J. R. Statist. Soc. A 172:137-159: a t range over both the
        mean's error and the spread between fields, on one degree of freedom fewer than the mean has.
        """
        from scipy.special import stdtrit

        if self.count < 3:
            return None
        half = float(stdtrit(self.freedom - 1, 0.975)) * float(np.hypot(self.error, self.between))
        return self.estimate - half, self.estimate + half


def pool_within(estimates: Array, covariance: Array, dose: Array) -> tuple[float, float]:
    """Effect per unit of dose, and its variance, of adjustments of one setting in one field.

    estimates : (k,) log effects. covariance : (k, k). dose : (k,) how many steps each adjustment was, signed.
    Generalised least squares of estimates on dose through the origin.
    """
    solved = np.linalg.solve(covariance, np.column_stack([dose, estimates]))
    information = float(dose @ solved[:, 0])
    return float(dose @ solved[:, 1]) / information, 1.0 / information


# Two or three fields say little about how far fields differ, and a t on one degree of freedom says nothing at
# all. The ranges of single fields are checked by placebos, which is worth this many fields of agreement.
BELIEF_FIELDS = 4.0


def pool_between(estimates: Array, variances: Array, belief_fields: float = BELIEF_FIELDS) -> Pooled:
    """Random effects over fields.

    Variance between fields by Paule and Mandel (1982, J. Res. Nat. Bur. Stand. 87:377-385); range after Hartung
    and Knapp (2001, Statist. Med. 20:3875-3889): a t range whose scale is the weighted scatter of the fields,
    never below one. ``belief_fields`` adds degrees of freedom at scale one; 0 is the published method. One field
    alone keeps its own normal range.
    """
    from scipy.special import ndtri, stdtrit

    k = estimates.size
    if k == 1:
        error = float(np.sqrt(variances[0]))
        half = float(ndtri(0.975)) * error
        return Pooled(
            float(estimates[0]), float(estimates[0]) - half, float(estimates[0]) + half, error, 0.0, 1
        )
    between = _paule_mandel(estimates, variances)
    weight = 1.0 / (variances + between)
    mean = float(weight @ estimates / weight.sum())
    freedom = k - 1 + belief_fields
    scale = max(1.0, (float(weight @ (estimates - mean) ** 2) + belief_fields) / freedom)
    error = float(np.sqrt(scale / weight.sum()))
    half = float(stdtrit(freedom, 0.975)) * error
    return Pooled(mean, mean - half, mean + half, error, float(np.sqrt(between)), k, freedom)


def held_to_false_share(
    p_values: Array, share: float = 0.05, weights: Array | None = None
) -> NDArray[np.bool_]:
    """Which of several tests may be called, so that at most ``share`` of the calls are expected to be false.

    weights : how much more some tests are worth asking than others, known before any of them; all alike where none.

    Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57:289-300; it holds for independent tests and for those
    that rise together (Benjamini and Yekutieli 2001, Ann. Statist. 29:1165-1188). Each chance is divided by its
    weight, whose mean is one, which holds the share whatever the weights (Genovese, Roeder and Wasserman 2006,
    Biometrika 93:509-524). NaN is never called.
    """
    known = np.isfinite(p_values)
    if not known.any():
        return known
    scored = np.where(known, p_values, np.inf)
    if weights is not None:
        scored = scored * weights[known].mean() / weights
    ordered = np.sort(scored[known])
    below = np.flatnonzero(ordered <= share * np.arange(1, ordered.size + 1) / ordered.size)
    return scored <= ordered[below[-1]] if below.size else np.zeros(p_values.size, dtype=bool)


@dataclass(frozen=True, slots=True)
class Block:
    """Adjustments of one setting in one field: log effects (k,), covariance (k, k), doses (k,), midpoints (k,).

    A midpoint is the mean of the values before and after.
    """

    estimates: Array
    covariance: Array
    doses: Array
    midpoints: Array


def bend(blocks: Sequence[Block], between_variance: float) -> float:
    """Chance of the effect of a step changing along the setting as much as it seems to, if it did not.

    Generalised least squares of effects on dose and dose times midpoint, with ``between_variance`` for each
    dose's square shared within a field. NaN where fewer than four adjustments stand at fewer than two midpoints.
    """
    from scipy.stats import norm

    midpoints = np.concatenate([b.midpoints for b in blocks])
    if midpoints.size < 4 or np.unique(midpoints).size < 2:
        return float("nan")
    information, weighted = np.zeros((2, 2)), np.zeros(2)
    for block in blocks:
        x = np.column_stack([block.doses, block.doses * (block.midpoints - midpoints.mean())])
        spread = block.covariance + between_variance * np.outer(block.doses, block.doses)
        solved = np.linalg.solve(spread, np.column_stack([x, block.estimates]))
        information += x.T @ solved[:, :2]
        weighted += x.T @ solved[:, 2]
    if np.linalg.cond(information) > 1e12:
        return float("nan")
    inverse = np.linalg.inv(information)
    return float(2 * norm.sf(abs((inverse @ weighted)[1]) / np.sqrt(inverse[1, 1])))


def _paule_mandel(estimates: Array, variances: Array) -> float:
    from scipy.optimize import brentq

    def excess(between: float) -> float:
        weight = 1.0 / (variances + between)
        mean = weight @ estimates / weight.sum()
        return float(weight @ (estimates - mean) ** 2 - (estimates.size - 1))

    if excess(0.0) <= 0:
        return 0.0
    top = float(np.var(estimates)) + float(variances.max())
    while excess(top) > 0:
        top *= 4
    return float(brentq(excess, 0.0, top, xtol=1e-12))
