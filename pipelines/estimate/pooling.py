"""Effects of single adjustments pooled: within a field by their joint covariance, over fields by random effects."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pooled:
    """Pooled log effect with its 95 % range; ``between`` is the standard deviation of true effects."""

    estimate: float
    low: float
    high: float
    error: float
    between: float
    count: int


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
    from scipy.stats import norm, t

    k = estimates.size
    if k == 1:
        error = float(np.sqrt(variances[0]))
        half = float(norm.ppf(0.975)) * error
        return Pooled(
            float(estimates[0]), float(estimates[0]) - half, float(estimates[0]) + half, error, 0.0, 1
        )
    between = _paule_mandel(estimates, variances)
    weight = 1.0 / (variances + between)
    mean = float(weight @ estimates / weight.sum())
    freedom = k - 1 + belief_fields
    scale = max(1.0, (float(weight @ (estimates - mean) ** 2) + belief_fields) / freedom)
    error = float(np.sqrt(scale / weight.sum()))
    half = float(t.ppf(0.975, freedom)) * error
    return Pooled(mean, mean - half, mean + half, error, float(np.sqrt(between)), k)


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
