"""The fitted season as rows of ``effects``: single adjustments, fields, machines, then the season."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from itertools import chain
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import Change
from chaffinch.pipelines.estimate.data.design import CONDITIONED, LOSSES
from chaffinch.pipelines.estimate.data.doses import Diameters
from chaffinch.pipelines.estimate.data.regimes import as_dew_comes, coincides, regime_starts, ways_of
from chaffinch.pipelines.estimate.data.settings_clock import SAME_CLOCK_S, ClockOffset
from chaffinch.pipelines.estimate.model.rises import ROSE
from chaffinch.pipelines.estimate.model.season import (
    FieldOutcome,
    FitsOf,
    SeasonOutcome,
    fits_of,
    near_change_point,
)
from chaffinch.pipelines.estimate.results.calibration import (
    Calibration,
    Level,
    MachineCrop,
    calibration_of,
    capacity_at_share,
    kg_ha,
    level_before,
)
from chaffinch.pipelines.estimate.results.capacity import CAPACITY_LOSSES, capacity_effect, capacity_season
from chaffinch.pipelines.estimate.results.company import (
    dew_shows,
    explaining_step,
    machines_in_company,
    share_of_moments,
)
from chaffinch.pipelines.estimate.results.shared_changes import ChangeKey, ToShare, to_share
from chaffinch.pipelines.estimate.results.shared_rows import Shared, SharedOutcome, effect_rows
from chaffinch.pipelines.estimate.results.spread_draws import KeptDraws
from chaffinch.pipelines.estimate.results.verdicts import (
    LEAST_OVERLAP,
    THIN,
    Answer,
    BothSides,
    alone_columns,
    answer,
    answer_columns,
    answer_with_error,
    refuse,
)
from chaffinch.schemas.declarations import reference_loss_share
from chaffinch.schemas.tables import NOT_LOGGED, OUTCOMES

Row = dict[str, Any]

# What a row of one adjustment has of it.
ADJUSTED = ("time", "setting", "from_value", "to_value", "unit")
# So near to a change, a step that was not logged is said there too.
NEAR_S = 1800.0
# Times known less exactly than this are worth a remark.
TIME_UNCERTAIN_S = 60.0
# A hidden step of more than this (log) is shown as this.
LARGEST_STEP = 5.0
# Widening by less is within what placebos differ by chance, and is not worth a word.
CLEARLY_WIDENED = 1.1
# Outcomes of the two loss signals' sum, which a loss check weighs.
SUMMED = ("machine_loss", "capacity")
# What is said of the loss holds for the capacity that follows from it.
SAID_OF_CAPACITY = (
    "joint_change",
    "range_widened",
    "uncalibrated_sum",
    "loss_spiked_before",
    "moisture_moved",
    "near_not_logged",
    "steered_by_loss",
)


@dataclass(frozen=True, slots=True)
class ByOwnLog:
    """What each log alone says of each change. season : outcomes fitted, with capacity. alone : by change.
    not_logged : rows of steps that no log records."""

    fields: Sequence[Binned]
    season: Mapping[str, SeasonOutcome]
    alone: Mapping[tuple[int, int, str], _Alone]
    not_logged: Sequence[Row]

    def usable(self, outcome: str) -> set[ChangeKey]:
        """The changes that may be shared: nothing of them was refused."""
        return {(of, k) for (of, k, about), one in self.alone.items() if about == outcome and one.usable}

    def summed_up(self) -> ByOwnLog:
        """The same without bins and without what fits say of the noise, which are most of a season's memory."""
        every = {id(f.binned): f.binned for one in self.season.values() for f in one.fields}
        every |= {id(binned): binned for binned in self.fields}
        summed = {of: binned.summed_up() for of, binned in every.items()}
        season = {
            name: replace(
                one, fields=[replace(f, binned=summed[id(f.binned)], witness=None) for f in one.fields]
            )
            for name, one in self.season.items()
        }
        alone = {(id(summed[of]), k, name): one for (of, k, name), one in self.alone.items()}
        return ByOwnLog([summed[id(one)] for one in self.fields], season, alone, self.not_logged)


