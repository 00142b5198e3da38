"""One outcome's adjustments shared through ``hierarchy``: an answer for each, rows of wider scopes."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from chaffinch.pipelines.agronomy.exact import ENDS_95
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.model.season import FieldOutcome, SeasonOutcome
from chaffinch.pipelines.estimate.results.calibration import Level, kg_ha
from chaffinch.pipelines.estimate.results.doses import (
    Diameters,
    Dose,
    Label,
    at_the_tip,
    dose_of,
    shared_by_tip,
)
from chaffinch.pipelines.estimate.results.hierarchy import Hierarchy
from chaffinch.pipelines.estimate.results.mixtures import Posterior
from chaffinch.pipelines.estimate.results.nested_terms import FieldEstimates
from chaffinch.pipelines.estimate.results.verdicts import Answer, answer, numbers, reach, refuse

Row = dict[str, Any]
ChangeKey = tuple[int, int]
"""id of the bins of a machine-field, and the number of the change there."""

# Agreement and straightness are doubted where chance alone would do as much in one of a hundred.
DOUBT = 0.01


@dataclass(frozen=True, slots=True)
class Shared:
    """What all adjustments together say of one: log ratio with 95 % range, probability that the outcome fell, and
    how many other adjustments of its settings the model has."""

    log_ratio: float
    low: float
    high: float
    chance_less: float
    shared_with: int


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


@dataclass(frozen=True, slots=True)
class ToShare:
    """The adjustments of one outcome that share evidence. labels : of the columns of the ``estimates``' doses."""

    season: SeasonOutcome
    used: list[Used]
    labels: list[Label]
    estimates: list[FieldEstimates]


def to_share(season: SeasonOutcome, usable: Collection[ChangeKey], diameters_m: Diameters) -> ToShare | None:
    """What there is to share of one outcome; None where there is nothing.

    Changes that were refused are not among ``usable`` and never used. Joint changes enter by the doses of all their
    settings.
    """
    used = used_changes(season, usable, diameters_m)
    if not used:
        return None
    labels = sorted({d.label for u in used for d in u.doses}, key=str)
    return ToShare(season, used, labels, list(estimates_of(used, labels, season)))


def share(
    what: ToShare,
    model: Hierarchy,
    diameters_m: Diameters,
    level_of: Callable[[FieldOutcome, int], Level | None],
) -> tuple[dict[ChangeKey, Shared], list[Row]]:
    """Answers of all changes of one outcome, and its rows of scope field, machine and season.

    model : fitted to the estimates. Rows are written for settings that were changed on their own at least once.
    level_of : the loss in kg/ha before a change, where loss checks weigh the machine's signals.
    """
    used, labels = what.used, what.labels
    with_label = {label: sum(any(d.label == label for d in u.doses) for u in used) for label in labels}
    ends = _ends(model.changes)
    shared = {
        (id(u.of.binned), u.k): Shared(*one, max((with_label[d.label] - 1 for d in u.doses), default=0))
        for u, one in zip(used, ends, strict=True)
    }
    rows = _Rows(what.season, used, labels, with_label, model, diameters_m, level_of)
    return shared, rows.all()


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
    for number in range(used[-1].field + 1):
        mine = [u for u in used if u.field == number]
        fitted = mine[0].of
        at = [u.index for u in mine]
        doses = np.zeros((len(mine), len(labels)))
        for i, u in enumerate(mine):
            for dose in u.doses:
                doses[i, labels.index(dose.label)] += dose.amount
        loadings = fitted.loadings[at] if fitted.loadings is not None else np.zeros(len(mine))
        freedom = float(np.median(fitted.fit.freedom[at]))
        yield FieldEstimates(
            fitted.binned.machine,
            fitted.binned.crop,
            datetime.fromtimestamp(float(fitted.binned.time_s[0]), UTC).year
            if fitted.binned.time_s.size
            else 0,
            fitted.fit.coefficients[at],
            (fitted.fit.covariance[np.ix_(at, at)] - np.outer(loadings, loadings)) * season.placebos.widen**2,
            doses,
            loadings,
            1 / max(1 / freedom - 1 / season.freedom, 1e-4),
            np.array([float(u.unknown) for u in mine]),
        )


