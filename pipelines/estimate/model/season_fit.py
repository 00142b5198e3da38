"""Fit every outcome of a season: first its noise, then each field job under it, a large one in several processes.

Another process gets the few field jobs that the noise is fitted to, or one field job at a time, never the season.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from operator import itemgetter

import numpy as np
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.season import (
    FieldOutcome,
    SeasonOutcome,
    fields_for_noise,
    fit_under,
    noise_of_season,
    with_fields,
)
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.parallel.processes import processes_for, through_processes
from chaffinch.schemas.tables import OUTCOMES

Fits = dict[str, FieldOutcome | None]
"""Of one field job by outcome, without its bins; None where too few of them know the outcome."""


def fit_season(fields: Sequence[Binned], each: FanOut = one_by_one) -> dict[str, SeasonOutcome]:
    """All outcomes but capacity, which follows from them, over all field jobs.

    ``each`` spreads outcomes and field jobs; what is fitted does not depend on it.
    """
    known = season_noises(fields, each)
    return under_noises(known, fields, fit_fields(known, fields, each))


def season_noises(fields: Sequence[Binned], each: FanOut = one_by_one) -> dict[str, SeasonOutcome]:
    """``noise_of_season`` of every outcome."""
    names = [outcome for outcome in OUTCOMES if outcome != "capacity"]
    few = [(name, fields_for_noise(fields, name)) for name in names]
    many = processes_for(len(fields))
    found = through_processes(each, "fit", _noise_of, few, itemgetter(0), many)
    return dict(zip(names, found, strict=True))


def fit_fields(
    known: Mapping[str, SeasonOutcome], fields: Sequence[Binned], each: FanOut = one_by_one, new: bool = False
) -> list[Fits]:
    """Each of ``fields`` under the noise of each outcome. new : as of ``fit_under``."""
    fit = partial(_fit_under, known, new)
    return list(through_processes(each, "fit field jobs", fit, fields, lambda b: f"{b.machine}, {b.field}"))


def under_noises(
    known: Mapping[str, SeasonOutcome], fields: Sequence[Binned], fits: Sequence[Fits]
) -> dict[str, SeasonOutcome]:
    """The season of ``fields`` from the fits of each."""
    by_field = list(zip(fields, fits, strict=True))
    return {
        name: with_fields(
            one, [replace(f, binned=b) for b, of in by_field if (f := of.get(name)) is not None]
        )
        for name, one in known.items()
    }


def _noise_of(one: tuple[str, Sequence[Binned]]) -> SeasonOutcome:
    outcome, fields = one
    return noise_of_season(fields, outcome)


def _fit_under(known: Mapping[str, SeasonOutcome], new: bool, binned: Binned) -> Fits:
    found = {name: fit_under(binned, one, new) for name, one in known.items() if name in binned.outcomes}
    alone = _without_bins(binned)
    return {name: fit and replace(fit, binned=alone) for name, fit in found.items()}


def _without_bins(binned: Binned) -> Binned:
    """What names the field job; none of its bins."""
    none = np.zeros(binned.time_s.size, dtype=bool)
    return binned.kept(none, [], binned.step)
