"""Effects pooled over the adjustments of a field and over the fields of a season, as rows of ``effects``."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from chaffinch.pipelines.agronomy.tip_speed import tip_speed_m_s
from chaffinch.pipelines.estimate.data.design import LOSSES
from chaffinch.pipelines.estimate.model.season import FieldOutcome, SeasonOutcome, near_change_point
from chaffinch.pipelines.estimate.results.pooling import (
    Block,
    Pooled,
    bend,
    held_to_false_share,
    pool_between,
    pool_within,
)
from chaffinch.pipelines.estimate.results.verdicts import answer, numbers, thin_sides
from chaffinch.schemas.declarations import settings
from numpy.typing import NDArray

Array = NDArray[np.float64]
Row = dict[str, Any]

BEND_CHANCE = 0.01
# What the catalogue has a setting move is so many times as likely to have moved as what it has it leave alone (common
# practice, no source). Right or wrong, the share of false verdicts is held; right, more of the true ones are given.
WORTH_ASKING = 5.0


@dataclass(frozen=True, slots=True)
class Dose:
    """How far an adjustment moved a setting, in units that pool.

    amount : signed steps for numbers; +1 or -1 for words, lowest position first; 1 for a service.
    label : what amounts of one kind have in common: the setting, and for words the pair of positions.
    midpoint : mean of the values before and after, for numbers.
    """

    setting: str
    amount: float
    per_step: float | None
    unit: str | None
    from_value: str | None
    to_value: str | None
    midpoint: float | None = None

    @property
    def label(self) -> tuple[str, str | None, str | None]:
        return self.setting, self.from_value, self.to_value


def dose_of(adjustment: Row) -> Dose | None:
    """The dose of one adjustment; None where its size is unknown (a word without a number's other end)."""
    name, before, after = adjustment["setting"], adjustment["from_value"], adjustment["to_value"]
    declared = settings().get(name)
    if adjustment["kind"] == "service" or (declared is not None and declared.kind == "service"):
        return Dose(name, 1.0, None, None, None, None)
    if before is None or after is None:
        return None
    if declared is not None and declared.kind == "number" and declared.step:
        try:
            low, high = float(before), float(after)
        except ValueError:
            return None
        amount, midpoint = (high - low) / declared.step, (low + high) / 2
        return Dose(name, amount, declared.step, declared.unit, None, None, midpoint) if amount else None
    order = {word: i for i, word in enumerate(declared.positions)} if declared is not None else {}
    rising = (order.get(before, 0), before) < (order.get(after, 0), after)
    low, high = (before, after) if rising else (after, before)
    return Dose(name, 1.0 if rising else -1.0, None, adjustment["unit"], low, high)


@dataclass(frozen=True, slots=True)
class _FieldEffect:
    """A setting's effect in one machine-field for each ``dose.per_step``; ``remarks``: what is said of it."""

    fitted: FieldOutcome
    dose: Dose
    estimate: float
    variance: float
    adjustments: int
    before_s: float
    after_s: float
    block: Block | None = None
    remarks: tuple[str, ...] = ()


Diameters = Mapping[str, Mapping[str, float]]
"""Setting -> machine -> diameter [m] of the drum or rotor that the setting turns."""


def pooled_rows(season: Mapping[str, SeasonOutcome], diameters_m: Diameters | None = None) -> list[Row]:
    """Rows of scope `field` and `season` for every setting changed on its own.

    Joint changes do not enter: their effect belongs to no single setting. Nor do changes beside a step that was
    not logged. Season rows are by crop and, where there are several crops, over all of them too. Speeds of drums
    of different diameter pool by tip speed.
    Of the many season rows at most one in twenty that is called a change is expected to be none; those for which
    the catalogue has the setting move the outcome are asked first.
    """
    rows: list[Row] = []
    fits: dict[int, list[FieldOutcome]] = defaultdict(list)
    for fitted in season.values():
        for field in fitted.fields:
            fits[id(field.binned)].append(field)
    for outcome, fitted in season.items():
        if not fitted.fields:
            continue
        by_label: dict[tuple, list[_FieldEffect]] = defaultdict(list)
        for field in fitted.fields:
            beside = fits[id(field.binned)] if outcome in (*LOSSES, "capacity") else []
            for effect in _field_effects(field, fitted.placebos.widen, beside):
                by_label[effect.dose.label].append(effect)
        for label, found in by_label.items():
            effects = _comparable(found, (diameters_m or {}).get(label[0], {}))
            rows += [_field_row(effect, outcome, fitted) for effect in effects]
            rows += _season_rows(effects, outcome, fitted)
    return _hold_false_share(rows)


def _hold_false_share(rows: list[Row]) -> list[Row]:
    """The rows without ``p_value``; season rows that the many tests of a season do not bear out call nothing."""
    of_season = [row for row in rows if row["scope"] == "season"]
    p_values = np.array([row.pop("p_value") for row in of_season])
    weights = np.array([WORTH_ASKING if _should_move(row) else 1.0 for row in of_season])
    for row, called in zip(of_season, held_to_false_share(p_values, weights=weights), strict=True):
        if row["verdict"] in ("less", "more") and not called:
            row["verdict"] = "no clear change"
            row["reasons"] = [*row["reasons"], "many_tests"]
    return rows


def _should_move(row: Row) -> bool:
    """Whether the catalogue has the row's setting move the row's outcome, whichever way."""
    declared = settings().get(row["setting"])
    return declared is not None and declared.sign_of(row["outcome"]) not in (None, "0")


def _comparable(effects: Sequence[_FieldEffect], diameters_m: Mapping[str, float]) -> Sequence[_FieldEffect]:
    """``effects`` of one setting in a measure that means the same on every machine.

    A step of rotational speed is another step of tip speed on another diameter. Where the machines' diameters
    differ, effects are told for the tip-speed step of the catalogue; where one is not known they stay as they
    are and say so; where all are alike both are the same.
    """
    declared = settings().get(effects[0].dose.setting)
    machines = {e.fitted.binned.machine for e in effects}
    if declared is None or declared.tip_of is None or declared.step is None or len(machines) < 2:
        return effects
    if not machines <= diameters_m.keys():
        return [replace(e, remarks=("diameter_unknown",)) for e in effects]
    if len({diameters_m[machine] for machine in machines}) == 1:
        return effects
    return [_at_the_tip(effect, diameters_m[effect.fitted.binned.machine]) for effect in effects]


def _at_the_tip(effect: _FieldEffect, diameter_m: float) -> _FieldEffect:
    dose = at_the_tip(effect.dose, diameter_m)
    if dose is None:
        return effect
    steps = dose.amount / effect.dose.amount
    block = effect.block
    if block is not None:
        tip_m_s = tip_speed_m_s(diameter_m, block.midpoints)
        block = replace(block, doses=block.doses * steps, midpoints=np.asarray(tip_m_s))
    return replace(
        effect, dose=dose, estimate=effect.estimate / steps, variance=effect.variance / steps**2, block=block
    )


def at_the_tip(dose: Dose, diameter_m: float) -> Dose | None:
    """``dose`` of a rotational speed in tip-speed steps of the catalogue; None where the setting has no tip."""
    declared = settings().get(dose.setting)
    if declared is None or declared.tip_of is None or declared.step is None:
        return None
    steps = float(tip_speed_m_s(diameter_m, declared.step)) / declared.tip_step_m_s
    return replace(dose, amount=dose.amount * steps, per_step=declared.tip_step_m_s, unit="m/s")


def _field_effects(field: FieldOutcome, widen: float, beside: Sequence[FieldOutcome]) -> list[_FieldEffect]:
    """Effects of single changes of one machine-field, none of them next to a step found in the fits ``beside``."""
    usable = [
        f for f in field.binned.flaws.get(field.outcome, []) if f in ("signal_dead", "signal_saturated")
    ]
    if usable:
        return []
    grouped: dict[tuple, list[tuple[int, Dose]]] = defaultdict(list)
    for k in field.design.steps:
        change = field.binned.changes[k]
        if change.is_joint or change.rows.height != 1 or thin_sides(field.binned, k):
            continue
        if near_change_point(beside, k):
            continue
        dose = dose_of(change.rows.row(0, named=True))
        if dose is not None:
            grouped[dose.label].append((k, dose))
    found = []
    for members in grouped.values():
        index = [field.design.names.index(f"step {k}") for k, _ in members]
        amounts = np.array([d.amount for _, d in members])
        block = Block(
            field.fit.coefficients[index],
            field.fit.covariance[np.ix_(index, index)] * widen**2,
            amounts,
            np.array([np.nan if d.midpoint is None else d.midpoint for _, d in members]),
        )
        estimate, variance = pool_within(block.estimates, block.covariance, amounts)
        before_s, after_s = np.array([field.binned.seconds_beside(k) for k, _ in members]).sum(axis=0)
        found.append(
            _FieldEffect(
                field, members[0][1], estimate, variance, len(members), float(before_s), float(after_s), block
            )
        )
    return found


def _field_row(effect: _FieldEffect, outcome: str, season: SeasonOutcome) -> Row:
    binned = effect.fitted.binned
    pooled = pool_between(np.array([effect.estimate]), np.array([effect.variance]))
    return {
        "scope": "field",
        "machine": binned.machine,
        "field": binned.field,
        "crop": binned.crop,
        **_shared(effect, pooled, outcome, season, [effect], chance=pooled.p_value),
    }


def _season_rows(effects: Sequence[_FieldEffect], outcome: str, season: SeasonOutcome) -> list[Row]:
    crops = sorted({e.fitted.binned.crop for e in effects}, key=lambda c: (c is None, c or ""))
    groups: list[tuple[str | None, Sequence[_FieldEffect]]] = [
        (crop, [e for e in effects if e.fitted.binned.crop == crop]) for crop in crops
    ]
    if len(crops) > 1:
        groups.append((None, effects))
    rows = []
    for crop, members in groups:
        pooled = pool_between(
            np.array([e.estimate for e in members]), np.array([e.variance for e in members])
        )
        machines = {e.fitted.binned.machine for e in members}
        remarks = ["bends"] if _bends(members, pooled) else []
        remarks += ["one_field"] if len(members) == 1 else []
        next_field = pooled.next_field()
        ends = [None if next_field is None else 100 * float(np.expm1(end)) for end in next_field or (0, 0)]
        rows.append(
            {
                "scope": "season",
                "machine": machines.pop() if len(machines) == 1 else None,
                "field": None,
                "crop": crop,
                **_shared(members[0], pooled, outcome, season, members, remarks),
                "next_field_percent_low": ends[0],
                "next_field_percent_high": ends[1],
                "p_value": pooled.p_value,
            }
        )
    return rows


def _bends(members: Sequence[_FieldEffect], pooled: Pooled) -> bool:
    """Whether a step clearly does not do the same all along the setting (one in a hundred by chance)."""
    blocks = [e.block for e in members if e.block is not None and np.isfinite(e.block.midpoints).all()]
    return bool(blocks) and bend(blocks, pooled.between**2) < BEND_CHANCE


def _shared(
    effect: _FieldEffect,
    pooled: Pooled,
    outcome: str,
    season: SeasonOutcome,
    members: Sequence[_FieldEffect],
    remarks: Sequence[str] = (),
    chance: float = 0.0,
) -> Row:
    flaws = sorted({f for e in members for f in (*e.fitted.binned.flaws.get(outcome, []), *e.remarks)})
    found = answer(pooled.estimate, pooled.low, pooled.high, [], [*flaws, *remarks], chance)
    return {
        "setting": effect.dose.setting,
        "from_value": effect.dose.from_value,
        "to_value": effect.dose.to_value,
        "unit": effect.dose.unit,
        "outcome": outcome,
        **numbers(found),
        "per_step": effect.dose.per_step,
        "verdict": found.verdict,
        "reasons": list(found.reasons),
        "readings_before": sum(e.before_s for e in members),
        "readings_after": sum(e.after_s for e in members),
        "adjustments_pooled": sum(e.adjustments for e in members),
        "placebos": season.placebos.count,
    }