def _ends(posterior: Posterior) -> list[tuple[float, float, float, float]]:
    """Mean, 95 % range and probability of lying below zero of each answer."""
    columns = posterior.mean(), *map(posterior.quantile, ENDS_95), posterior.below(0.0)
    return [(float(a), float(b), float(c), float(d)) for a, b, c, d in zip(*columns, strict=True)]


def least_squares(estimates: Array, covariance: Array, doses: Array) -> tuple[float, float]:
    """Effect per unit of dose, and its variance, of estimates (k,) with covariance (k, k) at doses (k,).

    Generalised least squares through the origin.
    """
    solved = np.linalg.solve(covariance, np.column_stack([doses, estimates]))
    information = float(doses @ solved[:, 0])
    return float(doses @ solved[:, 1]) / information, 1.0 / information


def disagreement(estimates: Array, covariance: Array, doses: Array) -> float:
    """Chance of estimates differing as much about a common effect of the dose, if there is one (Cochran's Q)."""
    from scipy.special import chdtrc

    if estimates.size < 2:
        return 1.0
    effect, _ = least_squares(estimates, covariance, doses)
    rest = estimates - effect * doses
    return float(chdtrc(estimates.size - 1, rest @ np.linalg.solve(covariance, rest)))


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows of the scopes above single adjustments, of one outcome."""

    season: SeasonOutcome
    used: list[Used]
    labels: list[Label]
    with_label: dict[Label, int]
    model: Hierarchy
    diameters_m: Diameters
    level_of: Callable[[FieldOutcome, int], Level | None]

    def all(self) -> list[Row]:
        rows: list[Row] = []
        tip = shared_by_tip(
            [(d.setting, u.of.binned.machine) for u in self.used for d in u.doses], self.diameters_m
        )
        size = len(self.labels)
        crops, machines = self.model.crops, self.model.machines
        fields: list[tuple[Row, int, float]] = []
        on_machines: list[tuple[Row, int, float]] = []
        seasons: list[tuple[Row, int, float]] = []
        for i, label in enumerate(self.labels):
            members = [u for u in self.used if u.single and u.doses and u.doses[0].label == label]
            unknown_tip = tip.get(label[0]) is False
            by_field: dict[tuple[int, str | None], list[Used]] = {}
            by_machine: dict[tuple[int, int], list[Used]] = {}
            by_crop: dict[int, list[Used]] = {}
            for u in members:
                m, c = machines.index(u.of.binned.machine), crops.index(u.of.binned.crop)
                by_field.setdefault((u.field, _trial_of(u)), []).append(u)
                by_machine.setdefault((m, c), []).append(u)
                by_crop.setdefault(c, []).append(u)
            for (number, trial), some in by_field.items():
                if trial is not None and some[0].doses[0].values and len(_levels(some)) > 2:
                    rows += self._comparisons(some)
                    continue
                row, factor = self._of_field(some)
                fields.append((row, number * size + i, factor))
            remarks = ["diameter_unknown"] * unknown_tip
            for (m, c), some in by_machine.items():
                row = self._pooled("machine", some, remarks) | {"machine": machines[m], "crop": crops[c]}
                on_machines.append((row, (m * len(crops) + c) * size + i, 1.0))
            groups = [(c, crops[c], some) for c, some in by_crop.items()]
            if len(by_crop) > 1:
                groups.append((len(crops), None, members))
            for c, crop, some in groups:
                row = self._pooled("season", some, [*remarks, *self._bends(some)]) | {"crop": crop}
                seasons.append((row, c * size + i, 1.0))
        for listed, posterior, beyond in (
            (fields, self.model.fields, None),
            (on_machines, self.model.on_machines, self.model.next_on_machines),
            (seasons, self.model.seasons, self.model.next_fields),
        ):
            rows += self._finished(listed, posterior, beyond)
        return rows

    def _finished(
        self, listed: list[tuple[Row, int, float]], posterior: Posterior, beyond: Posterior | None
    ) -> Iterator[Row]:
        """Rows with their numbers. listed : row, place in the posterior, steps that the row is about."""
        if not listed:
            return
        at, factors = np.array([one[1] for one in listed]), np.array([one[2] for one in listed])
        found = _ends(posterior.rows(at).times(factors))
        next_field = _ends(beyond.rows(at).times(factors)) if beyond is not None else [None] * len(listed)
        for (row, _, _), one, ahead in zip(listed, found, next_field, strict=True):
            refusals, remarks, levels = row.pop("refusals"), row.pop("reasons"), row.pop("levels")
            answered = refuse(*refusals) if refusals else answer(*one[:3], [], remarks)
            estimable = not refusals
            row |= {**numbers(answered), "verdict": answered.verdict, "reasons": list(answered.reasons)}
            row |= {"chance_less": one[3] if estimable else None}
            if ahead is not None and estimable and row.pop("fields", 1) > 1:
                ends = (100 * float(np.expm1(end)) for end in ahead[1:3])
                row |= dict(zip(("next_field_percent_low", "next_field_percent_high"), ends, strict=True))
            row.pop("fields", None)
            weighed = kg_ha(levels, answered)
            if weighed is not None:
                names = ("absolute", "absolute_low", "absolute_high", "absolute_unit")
                row |= dict(zip(names, (*weighed, "kg/ha"), strict=True))
            yield row

    def _common(self, scope: str, members: list[Used], refusals: list[str], remarks: list[str]) -> Row:
        outcome = self.season.outcome
        dose = members[0].doses[0]
        flaws = {flaw for u in members for flaw in u.of.binned.flaws.get(outcome, [])}
        levels = [level for u in members if (level := self.level_of(u.of, u.k)) is not None]
        if len(levels) == len(members):
            flaws.discard("uncalibrated_sum")
        seconds = np.array([u.of.binned.seconds_around(u.k) for u in members]).sum(axis=0)
        tried = [value for u in members for value in u.doses[0].values or ()]
        return {
            "scope": scope,
            "machine": None,
            "field": None,
            "setting": dose.setting,
            "from_value": dose.from_value,
            "to_value": dose.to_value,
            "unit": dose.unit,
            "per_step": dose.per_step,
            "outcome": outcome,
            "refusals": refusals,
            "reasons": [*sorted(flaws), *remarks],
            "levels": levels if outcome == "machine_loss" else [],
            "shared_with": self.with_label[dose.label] - len(members),
            "tried_low": min(tried, default=None),
            "tried_high": max(tried, default=None),
            "readings_before": float(seconds[0]),
            "readings_after": float(seconds[1]),
            "adjustments_pooled": len(members),
            "placebos": self.season.placebos.count,
        }

    def _of_field(self, members: list[Used]) -> tuple[Row, float]:
        """The row of one field, and the steps that it is about: those of a test up and back, else one."""
        fitted = members[0].of
        estimates, covariance, doses = self._block(members, spread=False)
        trial = _trial_of(members[0])
        if trial is None:
            repeated = self._variance("change", members[0]) * np.diag(doses**2)
        else:
            # A trial repeats its change often enough to show how far repeats differ.
            repeated = (_excess(estimates, covariance, doses) - 1) * covariance
        remarks = ["changes_disagree"] * (disagreement(estimates, covariance + repeated, doses) < DOUBT)
        row = self._common("field", members, [], remarks)
        row |= {"machine": fitted.binned.machine, "field": fitted.binned.field, "crop": fitted.binned.crop}
        row |= {"trial": trial}
        steps = 1.0
        values = {tuple(sorted(u.doses[0].values or ())) for u in members}
        if len(members) > 1 and len(values) == 1 and members[0].doses[0].values:
            first = fitted.binned.changes[members[0].k].rows.row(0, named=True)
            steps = members[0].doses[0].amount
            row |= {name: first[name] for name in ("from_value", "to_value", "unit")} | {"per_step": None}
        effect, variance = least_squares(estimates, covariance + repeated, doses)
        freedom = float(min(fitted.fit.freedom[u.index] for u in members))
        return row | _alone(effect * steps, abs(steps) * float(np.sqrt(variance)), freedom), steps

    def _comparisons(self, members: list[Used]) -> Iterator[Row]:
        """Rows of a trial of three values of a number: each value against each, by this field alone.

        The model shares one effect of a step, which would make the best in between invisible.
        """
        from scipy.special import ndtr

        fitted, levels = members[0].of, _levels(members)
        estimates, covariance, doses = self._block(members, spread=False)
        covariance = covariance + self._variance("change", members[0]) * np.diag(doses**2)
        moves = [(row["trial_from"], row["trial_to"]) for u in members for row in _rows_of_change(u)]
        design = np.array(
            [[float(level == to) - float(level == come) for level in levels[1:]] for come, to in moves]
        )
        solved = np.linalg.solve(covariance, np.column_stack([design, estimates]))
        information = design.T @ solved[:, :-1]
        if np.linalg.matrix_rank(information) < len(levels) - 1:
            return
        inverse = np.linalg.inv(information)
        found = inverse @ (design.T @ solved[:, -1])
        rest = estimates - design @ found
        inverse *= _spread(float(rest @ np.linalg.solve(covariance, rest)), estimates.size - found.size)
        freedom = float(min(fitted.fit.freedom[u.index] for u in members))
        for a in range(len(levels)):
            for b in range(a + 1, len(levels)):
                contrast = np.array([float(k == b) - float(k == a) for k in range(1, len(levels))])
                effect, error = float(contrast @ found), float(np.sqrt(contrast @ inverse @ contrast))
                row = self._common("field", members, [], ["each_value_alone"])
                del row["refusals"], row["levels"]
                half = reach(freedom, 1.0) * error
                one = answer(effect, effect - half, effect + half, [], row.pop("reasons"))
                yield row | {
                    **numbers(one),
                    **alone_columns(one),
                    "machine": fitted.binned.machine,
                    "field": fitted.binned.field,
                    "crop": fitted.binned.crop,
                    "trial": _trial_of(members[0]),
                    "from_value": levels[a],
                    "to_value": levels[b],
                    "per_step": None,
                    "shared_with": 0,
                    "chance_less": float(ndtr(-effect / error)),
                    "verdict": one.verdict,
                    "reasons": list(one.reasons),
                }

    def _pooled(self, scope: str, members: list[Used], remarks: list[str]) -> Row:
        fields: dict[int, list[Used]] = {}
        for u in members:
            fields.setdefault(u.field, []).append(u)
        refusals = ["fields_differ"] if len(fields) == 2 and self._differ(list(fields.values())) else []
        remarks = [*remarks, *(["one_field"] if len(fields) == 1 else [])]
        row = self._common(scope, members, refusals, remarks) | {"fields": len(fields)}
        if scope == "season":
            return row
        blocks = [self._block(some, spread=True) for some in fields.values()]
        information = np.array([1 / least_squares(*block)[1] for block in blocks])
        effects = np.array([least_squares(*block)[0] for block in blocks])
        error = float(1 / np.sqrt(information.sum()))
        freedom = float(min(u.of.fit.freedom[u.index] for u in members))
        return row | _alone(float(information @ effects / information.sum()), error, freedom)

    def _differ(self, fields: list[list[Used]]) -> bool:
        """Whether two fields differ by more than their own errors can explain."""
        found = [least_squares(*self._block(some, spread=False)) for some in fields]
        effects, variances = (np.array(column) for column in zip(*found, strict=True))
        return disagreement(effects, np.diag(variances), np.ones(2)) < DOUBT

    def _block(self, members: list[Used], spread: bool) -> tuple[Array, Array, Array]:
        """Estimates, covariance and doses of one field's changes; with ``spread``, of fields about their mean."""
        fit, at = members[0].of.fit, [u.index for u in members]
        doses = np.array([u.doses[0].amount for u in members])
        covariance = fit.covariance[np.ix_(at, at)] * self.season.placebos.widen**2
        if spread:
            covariance = covariance + self._variance("field", members[0]) * np.outer(doses, doses)
            covariance = covariance + self._variance("change", members[0]) * np.diag(doses**2)
        return fit.coefficients[at], covariance, doses

    def _variance(self, kind: str, of: Used) -> float:
        """Between fields, or between changes in one, of a step of the setting that a change moved."""
        return float(self.model.variances[kind][self.labels.index(of.doses[0].label)])

    def _bends(self, members: list[Used]) -> list[str]:
        """Whether a step clearly does not do the same all along the setting."""
        from scipy.special import chdtrc

        middle = np.array([u.doses[0].midpoint for u in members])
        if middle.size < 4 or not np.isfinite(middle).all() or np.unique(middle).size < 2:
            return []
        information, weighted = np.zeros((2, 2)), np.zeros(2)
        for number in {u.field for u in members}:
            some = [u for u in members if u.field == number]
            estimates, covariance, doses = self._block(some, spread=True)
            along = np.array([u.doses[0].midpoint for u in some]) - middle.mean()
            x = np.column_stack([doses, doses * along])
            solved = np.linalg.solve(covariance, np.column_stack([x, estimates]))
            information += x.T @ solved[:, :2]
            weighted += x.T @ solved[:, 2]
        if np.linalg.cond(information) > 1e12:
            return []
        inverse = np.linalg.inv(information)
        return ["bends"] if chdtrc(1, (inverse @ weighted)[1] ** 2 / inverse[1, 1]) < DOUBT else []


