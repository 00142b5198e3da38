"""What machine loss leaves open where its two signals may weigh unlike.

Machine loss is taken from the sum of two signals. Loss checks tell what a unit of the sum weighs, not of which of
them it came: they gather what lies behind the machine. Each sensor has a sensitivity of its own, so that a unit of
one may weigh a good deal more than one of the other, and a change that moves one loss alone then moves their sum by
more, or less, than the signals say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.estimate.entering import PLACES
from chaffinch.pipelines.estimate.fit import Fit
from chaffinch.pipelines.estimate.season import FieldOutcome, SeasonOutcome
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Log of how unlike the weights of a unit may be, as a standard deviation: a factor 1.6 either way is no surprise
# (common practice, no source).
UNLIKE = 0.5


def allowing_for_weights(season: Mapping[str, SeasonOutcome]) -> dict[str, SeasonOutcome]:
    """The season, with what unlike weights may do added to the covariance of machine loss.

    Signals in kg/s weigh what they say: there it is left as it is.
    """
    if not all(name in season for name in ("machine_loss", *PLACES)):
        return dict(season)
    separation, cleaning = ({id(f.binned): f for f in season[place].fields} for place in PLACES)
    fields = [
        field
        if field.binned.calibrated or not (id(field.binned) in separation and id(field.binned) in cleaning)
        else _wider(field, separation[id(field.binned)], cleaning[id(field.binned)])
        for field in season["machine_loss"].fields
    ]
    return {**season, "machine_loss": replace(season["machine_loss"], fields=fields)}


def _wider(machine: FieldOutcome, separation: FieldOutcome, cleaning: FieldOutcome) -> FieldOutcome:
    """With S of separation and C of cleaning, log(S u + C / u) changes by separation's share less a half for each
    log of u^2: a change of settings by what it does to that share."""
    by_ratio = np.zeros(machine.fit.coefficients.size)
    for k in machine.design.steps:
        before = separation_share(machine, k)
        moved = _effect(separation, k) - _effect(cleaning, k)
        by_ratio[machine.design.names.index(f"step {k}")] = _after(before, moved) - before
    open_still = UNLIKE**2 * np.outer(by_ratio, by_ratio)
    fit = machine.fit
    return replace(machine, fit=Fit(fit.coefficients, fit.covariance + open_still, fit.freedom))


def separation_share(field: FieldOutcome, k: int) -> float:
    """Separation's share of the summed signals between change ``k`` and the one before it; a half if unknown."""
    separation, cleaning = (field.binned.outcomes[place][field.binned.step == k] for place in PLACES)
    shares = 1 / (1 + np.exp(cleaning - separation))
    return float(np.nanmean(shares)) if np.isfinite(shares).any() else 0.5


def _after(share: float, moved: float) -> float:
    """``share`` after its odds have moved by ``moved`` on the log scale."""
    return float(1 / (1 + (1 / max(share, 1e-9) - 1) * np.exp(-moved)))


def _effect(field: FieldOutcome, k: int) -> float:
    name = f"step {k}"
    return (
        float(field.fit.coefficients[field.design.names.index(name)]) if name in field.design.names else 0.0
    )
