"""The fitted season as rows of ``effects``: single adjustments, then fields, then the season."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import Change
from chaffinch.pipelines.estimate.data.design import CONDITIONED, LOSSES
from chaffinch.pipelines.estimate.data.settings_clock import SAME_CLOCK_S, ClockOffset
from chaffinch.pipelines.estimate.model.season import FieldOutcome, SeasonOutcome, near_change_point
from chaffinch.pipelines.estimate.results.calibration import (
    Calibration,
    MachineCrop,
    absolute_effect,
    calibration_of,
    capacity_at_share,
)
from chaffinch.pipelines.estimate.results.capacity import CAPACITY_LOSSES, capacity_effect, capacity_season
from chaffinch.pipelines.estimate.results.pooled_rows import Diameters, pooled_rows
from chaffinch.pipelines.estimate.results.verdicts import (
    LEAST_OVERLAP,
    Answer,
    Beside,
    answer,
    by_chance,
    numbers,
    reach,
    refuse,
)
from chaffinch.schemas.declarations import reference_loss_share
from chaffinch.schemas.tables import NOT_LOGGED, OUTCOMES, tables

Row = dict[str, Any]

# So near to a change, a step that was not logged is said there too.
NEAR_S = 1800.0
# Widening by less is within what placebos differ by chance, and is not worth a word.
CLEARLY_WIDENED = 1.1
# What is said of the loss holds for the capacity that follows from it.
SAID_OF_CAPACITY = (
    "joint_change",
    "range_widened",
    "uncalibrated_sum",
    "loss_spiked_before",
    "moisture_moved",
    "near_not_logged",
)


def effects_table(
    fields: Sequence[Binned],
    season: Mapping[str, SeasonOutcome],
    calibrations: Mapping[MachineCrop, Calibration],
    unanswered: Sequence[Unanswered] = (),
    diameters_m: Diameters | None = None,
    clocks: Mapping[str, ClockOffset] | None = None,
) -> pl.DataFrame:
    """Rows of the ``effects`` contract, in a stable order.

    fields : all machine-fields of the season, also those without an adjustment. season : fitted outcomes by
    name. calibrations : by machine and crop, where loss checks tell the weight of its signals. unanswered :
    machine-fields that can't be estimated at all. diameters_m : of drums and rotors, by setting and machine.
    clocks : how far settings logs were found off by what the changes did, by machine.
    """
    rows = [
        row
        for binned in fields
        for row in _field_rows(
            binned,
            season,
            calibration_of(binned, calibrations),
            (clocks or {}).get(binned.machine),
        )
    ]
    rows += [row for name, outcome in season.items() for row in _not_logged_rows(name, outcome)]
    rows += [row for one in unanswered for row in _unanswered_rows(one)]
    capacity = capacity_season(season)
    rows += pooled_rows({**season, **({"capacity": capacity} if capacity else {})}, diameters_m)
    table = tables()["effects"]
    if not rows:
        return table.empty()
    frame = pl.DataFrame(rows, schema_overrides=dict(table.polars_schema()), infer_schema_length=None)
    scopes = {"adjustment": 0, "field": 1, "season": 2}
    return (
        table.conform(frame)
        .with_columns(pl.col("scope").replace_strict(scopes, default=3).alias("_scope"))
        .sort(
            "_scope",
            "machine",
            "field",
            "crop",
            "time",
            "setting",
            "outcome",
            nulls_last=True,
            maintain_order=True,
        )
        .drop("_scope")
    )


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A machine-field without usable work: its adjustments are answered by `cannot tell` and the ``reason``."""

    machine: str
    field: str | None
    crop: str | None
    adjustments: pl.DataFrame
    outcomes: tuple[str, ...]
    reason: str


def _unanswered_rows(one: Unanswered) -> Iterator[Row]:
    for adjustment in one.adjustments.iter_rows(named=True):
        for outcome in one.outcomes:
            yield {
                "scope": "adjustment",
                "machine": one.machine,
                "field": one.field,
                "crop": one.crop,
                **{name: adjustment[name] for name in ("time", "setting", "from_value", "to_value", "unit")},
                "outcome": outcome,
                "verdict": "cannot tell",
                "reasons": [one.reason],
                "readings_before": 0.0,
                "readings_after": 0.0,
                "adjustments_pooled": 1,
            }