def by_own_log(
    fields: Sequence[Binned],
    season: Mapping[str, SeasonOutcome],
    calibrations: Mapping[MachineCrop, Calibration],
    clocks: Mapping[str, ClockOffset] | None = None,
) -> ByOwnLog:
    """Every change of ``fields`` by its own log alone. clocks : as of ``effects_table``."""
    every = dict(season)
    if (capacity := capacity_season(season)) is not None:
        every["capacity"] = capacity
    in_company, dewy, fits = machines_in_company(season), dew_shows(season), fits_of(season)
    in_doubt = {machine for machine, clock in (clocks or {}).items() if clock.doubtful and not clock.ranged}
    alone = {
        (id(binned), k, name): found
        for binned in fields
        for k, name, found in _alone_answers(
            binned,
            season,
            fits,
            calibration_of(binned, calibrations),
            binned.machine in in_company,
            dewy,
            binned.machine in in_doubt,
        )
    }
    not_logged = [row for name, outcome in season.items() for row in _not_logged_rows(name, outcome)]
    return ByOwnLog(fields, every, alone, not_logged)


def to_share_of(
    own: ByOwnLog,
    calibrations: Mapping[MachineCrop, Calibration],
    diameters_m: Diameters,
    draws: Mapping[str, KeptDraws],
) -> list[ToShare]:
    """The outcomes whose changes share evidence. draws : of their spreads, by outcome, as far as they are known.

    calibrations : by machine and crop, where loss checks weigh its signals. diameters_m : of drums and rotors, by
    setting and machine.
    """
    every = (
        to_share(one, own.usable(name), diameters_m, partial(level_of, calibrations, name), draws.get(name))
        for name, one in own.season.items()
    )
    return [one for one in every if one is not None]


def effects_table(
    own: ByOwnLog,
    sharing: Sequence[ToShare],
    shared: Iterable[SharedOutcome],
    calibrations: Mapping[MachineCrop, Calibration],
    unanswered: Sequence[Unanswered] = (),
    clocks: Mapping[str, ClockOffset] | None = None,
    only: Collection[str] | None = None,
) -> pl.DataFrame:
    """Rows of the ``effects`` contract, in a stable order.

    own : all field jobs of the season, also those without an adjustment. shared : what came of each of ``sharing``.
    calibrations : as for ``to_share_of``. unanswered : field jobs that can't be estimated at all. clocks : how far
    settings logs were found off by what the changes did, by machine. only : as of ``share``.
    """

    def asked(machine: str) -> bool:
        return only is None or machine in only

    fields, every, alone = own.fields, own.season, own.alone
    season = {name: outcome for name, outcome in every.items() if name != "capacity"}
    answers: dict[str, dict[ChangeKey, Shared]] = {}
    pooled: list[pl.DataFrame] = []
    for what, one in zip(sharing, shared, strict=True):
        answers[what.outcome] = dict(zip(what.keys(only), one.changes, strict=True))
        pooled.append(one.rows)
    fits = fits_of(season)
    of_fields = (
        row
        for binned in fields
        if asked(binned.machine)
        for row in _field_rows(
            binned, every, alone, fits, answers, calibrations, (clocks or {}).get(binned.machine)
        )
    )
    without = (row for one in unanswered if asked(one.machine) for row in _unanswered_rows(one))
    not_logged = (row for row in own.not_logged if asked(row["machine"]))
    return effects_in_order(pl.concat([effect_rows(chain(of_fields, not_logged, without)), *pooled]))