def _rows_of_change(used: Used) -> Iterator[Row]:
    return used.of.binned.changes[used.k].rows.iter_rows(named=True)


def _trial_of(used: Used) -> str | None:
    """The trial that a change is part of."""
    return next((row.get("trial") for row in _rows_of_change(used)), None)


def _levels(members: Sequence[Used]) -> list[str]:
    """The values that changes of one trial go between, lowest first."""
    rows = [row for u in members for row in _rows_of_change(u)]
    return sorted({row[end] for row in rows for end in ("trial_from", "trial_to")}, key=float)


def _excess(estimates: Array, covariance: Array, doses: Array) -> float:
    """Factor of the variance of repeats about their common effect, as ``_spread``."""
    effect, _ = least_squares(estimates, covariance, doses)
    rest = estimates - effect * doses
    return _spread(float(rest @ np.linalg.solve(covariance, rest)), estimates.size - 1)


def _spread(square: float, freedom: int) -> float:
    """Weighted squares of repeats per degree of freedom, where they differ by more than noise would let them in one
    of a hundred; else 1 (Birge 1932, Phys. Rev. 40:207-227)."""
    from scipy.special import chdtrc

    return square / freedom if freedom > 0 and chdtrc(freedom, square) < DOUBT else 1.0


def _alone(effect: float, error: float, freedom: float) -> Row:
    half = reach(freedom, 1.0) * error
    return alone_columns(answer(effect, effect - half, effect + half, [], []))


def alone_columns(found: Answer) -> dict[str, float | None]:
    """The six columns of what logs say alone, from their answer."""
    return {f"alone_{name}": value for name, value in numbers(found).items()}