def _field_rows(
    binned: Binned,
    season: Mapping[str, SeasonOutcome],
    calibration: Calibration | None,
    clock: ClockOffset | None,
) -> Iterator[Row]:
    """Every change of one machine-field, every outcome that its log can tell of."""
    fitted = {name: _of(outcome, binned) for name, outcome in season.items() if name in binned.outcomes}
    for k, change in enumerate(binned.changes):
        beside = replace(Beside.of(binned, k), by_step=near_change_point(fitted.values(), k))
        weighed = None if calibration is None else calibration.at(change.first_s)
        for name in OUTCOMES:
            if name == "capacity":
                found, placebos = _capacity(binned, k, beside, fitted, season)
            elif name in fitted:
                found, placebos = _effect(binned, k, beside, name, fitted[name], season[name])
            else:
                continue
            if found is None:
                continue
            if calibration is not None:
                # A loss check is what this remark asks for.
                found = replace(found, reasons=tuple(r for r in found.reasons if r != "uncalibrated_sum"))
            if name == "capacity":
                absolute = _capacity_t_h(k, found, fitted.get("machine_loss"), weighed)
            else:
                absolute = absolute_effect(binned, k, name, found, weighed)
            for adjustment in change.rows.iter_rows(named=True):
                row = _row(binned, k, change, adjustment, name, found, absolute, placebos)
                yield row | _clock(change, adjustment, clock, row["reasons"])


def _of(outcome: SeasonOutcome, binned: Binned) -> FieldOutcome | None:
    return next((f for f in outcome.fields if f.binned is binned), None)


def _effect(
    binned: Binned,
    k: int,
    beside: Beside,
    outcome: str,
    fitted: FieldOutcome | None,
    season: SeasonOutcome,
) -> tuple[Answer, int]:
    refusals = list(beside.thin)
    faults = binned.flaws.get(outcome, [])
    refusals += [f for f in faults if f in ("signal_dead", "signal_saturated")]
    remarks = [f for f in faults if f not in refusals]
    if outcome in CONDITIONED and not refusals and beside.overlap < LEAST_OVERLAP:
        refusals.append("no_overlap")
    if outcome in LOSSES and beside.by_step:
        refusals.append("beside_not_logged")
    if fitted is None or k not in fitted.design.steps:
        return refuse(*(refusals or ["no_readings"])), season.placebos.count
    if outcome in CONDITIONED and beside.moisture_moved:
        remarks.append("moisture_moved")
    if binned.changes[k].is_joint:
        remarks.append("joint_change")
    if fitted.nearest_change_point_s(k) < NEAR_S:
        remarks.append("near_not_logged")
    if season.reacted:
        remarks.append("loss_spiked_before")
    if season.placebos.widen > CLEARLY_WIDENED:
        remarks.append("range_widened")
    i = fitted.design.names.index(f"step {k}")
    estimate = float(fitted.fit.coefficients[i])
    error = float(np.sqrt(fitted.fit.covariance[i, i]))
    freedom, widen = float(fitted.fit.freedom[i]), season.placebos.widen
    half, chance = reach(freedom, widen) * error, by_chance(estimate, widen * error, freedom)
    found = answer(estimate, estimate - half, estimate + half, refusals, remarks, chance)
    return found, season.placebos.count


def _capacity(
    binned: Binned,
    k: int,
    beside: Beside,
    fitted: Mapping[str, FieldOutcome | None],
    season: Mapping[str, SeasonOutcome],
) -> tuple[Answer | None, int]:
    """Capacity at the same machine loss, or at the one loss that is logged."""
    name = next((o for o in CAPACITY_LOSSES if o in fitted), None)
    if name is None:
        return None, 0
    loss, placebos = _effect(binned, k, beside, name, fitted[name], season[name])
    one = fitted[name]
    if one is None or loss.verdict == "cannot tell":
        return refuse(*loss.reasons), placebos
    found = capacity_effect(one.design, one.fit, k, season[name].placebos.widen)
    if found.verdict == "cannot tell":
        return found, placebos
    remarks = [r for r in loss.reasons if r in SAID_OF_CAPACITY]
    return replace(found, reasons=(*found.reasons, *remarks)), placebos


