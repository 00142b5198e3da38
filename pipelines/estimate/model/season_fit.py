"""Fit every outcome of a season; of a large one in parallel, one process for each outcome."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.model.season import SeasonOutcome, fit_outcome
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.parallel.processes import processes_for, through_processes
from chaffinch.schemas.tables import OUTCOMES


def fit_season(fields: Sequence[Binned], each: FanOut = one_by_one) -> dict[str, SeasonOutcome]:
    """All outcomes but capacity, which follows from them, over all field jobs.

    ``each`` spreads the outcomes; what is fitted does not depend on it.
    """
    names = [outcome for outcome in OUTCOMES if outcome != "capacity"]
    many = processes_for(len(fields))
    all_fitted = through_processes(each, "fit", partial(_fit_apart, fields), names, str, many)
    season: dict[str, SeasonOutcome] = {}
    for name, (outcome, places) in zip(names, all_fitted, strict=True):
        known = [replace(f, binned=fields[i]) for f, i in zip(outcome.fields, places, strict=True)]
        season[name] = replace(outcome, fields=known)
    return season


def _fit_apart(fields: Sequence[Binned], outcome: str) -> tuple[SeasonOutcome, list[int]]:
    """One outcome fitted, without the bins, and which of ``fields`` its field jobs are.

    The caller has the bins, which are most of what would have to come back from another process.
    """
    fitted = fit_outcome(fields, outcome)
    place = {id(binned): i for i, binned in enumerate(fields)}
    places = [place[id(f.binned)] for f in fitted.fields]
    return replace(fitted, fields=[replace(f, binned=without_bins(f.binned)) for f in fitted.fields]), places


def without_bins(binned: Binned) -> Binned:
    """What names the field job; none of its bins."""
    none = np.zeros(binned.time_s.size, dtype=bool)
    return binned.kept(none, [], binned.step)
