"""What an effect on loss means for capacity: the throughput that gives the same loss share as before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.design import Design
from chaffinch.pipelines.estimate.model.fit import Fit
from chaffinch.pipelines.estimate.model.season import FieldOutcome, SeasonOutcome
from chaffinch.pipelines.estimate.results.verdicts import Answer, answer, reach, refuse

# The loss at which capacity is held: the machine's, or the one that is logged.
CAPACITY_LOSSES = ("machine_loss", "separation_loss", "cleaning_loss")
# Beyond this factor either way the loss curve is not seen but guessed.
FURTHEST = np.log(2.0)


def feed_contrast(design: Design, shifts: Array) -> Array:
    """Columns of the loss curve at feed rates exp(``shifts``) times the typical one, shape (r, p), else zero."""
    contrast = np.zeros((shifts.size, len(design.names)))
    shapes = {"log feed": shifts, "feed": np.exp(shifts) - 1, "feed squared": (np.exp(shifts) - 1) ** 2}
    for name, shape in shapes.items():
        if name in design.names:
            contrast[:, design.names.index(name)] = shape
    return contrast


def capacity_effect(design: Design, fit: Fit, k: int, widen: float) -> Answer:
    """Change of log capacity by change ``k`` (its number among the field's changes).

    With loss curve g(log F) and effect e, the change r solves e + g(f + r) - g(f) = 0 at the typical feed rate
    f. For every r the left side is linear in the fitted coefficients, so the set of r at which it does not
    differ from zero is an exact range (Fieller's argument: Fieller 1954, J. R. Statist. Soc. B 16:175-185,
    carried over to a curve).
    """
    step = design.names.index(f"step {k}")
    shifts = np.linspace(-FURTHEST, FURTHEST, 2 * 140 + 1)
    contrast = feed_contrast(design, shifts)
    contrast[:, step] = 1.0
    value = contrast @ fit.coefficients
    error = np.sqrt(np.einsum("ri,ij,rj->r", contrast, fit.covariance, contrast))
    centre = _root(shifts, value)
    if centre is None:
        return refuse("flat_curve")
    freedom = float(fit.freedom[step])
    inside = np.abs(value) <= reach(freedom, widen) * error
    at = int(np.argmin(np.abs(shifts - centre)))
    low, high = at, at
    while low > 0 and inside[low - 1]:
        low -= 1
    while high < shifts.size - 1 and inside[high + 1]:
        high += 1
    if low == 0 or high == shifts.size - 1:
        return refuse("wide_range" if _rises(design, fit, reach(freedom, widen)) else "flat_curve")
    lo, hi = min(shifts[low], centre), max(shifts[high], centre)
    return answer(centre, float(lo), float(hi), [], [])


def feed_slope(fitted: FieldOutcome) -> tuple[float | None, float | None]:
    """d ln(loss share) / d ln(feed rate) at the typical feed rate, and its standard error; None where not fitted."""
    names = fitted.design.names
    if "log feed" not in names:
        return None, None
    # Of ln rho, rho - 1 and (rho - 1)^2 the slopes by ln rho at rho = 1 are 1, 1 and 0.
    by = np.array([float(name in ("log feed", "feed")) for name in names])
    return float(by @ fitted.fit.coefficients), float(by @ fitted.fit.covariance @ by) ** 0.5


def _rises(design: Design, fit: Fit, errors: float) -> bool:
    """Whether loss clearly rises with feed rate around the typical one: by more than so many standard errors."""
    ends = feed_contrast(design, np.array([-0.1, 0.1]))
    rise = ends[1] - ends[0]
    return bool(rise @ fit.coefficients > errors * np.sqrt(rise @ fit.covariance @ rise))


def _root(shifts: Array, value: Array) -> float | None:
    """Where ``value`` rises through zero, nearest to no shift; None when it does not."""
    rising = np.flatnonzero((value[:-1] < 0) & (value[1:] >= 0))
    if rising.size == 0:
        return None
    i = int(rising[np.argmin(np.abs(shifts[rising]))])
    share = -value[i] / (value[i + 1] - value[i])
    return float(shifts[i] + share * (shifts[i + 1] - shifts[i]))


def capacity_field(fitted: FieldOutcome, widen: float) -> FieldOutcome | None:
    """Log effects on capacity of all changes for which they can be estimated, with their joint covariance.

    Each change's r solves e + g(f + r) - g(f) = 0, so its derivative by the coefficients is minus the contrast
    at r over the curve's slope there. None where there is no such change.
    """
    design, fit = fitted.design, fitted.fit
    answered, gradients, shifts = [], [], []
    for k in design.steps:
        found = capacity_effect(design, fit, k, widen)
        if found.verdict == "cannot tell":
            continue
        r = np.array([found.log_ratio - 1e-4, found.log_ratio, found.log_ratio + 1e-4])
        contrast = feed_contrast(design, r)
        contrast[:, design.names.index(f"step {k}")] = 1.0
        values = contrast @ fit.coefficients
        gradients.append(-contrast[1] * 2e-4 / (values[2] - values[0]))
        shifts.append(found.log_ratio)
        answered.append(k)
    if not answered:
        return None
    by_coefficient = np.array(gradients)
    steps = replace(design, names=tuple(f"step {k}" for k in answered), steps=tuple(answered))
    index = [design.names.index(name) for name in steps.names]
    covariance = by_coefficient @ fit.covariance @ by_coefficient.T
    loadings = {name: by_coefficient @ one for name, one in fitted.loadings.items()}
    found_fit = Fit(np.array(shifts), covariance, fit.freedom[index])
    return replace(fitted, design=steps, fit=found_fit, loadings=loadings)


def capacity_season(season: Mapping[str, SeasonOutcome]) -> SeasonOutcome | None:
    """Capacity of all field jobs that know a loss, for pooling; at the machine's loss where it is known."""
    found: dict[int, FieldOutcome] = {}
    for name in CAPACITY_LOSSES:
        for fitted in season[name].fields if name in season else ():
            if id(fitted.binned) not in found:
                one = capacity_field(fitted, season[name].placebos.widen)
                found |= {} if one is None else {id(fitted.binned): one}
    known = [n for n in CAPACITY_LOSSES if n in season and season[n].fields]
    if not known or not found:
        return None
    return replace(season[known[0]], outcome="capacity", fields=list(found.values()))