def _clock(
    change: Change, adjustment: Row, by_responses: ClockOffset | None, reasons: list[str]
) -> dict[str, Any]:
    """What is known of the clock by which the change was written down, and the row's reasons with it."""
    columns = {name: adjustment.get(name) for name in ("clock_off_s", "clock_off_low_s", "clock_off_high_s")}
    if columns["clock_off_s"] is not None:
        applied, doubtful = abs(columns["clock_off_s"]) > SAME_CLOCK_S, False
    elif by_responses is not None and change.by_settings_log:
        columns = dict(zip(columns, (by_responses.seconds, by_responses.low, by_responses.high), strict=True))
        applied, doubtful = by_responses.sure, by_responses.doubtful
    else:
        return columns
    said = ["clock_corrected"] * applied + ["clock_doubtful"] * doubtful
    return {**columns, "reasons": [*reasons, *said]}


def _not_logged_rows(outcome: str, season: SeasonOutcome) -> Iterator[Row]:
    """Steps that nothing written down tells of. What made them is not known, so the verdict is `cannot tell`."""
    for fitted in season.fields:
        binned = fitted.binned
        for step in fitted.change_points:
            half = reach(float("inf"), season.placebos.widen) * step.error
            found = answer(step.estimate, step.estimate - half, step.estimate + half, ["not_logged"], [])
            yield {
                "scope": "adjustment",
                "machine": binned.machine,
                "field": binned.field,
                "crop": binned.crop,
                "time": datetime.fromtimestamp(round(step.time_s), UTC),
                "setting": NOT_LOGGED,
                "outcome": outcome,
                **numbers(found),
                "verdict": found.verdict,
                "reasons": list(found.reasons),
                "readings_before": float(binned.seconds[binned.time_s < step.time_s].sum()),
                "readings_after": float(binned.seconds[binned.time_s >= step.time_s].sum()),
                "adjustments_pooled": 1,
                "placebos": season.placebos.count,
            }


def _capacity_t_h(
    k: int, found: Answer, machine_loss: FieldOutcome | None, calibration: Calibration | None
) -> tuple[float, float, float] | None:
    """Change of the capacity at the crop's reference loss share, t/h, where loss is calibrated."""
    if machine_loss is None or calibration is None or found.verdict == "cannot tell":
        return None
    return capacity_at_share(machine_loss, k, calibration, reference_loss_share(machine_loss.binned.crop))


def _row(
    binned: Binned,
    k: int,
    change: Change,
    adjustment: Row,
    outcome: str,
    found: Answer,
    absolute: tuple[float, float, float] | None,
    placebos: int,
) -> Row:
    before, after = binned.seconds_beside(k)
    first = change.rows["time"][0]
    joint = f"{binned.machine} {first:%Y-%m-%dT%H:%M:%SZ}" if change.is_joint else None
    return {
        "scope": "adjustment",
        "machine": binned.machine,
        "field": binned.field,
        "crop": binned.crop,
        "time": adjustment["time"],
        "setting": adjustment["setting"],
        "from_value": adjustment["from_value"],
        "to_value": adjustment["to_value"],
        "unit": adjustment["unit"],
        "joint_id": joint,
        "outcome": outcome,
        **numbers(found),
        "absolute": absolute[0] if absolute else None,
        "absolute_low": absolute[1] if absolute else None,
        "absolute_high": absolute[2] if absolute else None,
        "absolute_unit": ("t/h" if outcome == "capacity" else "kg/ha") if absolute else None,
        "verdict": found.verdict,
        "reasons": list(found.reasons),
        "readings_before": before,
        "readings_after": after,
        "adjustments_pooled": 1,
        "placebos": placebos,
        "plain_percent": binned.plain_percent(outcome, k),
    }
