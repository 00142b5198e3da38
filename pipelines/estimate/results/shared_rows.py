"""One outcome's changes shared through ``hierarchy``: an answer for each, and rows of wider scopes."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.exact import ENDS_95
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.results.agreement import (
    DOUBT,
    disagreement,
    excess_variance,
    in_pairs,
    least_squares,
)
from chaffinch.pipelines.estimate.results.calibration import kg_ha
from chaffinch.pipelines.estimate.results.hierarchy import Hierarchy, fit_hierarchy
from chaffinch.pipelines.estimate.results.mixtures import Posterior
from chaffinch.pipelines.estimate.results.shared_changes import ToShare, Used, freedom_of_trial
from chaffinch.pipelines.estimate.results.spread_draws import KeptDraws
from chaffinch.pipelines.estimate.results.value_comparisons import (
    interaction_of,
    value_comparisons,
    values_of_trial,
)
from chaffinch.pipelines.estimate.results.verdicts import (
    alone_columns,
    answer,
    answer_columns,
    answer_with_error,
    refuse,
)
from chaffinch.schemas.tables import tables

Row = dict[str, Any]

ROWS_AT_ONCE = 5000


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
class SharedOutcome:
    """One outcome of all changes together. changes : as ``ToShare.of``. rows : of scope field, machine and season,
    as of the table. draws : of spreads, to be kept. common : ``in_common``."""

    changes: list[Shared]
    rows: pl.DataFrame
    draws: KeptDraws
    common: Array


def share(what: ToShare, only: Collection[str] | None = None) -> SharedOutcome:
    """Answers of all changes of one outcome, and its rows of scope field, machine and season.

    Rows are written for settings that were changed on their own at least once. only : machines that are answered,
    by the evidence of all, and not the season; where not given, all machines and the season.
    """
    labels, asked = what.labels, what.of(only)
    model = fit_hierarchy(what.estimates, what.season.freedom, list(map(str, labels)), what.draws, only)
    ends = _ends(model.changes)
    changes = [
        Shared(*one, max((what.with_label[d.label] - 1 for d in u.doses), default=0))
        for u, one in zip(asked, ends, strict=True)
    ]
    rows = _Rows(what, asked, model, only is None)
    common = in_common(model, what.season.placebos.widen)
    return SharedOutcome(changes, effect_rows(rows.all()), model.draws, common)


def in_common(model: Hierarchy, widen: float) -> Array:
    """What all machines together say of one step of each setting, crop by crop, on the log scale: (n, 7).

    Middle and ends of the answer, ends for a field to come, half width of the narrowest answer (this, or that of a
    machine), log of how much placebos widen ranges.
    """
    crops, settings = len(model.crops), len(model.variances["setting"])
    here, ahead = (
        np.array(_ends(posterior))[: crops * settings, :3] for posterior in (model.seasons, model.next_fields)
    )
    low, high = (model.on_machines.quantile(end) for end in ENDS_95)
    halves = ((high - low) / 2).reshape(-1, crops * settings)
    narrowest = np.vstack([halves, (here[:, 2] - here[:, 1]) / 2]).min(axis=0)
    return np.column_stack([here, ahead[:, 1:], narrowest, np.full(len(here), np.log(widen))])


def effect_rows(rows: Iterable[Row]) -> pl.DataFrame:
    """``rows`` as a frame of the table, in batches: as dictionaries they take far more memory."""
    table, rows, frames = tables()["effects"], iter(rows), []
    while some := list(islice(rows, ROWS_AT_ONCE)):
        made = pl.DataFrame(some, schema_overrides=dict(table.polars_schema()), infer_schema_length=None)
        frames.append(table.conform(made))
    return pl.concat(frames) if frames else table.empty()


def _ends(posterior: Posterior) -> list[tuple[float, float, float, float]]:
    """Mean, 95 % range and probability of lying below zero of each answer."""
    columns = posterior.mean(), *map(posterior.quantile, ENDS_95), posterior.below(0.0)
    return [(float(a), float(b), float(c), float(d)) for a, b, c, d in zip(*columns, strict=True)]


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows of the scopes above single adjustments, of one outcome. whole : whether the season is answered."""

    what: ToShare
    used: list[Used]
    model: Hierarchy
    whole: bool

    def all(self) -> list[Row]:
        rows: list[Row] = []
        size = len(self.what.labels)
        crops, machines = self.model.crops, self.model.machines
        field_at, machine_at = (
            {int(number): at for at, number in enumerate(some)}
            for some in (self.model.part.fields, self.model.part.machines)
        )
        fields: list[tuple[Row, int, float]] = []
        on_machines: list[tuple[Row, int, float]] = []
        seasons: list[tuple[Row, int, float]] = []
        together = self._interactions()
        for i, label in enumerate(self.what.labels):
            members = [u for u in self.used if u.single and u.doses and u.doses[0].label == label]
            by_field: dict[tuple[int, str | None], list[Used]] = {}
            by_machine: dict[tuple[int, int], list[Used]] = {}
            by_crop: dict[int, list[Used]] = {}
            for u in members:
                m, c = machines.index(u.of.binned.machine), crops.index(u.of.binned.crop)
                by_field.setdefault((u.field, u.trial), []).append(u)
                by_machine.setdefault((m, c), []).append(u)
                by_crop.setdefault(c, []).append(u)
            for (number, trial), some in by_field.items():
                if trial is not None and some[0].doses[0].values and len(values_of_trial(some)) > 2:
                    rows += self._comparisons(some)
                    continue
                row, factor = self._of_field(some)
                row |= together.get((number, trial), {})
                fields.append((row, field_at[number] * size + i, factor))
            remarks = ["diameter_unknown"] * (label[0] in self.what.unknown_tip)
            for (m, c), some in by_machine.items():
                row = self._pooled("machine", some, remarks) | {"machine": machines[m], "crop": crops[c]}
                on_machines.append((row, (machine_at[m] * len(crops) + c) * size + i, 1.0))
            groups = [(c, crops[c], some) for c, some in by_crop.items() if self.whole]
            if len(groups) > 1:
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
            row |= answer_columns(answered)
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
        outcome = self.what.season.outcome
        dose = members[0].doses[0]
        flaws = {flaw for u in members for flaw in u.of.binned.flaws.get(outcome, [])}
        flaws |= {doubt for u in members for doubt in u.of.doubts_of(u.k)}
        levels = [level for u in members if (level := self.what.level_of(u.of, u.k)) is not None]
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
            "shared_with": self.what.with_label[dose.label] - len(members),
            "tried_low": min(tried, default=None),
            "tried_high": max(tried, default=None),
            "readings_before": float(seconds[0]),
            "readings_after": float(seconds[1]),
            "adjustments_pooled": len(members),
            "placebos": self.what.season.placebos.count,
        }

    def _of_field(self, members: list[Used]) -> tuple[Row, float]:
        """The row of one field, and the steps that it is about: those of a test up and back, else one."""
        fitted = members[0].of
        estimates, covariance, doses, unknown = self._apart(members)
        trial = members[0].trial
        if trial is None:
            freedom = float(min(fitted.fit.freedom[u.index] for u in members))
            repeated = self._variance("change", members[0]) * np.diag(doses**2)
            agree = disagreement(estimates, covariance + repeated, doses)
        else:
            # A trial repeats its change often enough to show how far repeats differ.
            pairs = in_pairs(estimates, covariance, doses)
            factor, freedom = excess_variance(*pairs, freedom_of_trial(members, self.what.season))
            repeated, agree = (factor - 1) * covariance, disagreement(*pairs)
        remarks = ["changes_disagree"] * (agree < DOUBT)
        row = self._common("field", members, [], remarks)
        row |= fitted.binned.place | {"trial": trial}
        steps = 1.0
        values = {tuple(sorted(u.doses[0].values or ())) for u in members}
        if len(members) > 1 and len(values) == 1 and members[0].doses[0].values:
            first = fitted.binned.changes[members[0].k].rows.row(0, named=True)
            steps = members[0].doses[0].amount
            row |= {name: first[name] for name in ("from_value", "to_value", "unit")} | {"per_step": None}
        effect, variance = least_squares(estimates, covariance + repeated, doses)
        solved = np.linalg.solve(covariance + repeated, doses)
        variance += float(((unknown @ solved * variance) ** 2).sum())
        return row | _alone(effect * steps, abs(steps) * float(np.sqrt(variance)), freedom), steps

    def _interactions(self) -> dict[tuple[int, str | None], Row]:
        """Of each field and trial of two settings, what one setting does by the value of the other."""
        groups: dict[tuple[int, str | None], list[Used]] = {}
        for u in self.used:
            if u.single and u.doses and u.trial is not None:
                groups.setdefault((u.field, u.trial), []).append(u)
        found = {}
        for key, members in groups.items():
            if len({u.doses[0].setting for u in members}) == 2:
                estimates, covariance, _, unknown = self._apart(members)
                found[key] = interaction_of(
                    members, estimates, covariance, unknown, freedom_of_trial(members, self.what.season)
                )
        return found

    def _comparisons(self, members: list[Used]) -> Iterator[Row]:
        """Rows of a trial of three values of a number: each value against each, by this field alone."""
        estimates, covariance, _, unknown = self._apart(members)
        common = self._common("field", members, [], ["each_value_alone"]) | members[0].of.binned.place
        del common["refusals"], common["levels"]
        freedom = freedom_of_trial(members, self.what.season)
        for row in value_comparisons(members, estimates, covariance, unknown, freedom, common["reasons"]):
            yield common | row

    def _pooled(self, scope: str, members: list[Used], remarks: list[str]) -> Row:
        fields: dict[int, list[Used]] = {}
        for u in members:
            fields.setdefault(u.field, []).append(u)
        refusals = ["fields_differ"] if len(fields) == 2 and self._differ(list(fields.values())) else []
        remarks = [*remarks, *(["one_field"] if len(fields) == 1 else [])]
        row = self._common(scope, members, refusals, remarks) | {"fields": len(fields)}
        if scope == "season":
            return row
        effects, information, common = [], [], dict[str, float]()
        for some in fields.values():
            estimates, covariance, doses = self._block(some, spread=True)
            unknown = self._unknowns(some)
            covariance = covariance - sum((np.outer(one, one) for one in unknown.values()), np.zeros(()))
            effect, variance = least_squares(estimates, covariance, doses)
            along = np.linalg.solve(covariance, doses)
            effects.append(effect)
            information.append(1 / variance)
            # Of the machine in all its fields: it does not average away.
            for name, one in unknown.items():
                common[name] = common.get(name, 0.0) + float(one @ along)
        total = sum(information)
        variance = 1 / total + sum((one / total) ** 2 for one in common.values())
        freedom = float(min(u.of.fit.freedom[u.index] for u in members))
        return row | _alone(float(np.dot(information, effects)) / total, float(np.sqrt(variance)), freedom)

    def _differ(self, fields: list[list[Used]]) -> bool:
        """Whether two fields differ by more than their own errors can explain."""
        found = [least_squares(*self._block(some, spread=False)) for some in fields]
        effects, variances = (np.array(column) for column in zip(*found, strict=True))
        return disagreement(effects, np.diag(variances), np.ones(2)) < DOUBT

    def _block(self, members: list[Used], spread: bool) -> tuple[Array, Array, Array]:
        """Estimates, covariance and doses of one field's changes; with ``spread``, of fields about their mean."""
        fit, at = members[0].of.fit, [u.index for u in members]
        doses = np.array([u.doses[0].amount for u in members])
        covariance = fit.covariance[np.ix_(at, at)] * self.what.season.placebos.widen**2
        if spread:
            covariance = covariance + self._variance("field", members[0]) * np.outer(doses, doses)
            covariance = covariance + self._variance("change", members[0]) * np.diag(doses**2)
        return fit.coefficients[at], covariance, doses

    def _apart(self, members: list[Used]) -> tuple[Array, Array, Array, Array]:
        """Estimates, covariance and doses of one field's changes, and separately what one standard deviation of each
        unknown of the signals does to them, (u, k).

        It is the same in each repeat, partly in proportion to the estimates, and would draw their mean to the
        smallest (Peelle's puzzle). So it is added to the error of their mean.
        """
        estimates, covariance, doses = self._block(members, spread=False)
        unknown = np.array([*self._unknowns(members).values()]).reshape(-1, len(members))
        return estimates, covariance - unknown.T @ unknown, doses, unknown

    def _unknowns(self, members: list[Used]) -> dict[str, Array]:
        """What one standard deviation of each unknown of the signals does to one field's changes, (k,) by name."""
        at = [u.index for u in members]
        return {
            name: loading[at] * self.what.season.placebos.widen
            for name, loading in members[0].of.loadings.items()
        }

    def _variance(self, kind: str, of: Used) -> float:
        """Between fields, or between changes in one, of a step of the setting that a change moved."""
        return float(self.model.variances[kind][self.what.labels.index(of.doses[0].label)])

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


def _alone(effect: float, error: float, freedom: float) -> Row:
    return alone_columns(answer_with_error(effect, error, freedom))