def effects_in_order(frame: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``effects``: adjustments, fields, machines, the season; rows of one place and time stay in order."""
    scopes = {"adjustment": 0, "field": 1, "machine": 2, "season": 3}
    return (
        frame.with_columns(pl.col("scope").replace_strict(scopes, default=4).alias("_scope"))
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
    """A field job without usable work: its adjustments are answered by `cannot tell` and the ``reason``."""

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
                **{name: adjustment[name] for name in ADJUSTED},
                "trial": adjustment.get("trial"),
                "outcome": outcome,
                "verdict": "cannot tell",
                "reasons": [one.reason],
                "readings_before": 0.0,
                "readings_after": 0.0,
                "adjustments_pooled": 1,
            }


@dataclass(frozen=True, slots=True)
class _Alone:
    """What one log says of one outcome of a change. usable : nothing was refused but, in a trial, a short side.
    placebos : behind its range."""

    found: Answer
    usable: bool
    placebos: int


def _alone_answers(
    binned: Binned,
    season: Mapping[str, SeasonOutcome],
    fits: FitsOf,
    calibration: Calibration | None,
    in_company: bool,
    dewy: bool,
    in_doubt: bool,
) -> Iterator[tuple[int, str, _Alone]]:
    """Every change of one field job and every outcome that its log can answer: (change, outcome, answer).

    in_company : of ``machines_in_company``. dewy : of ``dew_shows``. in_doubt : of the clock of its settings log.
    """
    starts = regime_starts(binned, ways_of(binned))
    fitted = {name: fits.get((id(binned), name)) for name in season if name in binned.outcomes}
    for k, change in enumerate(binned.changes):
        sides = replace(
            BothSides.of(binned, k),
            by_step=near_change_point(fitted.values(), k),
            in_company=in_company,
            at_regime=coincides(binned, k, starts) or (dewy and as_dew_comes(binned, k)),
            clock_doubtful=in_doubt and change.by_settings_log and not change.on_plan,
        )
        for name in OUTCOMES:
            if name == "capacity":
                one = _capacity(binned, k, sides, fitted, season)
            elif name in fitted:
                one = _effect(binned, k, sides, name, fitted[name], season[name])
            else:
                continue
            if one is not None:
                if calibration is not None:
                    # A loss check is what this remark asks for.
                    reasons = tuple(r for r in one.found.reasons if r != "uncalibrated_sum")
                    one = replace(one, found=replace(one.found, reasons=reasons))
                yield k, name, one


def _field_rows(
    binned: Binned,
    season: Mapping[str, SeasonOutcome],
    alone: Mapping[tuple[int, int, str], _Alone],
    fits: FitsOf,
    shared: Mapping[str, Mapping[ChangeKey, Shared]],
    calibrations: Mapping[MachineCrop, Calibration],
    clock: ClockOffset | None,
) -> Iterator[Row]:
    """Rows of every change of one field job."""
    key = id(binned)
    loss = fits.get((key, "machine_loss"))
    for k, change in enumerate(binned.changes):
        found: dict[str, Answer] = {}
        for name in OUTCOMES:
            if (key, k, name) not in alone:
                continue
            one, more = alone[key, k, name], shared.get(name, {}).get((key, k))
            found[name] = _shared_answer(one, more)
            calibration = calibration_of(binned, calibrations)
            if name == "capacity":
                weighed = None if calibration is None else calibration.at(change.first_s)
                absolute = _capacity_t_h(k, found, loss, weighed)
            else:
                level = level_before(binned, k, calibrations) if name == "machine_loss" else None
                absolute = kg_ha([level] if level else [], found[name])
            for adjustment in change.rows.iter_rows(named=True):
                row = _row(binned, k, change, adjustment, name, found[name], absolute, one.placebos)
                row |= alone_columns(one.found)
                if name in LOSSES:
                    row |= _hidden_step(
                        found[name], one.found, season[name].placebo_steps.get(binned.machine)
                    )
                if more is not None and found[name].verdict != "cannot tell":
                    row |= {"chance_less": more.chance_less, "shared_with": more.shared_with}
                yield row | _clock(change, adjustment, clock, row["reasons"])


def _hidden_step(shown: Answer, alone: Answer, placebo_steps: Array | None) -> dict[str, float | None]:
    """What would explain a called verdict away: a step at the same moment, %, and how often one as large is seen."""
    called = shown.verdict in ("less", "more")
    step = explaining_step(shown.low, shown.high, alone.high - alone.low) if called else None
    if step is None:
        return {}
    percent = 100 * float(np.expm1(min(step, LARGEST_STEP)))
    return {"hidden_step_percent": percent, "hidden_step_share": share_of_moments(step, placebo_steps)}


def _shared_answer(one: _Alone, shared: Shared | None) -> Answer:
    """The answer of all logs together. What its own log refuses stays refused, whatever others say."""
    reasons = [r for r in one.found.reasons if r != "wide_range" or not one.usable]
    if shared is None or set(THIN) & set(reasons):
        return refuse(*(reasons or ["no_readings"]))
    return answer(shared.log_ratio, shared.low, shared.high, [], reasons)


def level_of(
    calibrations: Mapping[MachineCrop, Calibration], outcome: str, fitted: FieldOutcome, k: int
) -> Level | None:
    """Machine loss before change ``k``, for outcomes that are about it; None where no loss check weighs it."""
    return level_before(fitted.binned, k, calibrations) if outcome in SUMMED else None


def _effect(
    binned: Binned,
    k: int,
    sides: BothSides,
    outcome: str,
    fitted: FieldOutcome | None,
    season: SeasonOutcome,
) -> _Alone:
    refusals = list(sides.thin)
    faults = binned.flaws.get(outcome, [])
    refusals += ["clock_doubtful"] * sides.clock_doubtful
    refusals += [f for f in faults if f in ("signal_dead", "signal_saturated", "signal_often_zero")]
    remarks = [f for f in faults if f not in refusals]
    if outcome in CONDITIONED and not refusals and sides.overlap < LEAST_OVERLAP:
        refusals.append("no_overlap")
    if outcome in LOSSES and sides.by_step:
        refusals.append("beside_not_logged")
    if outcome in LOSSES and sides.at_regime:
        refusals.append("regime_began")
    if outcome in LOSSES and sides.in_company:
        refusals.append("made_as_loss_rose")
    if fitted is None or k not in fitted.design.steps:
        return _Alone(refuse(*(refusals or ["no_readings"])), False, season.placebos.count)
    remarks += fitted.doubts_of(k)
    if outcome in CONDITIONED and sides.moisture_moved:
        remarks.append("moisture_moved")
    if binned.changes[k].is_joint:
        remarks.append("joint_change")
    if binned.changes[k].time_uncertain_s >= TIME_UNCERTAIN_S:
        remarks.append("time_uncertain")
    if fitted.nearest_change_point_s(k) < NEAR_S:
        remarks.append("near_not_logged")
    if season.reacted:
        remarks.append("loss_spiked_before")
    rose = fitted.rises.get(k, 0.0) > ROSE
    if rose and season.placebos.widen_after_rise > CLEARLY_WIDENED * season.placebos.widen:
        remarks.append("rose_just_before")
    if season.placebos.widen > CLEARLY_WIDENED:
        remarks.append("range_widened")
    i = fitted.design.names.index(f"step {k}")
    estimate, error = float(fitted.fit.coefficients[i]), float(np.sqrt(fitted.fit.covariance[i, i]))
    freedom, widen = float(fitted.fit.freedom[i]), season.placebos.widen
    found = answer_with_error(estimate, error, freedom, widen, refusals, remarks)
    against = [code for code in refusals if not (sides.repeated and code in THIN)]
    return _Alone(found, not against, season.placebos.count)


def _capacity(
    binned: Binned,
    k: int,
    sides: BothSides,
    fitted: Mapping[str, FieldOutcome | None],
    season: Mapping[str, SeasonOutcome],
) -> _Alone | None:
    """Capacity at the same machine loss, or at the one loss that is logged."""
    name = next((o for o in CAPACITY_LOSSES if o in fitted), None)
    if name is None:
        return None
    loss, one = _effect(binned, k, sides, name, fitted[name], season[name]), fitted[name]
    if one is None or not loss.usable:
        return _Alone(refuse(*loss.found.reasons), False, loss.placebos)
    found = capacity_effect(one.design, one.fit, k, season[name].placebos.widen)
    if found.verdict == "cannot tell":
        return _Alone(found, False, loss.placebos)
    remarks = [r for r in loss.found.reasons if r in (*SAID_OF_CAPACITY, *THIN)]
    return replace(loss, found=replace(found, reasons=(*found.reasons, *remarks)))


def _clock(
    change: Change, adjustment: Row, by_responses: ClockOffset | None, reasons: list[str]
) -> dict[str, Any]:
    """What is known of the clock by which the change was written down, and the row's reasons with it."""
    columns = {name: adjustment.get(name) for name in ("clock_off_s", "clock_off_low_s", "clock_off_high_s")}
    if columns["clock_off_s"] is not None:
        applied = abs(columns["clock_off_s"]) > SAME_CLOCK_S
    elif by_responses is not None and change.by_settings_log:
        columns = dict(zip(columns, (by_responses.seconds, by_responses.low, by_responses.high), strict=True))
        applied = by_responses.sure
    else:
        return columns
    return {**columns, "reasons": [*reasons, *["clock_corrected"] * applied]}


def _not_logged_rows(outcome: str, season: SeasonOutcome) -> Iterator[Row]:
    """Steps that no log records. What made them is not known, so the verdict is `cannot tell`."""
    for fitted in season.fields:
        binned = fitted.binned
        for step in fitted.change_points:
            found = answer_with_error(
                step.estimate, step.error, float("inf"), season.placebos.widen, ["not_logged"]
            )
            yield {
                "scope": "adjustment",
                **binned.place,
                "time": datetime.fromtimestamp(round(step.time_s), UTC),
                "setting": NOT_LOGGED,
                "outcome": outcome,
                **answer_columns(found),
                "readings_before": float(binned.seconds[binned.time_s < step.time_s].sum()),
                "readings_after": float(binned.seconds[binned.time_s >= step.time_s].sum()),
                "adjustments_pooled": 1,
                "placebos": season.placebos.count,
            }


def _capacity_t_h(
    k: int, found: Mapping[str, Answer], machine_loss: FieldOutcome | None, calibration: Calibration | None
) -> tuple[float, float, float] | None:
    """Change of the capacity at the crop's reference loss share, t/h, where loss is calibrated."""
    if machine_loss is None or calibration is None or found["capacity"].verdict == "cannot tell":
        return None
    crop = machine_loss.binned.crop
    return capacity_at_share(machine_loss, k, found["machine_loss"], calibration, reference_loss_share(crop))


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
    around = binned.around(k)
    first = change.rows["time"][0]
    joint = f"{binned.machine} {first:%Y-%m-%dT%H:%M:%SZ}" if change.is_joint else None
    return {
        "scope": "adjustment",
        **binned.place,
        **{name: adjustment[name] for name in ADJUSTED},
        "joint_id": joint,
        "trial": adjustment.get("trial"),
        "outcome": outcome,
        **answer_columns(found),
        "absolute": absolute[0] if absolute else None,
        "absolute_low": absolute[1] if absolute else None,
        "absolute_high": absolute[2] if absolute else None,
        "absolute_unit": ("t/h" if outcome == "capacity" else "kg/ha") if absolute else None,
        "readings_before": around.seconds[0],
        "readings_after": around.seconds[1],
        "adjustments_pooled": 1,
        "placebos": placebos,
        "plain_percent": around.plain_percent.get(outcome),
    }
