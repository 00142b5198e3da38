"""Effects under a clock that may be off, averaged over how far (Bayesian model averaging; Hoeting et al. 1999,
Statistical Science 14:382-401).

A change entered minutes from its true moment loses a good part of its effect, and its range does not show it. The
evidence for an offset is seldom enough to move a clock, but always enough to weight the fits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.estimate.clocks.by_responses import on_one_clock
from chaffinch.pipelines.estimate.data.settings_clock import ClockOffset
from chaffinch.pipelines.estimate.model.fit import Fit
from chaffinch.pipelines.estimate.model.season import FieldOutcome, SeasonOutcome, fit_again


def over_likely_clocks(season: SeasonOutcome, clocks: Mapping[str, ClockOffset]) -> SeasonOutcome:
    """The outcome with the field jobs of doubtful clocks fitted at each likely offset and averaged."""
    fields = [
        averaged(field, season, clock.likely)
        if (clock := clocks.get(field.binned.machine)) is not None and clock.likely
        else field
        for field in season.fields
    ]
    return replace(season, fields=fields)


def averaged(
    field: FieldOutcome, season: SeasonOutcome, likely: tuple[tuple[float, float], ...]
) -> FieldOutcome:
    """Mean and covariance of the mixture of fits at the offsets ``likely``, each with its weight.

    A field job whose harvest log shows set values stays as it is. An offset at which a change would fall outside
    the log is left out. Unlogged change points are allowed for at the logged times only: at others they may be
    the effects of the changes.
    """
    if not field.binned.changes or not all(c.by_settings_log for c in field.binned.changes):
        return field
    fits = [
        (weight, field if offset_s == 0 else fit_again(on_one_clock(field.binned, offset_s), season))
        for offset_s, weight in likely
    ]
    known = [(w, f) for w, f in fits if f is not None and set(field.design.steps) <= set(f.design.steps)]
    names = tuple(n for n in field.design.names if all(n in f.design.names for _, f in known))
    weight = np.array([w for w, _ in known]) / sum(w for w, _ in known)
    places = [[f.design.names.index(n) for n in names] for _, f in known]
    means = np.array([f.fit.coefficients[at] for (_, f), at in zip(known, places, strict=True)])
    within = np.array([f.fit.covariance[np.ix_(at, at)] for (_, f), at in zip(known, places, strict=True)])
    mean = weight @ means
    apart = means - mean
    covariance = np.einsum("f,fij->ij", weight, within) + np.einsum("f,fi,fj->ij", weight, apart, apart)
    here = [field.design.names.index(n) for n in names]
    fit = Fit(mean, covariance, field.fit.freedom[here])
    return replace(field, design=field.design.without_columns(names), fit=fit)
