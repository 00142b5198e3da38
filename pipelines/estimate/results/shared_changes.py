"""The changes of one outcome that share evidence, with their doses, field by field."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from chaffinch.pipelines.estimate.data.doses import (
    Diameters,
    Dose,
    Label,
    at_the_tip,
    dose_of,
    shared_by_tip,
)
from chaffinch.pipelines.estimate.model.fit import of_field_alone
from chaffinch.pipelines.estimate.model.season import FARM_WIDE, FieldOutcome, SeasonOutcome
from chaffinch.pipelines.estimate.results.calibration import Level
from chaffinch.pipelines.estimate.results.nested_terms import FieldEstimates
from chaffinch.pipelines.estimate.results.spread_draws import KeptDraws

ChangeKey = tuple[int, int]
"""id of the bins of a field job, and the number of the change there."""
LevelOf = Callable[[FieldOutcome, int], Level | None]


@dataclass(frozen=True, slots=True)
class Used:
    """One change that the model uses. single : no other setting moved with it. unknown : parts of unknown size."""

    of: FieldOutcome
    field: int
    k: int
    doses: list[Dose]
    single: bool
    unknown: int

    @property
    def index(self) -> int:
        return self.of.design.names.index(f"step {self.k}")

    @property
    def rows(self) -> list[dict[str, Any]]:
        """The rows of its adjustments."""
        return self.of.binned.changes[self.k].rows.to_dicts()

    @property
    def trial(self) -> str | None:
        """The trial that it is part of."""
        return self.rows[0].get("trial")


@dataclass(frozen=True, slots=True)
class ToShare:
    """The adjustments of one outcome that share evidence. season : without its fields. labels : of the columns of the
    ``estimates``' doses. with_label : how many changes have a dose of each. unknown_tip : settings that pool by the
    speed set, since a diameter is not known. level_of : the loss in kg/ha before a change, where loss checks weigh
    the machine's signals. draws : of spreads, as known of earlier nights."""

    season: SeasonOutcome
    used: list[Used]
    labels: list[Label]
    estimates: list[FieldEstimates]
    with_label: Mapping[Label, int]
    unknown_tip: frozenset[str]
    diameters_m: Diameters
    level_of: LevelOf
    draws: KeptDraws | None

    @property
    def outcome(self) -> str:
        return self.season.outcome

    def of(self, only: Collection[str] | None) -> list[Used]:
        """The changes on machines ``only``; all where not given."""
        return [u for u in self.used if only is None or u.of.binned.machine in only]

    def part(self, only: Collection[str] | None) -> ToShare:
        """The same for answers on machines ``only``: what other processes get of it."""
        return replace(self, used=self.of(only))

    def keys(self, only: Collection[str] | None = None) -> Iterator[ChangeKey]:
        """Those changes, as long as their field jobs are in this process."""
        return ((id(u.of.binned), u.k) for u in self.of(only))


def freedom_of_trial(members: Sequence[Used], season: SeasonOutcome) -> float:
    """Degrees of freedom with which the noise in the answer of one field's trial is known.

    Those of the season are of its slow noise, which the order of a trial mostly cancels; and how well the season
    knows it is part of the field's own drift already (``fit_drift_prior``).
    """
    fit = members[0].of.fit
    return min(of_field_alone(float(fit.freedom[u.index]), season.freedom) for u in members)


def to_share(
    season: SeasonOutcome,
    usable: Collection[ChangeKey],
    diameters_m: Diameters,
    level_of: LevelOf,
    draws: KeptDraws | None = None,
) -> ToShare | None:
    """What there is to share of one outcome; None where there is nothing.

    Changes that were refused are not among ``usable`` and never used. Joint changes enter by the doses of all their
    settings.
    """
    used = used_changes(season, usable, diameters_m)
    if not used:
        return None
    labels = sorted({d.label for u in used for d in u.doses}, key=str)
    estimates = list(estimates_of(used, labels, season))
    with_label = Counter(label for u in used for label in {d.label for d in u.doses})
    tip = shared_by_tip([(d.setting, u.of.binned.machine) for u in used for d in u.doses], diameters_m)
    unknown_tip = frozenset(name for name, of_all in tip.items() if of_all is False)
    lone = replace(season, fields=[])
    return ToShare(lone, used, labels, estimates, with_label, unknown_tip, diameters_m, level_of, draws)


def used_changes(season: SeasonOutcome, usable: Collection[ChangeKey], diameters_m: Diameters) -> list[Used]:
    """The changes among ``usable`` with their doses, field by field; settings of a joint change are one."""
    found: list[Used] = []
    made = [
        (f, k, row)
        for f in season.fields
        for k in f.design.steps
        if (id(f.binned), k) in usable
        for row in f.binned.changes[k].rows.iter_rows(named=True)
    ]
    tip = shared_by_tip([(row["setting"], f.binned.machine) for f, _, row in made], diameters_m)
    fields: dict[int, int] = {}
    for f, k, row in made:
        dose = dose_of(row)
        if dose is not None and tip.get(dose.setting):
            dose = at_the_tip(dose, diameters_m[dose.setting][f.binned.machine])
        number = fields.setdefault(id(f.binned), len(fields))
        if found and (found[-1].field, found[-1].k) == (number, k):
            before = found.pop()
            doses = [*before.doses, *([dose] if dose else [])]
            found.append(Used(f, number, k, doses, False, before.unknown + (dose is None)))
        else:
            found.append(Used(f, number, k, [dose] if dose else [], True, int(dose is None)))
    return found


def estimates_of(
    used: Sequence[Used], labels: Sequence[Label], season: SeasonOutcome
) -> Iterator[FieldEstimates]:
    """The estimates of each field of ``used``, with a column of doses for each of ``labels``."""
    unknowns = sorted({name for u in used for name in u.of.loadings})
    for number in range(used[-1].field + 1):
        mine = [u for u in used if u.field == number]
        fitted = mine[0].of
        at = [u.index for u in mine]
        doses = np.zeros((len(mine), len(labels)))
        for i, u in enumerate(mine):
            for dose in u.doses:
                doses[i, labels.index(dose.label)] += dose.amount
        nothing = np.zeros(len(fitted.design.names))
        loadings = np.array([fitted.loadings.get(name, nothing)[at] for name in unknowns])
        loadings = loadings.reshape(len(unknowns), len(mine)).T
        freedom = float(np.median(fitted.fit.freedom[at]))
        yield FieldEstimates(
            fitted.binned.machine,
            fitted.binned.crop,
            datetime.fromtimestamp(float(fitted.binned.time_s[0]), UTC).year
            if fitted.binned.time_s.size
            else 0,
            fitted.fit.coefficients[at],
            (fitted.fit.covariance[np.ix_(at, at)] - loadings @ loadings.T) * season.placebos.widen**2,
            doses,
            loadings,
            of_field_alone(freedom, season.freedom),
            np.array([float(u.unknown) for u in mine]),
            np.array([name.startswith(FARM_WIDE) for name in unknowns], dtype=bool),
        )
