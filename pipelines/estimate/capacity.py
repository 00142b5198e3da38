"""What an effect on loss means for capacity: the throughput that gives the same loss share as before."""

from __future__ import annotations

import numpy as np
from chaffinch.pipelines.estimate.design import Design
from chaffinch.pipelines.estimate.fit import Fit
from chaffinch.pipelines.estimate.verdicts import Answer, reach, refuse
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Beyond this factor either way the loss curve is not seen but guessed.
FURTHEST = np.log(2.0)


def capacity_effect(design: Design, fit: Fit, k: int, feed_t_h: Array, widen: float) -> Answer:
    """Change of log capacity by change ``k`` (its number among the field's changes).

    With loss curve g(log F) and effect e, the change r solves e + g(f + r) - g(f) = 0 at the typical feed rate
    f. For every r the left side is linear in the fitted coefficients, so the set of r at which it does not
    differ from zero is an exact range (Fieller's argument: Fieller 1954, J. R. Statist. Soc. B 16:175-185,
    carried over to a curve).
    """
    step = design.names.index(f"step {k}")
    feed_columns = [n for n in ("log feed", "feed", "feed squared") if n in design.names]
    if not feed_columns:
        return refuse("flat_curve")
    shifts = np.linspace(-FURTHEST, FURTHEST, 2 * 140 + 1)
    contrast = np.zeros((shifts.size, fit.coefficients.size))
    contrast[:, step] = 1.0
    shapes = {"log feed": shifts, "feed": np.exp(shifts) - 1, "feed squared": (np.exp(shifts) - 1) ** 2}
    for name in feed_columns:
        contrast[:, design.names.index(name)] = shapes[name]
    value = contrast @ fit.coefficients
    error = np.sqrt(np.einsum("ri,ij,rj->r", contrast, fit.covariance, contrast))
    centre = _root(shifts, value)
    if centre is None:
        return refuse("flat_curve")
    inside = np.abs(value) <= reach(float(fit.freedom[step]), widen) * error
    at = int(np.argmin(np.abs(shifts - centre)))
    low, high = at, at
    while low > 0 and inside[low - 1]:
        low -= 1
    while high < shifts.size - 1 and inside[high + 1]:
        high += 1
    if low == 0 or high == shifts.size - 1:
        return refuse("flat_curve")
    lo, hi = min(shifts[low], centre), max(shifts[high], centre)
    verdict = "more" if lo > 0 else "less" if hi < 0 else "no clear change"
    return Answer(centre, float(lo), float(hi), verdict)


def _root(shifts: Array, value: Array) -> float | None:
    """Where ``value`` rises through zero, nearest to no shift; None when it does not."""
    rising = np.flatnonzero((value[:-1] < 0) & (value[1:] >= 0))
    if rising.size == 0:
        return None
    i = int(rising[np.argmin(np.abs(shifts[rising]))])
    share = -value[i] / (value[i + 1] - value[i])
    return float(shifts[i] + share * (shifts[i + 1] - shifts[i]))
