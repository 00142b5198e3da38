"""Estimate: what each adjustment did, with a range that can be believed.

``estimate_effects`` is the stage: binned field jobs in, rows of ``effects`` out. ``refresh_answers`` feeds
it from a lake.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from itertools import islice
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.estimate.clocks.by_responses import (
    clock_offsets,
    on_one_clock,
    responses_to_changes,
)
from chaffinch.pipelines.estimate.clocks.lateness import allowing_for_delays, delays_of_rows
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import real_adjustments as real_adjustments
from chaffinch.pipelines.estimate.data.doses import Diameters
from chaffinch.pipelines.estimate.data.settings_clock import ClockOffset
from chaffinch.pipelines.estimate.derived_tables import Plan, plan_jobs, prepare_marked, prepared_harvests
from chaffinch.pipelines.estimate.kept.kept_season import AS_LOGGED, KeptSeason
from chaffinch.pipelines.estimate.model.steering import feed_by_ground, machines_that_steer
from chaffinch.pipelines.estimate.responses.loss_curves import loss_curves_table
from chaffinch.pipelines.estimate.responses.response_curves import (
    Curves,
    ToDraw,
    all_responses,
    curves_of,
    to_draw,
)
from chaffinch.pipelines.estimate.responses.response_rows import values_in_use
from chaffinch.pipelines.estimate.results.calibration import MachineCrop
from chaffinch.pipelines.estimate.results.crop_entered import of_all_that_entered
from chaffinch.pipelines.estimate.results.effects_table import (
    ByOwnLog,
    Unanswered,
    by_own_log,
    effects_table,
    to_share_of,
)
from chaffinch.pipelines.estimate.results.shared_rows import SharedOutcome, share
from chaffinch.pipelines.estimate.results.signal_weights import allowing_for_weights, in_likely_units
from chaffinch.pipelines.estimate.signals.known_signals import (
    KnownSignals,
    allowing_for_signals,
    losses_by_checks,
)
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.parallel.memory import give_back_memory
from chaffinch.pipelines.parallel.processes import processes_for, through_processes
from chaffinch.pipelines.work import machine_delays, mark_work
from chaffinch.pipelines.work.delays.lag import Delays
from chaffinch.schemas.tables import tables


@dataclass(frozen=True, slots=True)
class Answers:
    """Rows of the tables ``effects``, ``responses`` and ``loss_curves``."""

    effects: pl.DataFrame
    responses: pl.DataFrame
    loss_curves: pl.DataFrame


def estimate_effects(
    fields: Sequence[Binned],
    signals: KnownSignals | None = None,
    unanswered: Sequence[Unanswered] = (),
    diameters_m: Diameters | None = None,
    each: FanOut = one_by_one,
) -> pl.DataFrame:
    """Effects of all adjustments of a season, rows of the ``effects`` contract (``computed_at`` null).

    fields : field jobs after ``bin_work``, corrected by ``signals``, what loss checks show about them
    (``losses_by_checks``). unanswered : field jobs without usable work.
    diameters_m : of drums and rotors, by setting and machine, so that their speeds pool over machines.
    Where what the changes did shows the clock of a settings log to be off, they are moved and all is fitted
    again; where their rows come late by delays of their own, or settings move slowly, those minutes are left out;
    where a driver steered by the loss monitor, feed rates are those of the ground's yield;
    where the clock stays in doubt, the minutes of its range are left out too, or nothing is answered.
    ``each`` spreads what is fitted over outcomes.
    """
    alone = _by_own_log(*_ready(fields, signals), each, KeptSeason())
    return _together(alone, unanswered, diameters_m or {}, each).effects


def estimate_answers(
    fields: Sequence[Binned],
    signals: KnownSignals | None = None,
    unanswered: Sequence[Unanswered] = (),
    diameters_m: Diameters | None = None,
    each: FanOut = one_by_one,
    kept: KeptSeason | None = None,
) -> Answers:
    """``estimate_effects``, how outcomes respond to each numeric setting along the values tried, and where each
    machine works on its loss curve. kept : of earlier nights, which is used again, and brought up to date."""
    kept = kept or KeptSeason()
    alone = _by_own_log(*_ready(fields, signals), each, kept)
    return _together(alone, unanswered, diameters_m or {}, each, kept)


@dataclass(frozen=True, slots=True)
class _Alone:
    """What each log says alone, without its bins, and what follows from it alone: clocks of settings logs by
    responses, and rows of ``loss_curves``. known : what loss checks say of the signals."""

    own: ByOwnLog
    known: KnownSignals
    clocks: dict[str, ClockOffset]
    loss_curves: pl.DataFrame


def _ready(fields: Sequence[Binned], signals: KnownSignals | None) -> tuple[list[Binned], KnownSignals]:
    """``fields`` as they are fitted."""
    known = signals or KnownSignals()
    return of_all_that_entered(in_likely_units(fields), known.calibrations), known


def _by_own_log(fields: Sequence[Binned], known: KnownSignals, each: FanOut, kept: KeptSeason) -> _Alone:
    """All outcomes fitted, and what each log says alone; the clocks of settings logs by responses."""
    if not any(f.changes for f in fields):
        return _Alone(by_own_log([], {}, {}), known, {}, tables()["loss_curves"].empty())
    season = kept.fit(fields, AS_LOGGED, each)
    if steering := machines_that_steer(season):
        fields = [feed_by_ground(f) if f.machine in steering else f for f in fields]
        season = kept.fit(fields, "steered", each)
    responses = responses_to_changes(fields, season, kept.clock_evidence)
    delays = delays_of_rows(responses)
    if any(delays):
        fields = [allowing_for_delays(f, *delays) for f in fields]
        season = kept.fit(fields, f"late by {delays}", each)
        responses = responses_to_changes(fields, season, kept.clock_evidence)
    clocks = clock_offsets(responses, season)
    if any(clock.sure or clock.ranged for clock in clocks.values()):
        fields = [by_clock(f, clocks.get(f.machine)) for f in fields]
        season = kept.fit(fields, "clocks set", each)
    with_changes = [f for f in fields if f.changes]
    season = allowing_for_signals(allowing_for_weights(season), known)
    own = by_own_log(with_changes, season, known.calibrations, clocks)
    curves = loss_curves_table(own.fields, own.season, known.calibrations)
    return _Alone(own.summed_up(), known, clocks, curves)


def _together(
    alone: _Alone,
    unanswered: Sequence[Unanswered],
    diameters_m: Diameters,
    each: FanOut,
    kept: KeptSeason | None = None,
) -> Answers:
    """All logs together; without ``kept`` no responses. Outcomes are spread; while curves are drawn in other
    processes, this one puts the effects together."""
    own, calibrations = alone.own, alone.known.calibrations
    shares = {} if kept is None else kept.shares
    sharing = to_share_of(own, calibrations, diameters_m, shares)
    drawing: list[ToDraw] = []
    if kept is not None:
        in_use = values_in_use(own.fields)
        every = (to_draw(one, in_use, kept.responses.get(one.outcome)) for one in sharing)
        drawing = [one for one in every if one is not None]
    many = processes_for(len(own.fields))
    work: list[partial[Any]] = [
        *(partial(share, one) for one in sharing),
        *(partial(curves_of, one) for one in drawing),
    ]
    done: Iterator[Any] = through_processes(
        each, "share", _made, work, lambda one: str(one.args[0].outcome), many
    )
    shared: list[SharedOutcome] = list(islice(done, len(sharing)))
    effects = effects_table(own, sharing, shared, calibrations, unanswered, alone.clocks)
    curves: list[Curves] = list(done)
    if kept is not None:
        kept.shares.update({what.outcome: one.draws for what, one in zip(sharing, shared, strict=True)})
        drawn = zip(drawing, curves, strict=True)
        kept.responses.update({what.outcome: one.draws for what, one in drawn if one.draws is not None})
    return Answers(effects, all_responses([one.rows for one in curves]), alone.loss_curves)


def _made(work: partial[Any]) -> Any:
    return work()


def by_clock(binned: Binned, clock: ClockOffset | None) -> Binned:
    """The field job with its changes where the ``clock`` of its settings log has them."""
    if clock is not None and clock.sure:
        return on_one_clock(binned, clock.seconds)
    if clock is not None and clock.ranged:
        return allowing_for_delays(binned, clock.high, -clock.low)
    return binned


def prepare(
    readings: pl.DataFrame,
    adjustments: pl.DataFrame,
    checks: pl.DataFrame | None = None,
    delays: Delays | None = None,
) -> tuple[Binned | None, np.ndarray]:
    """One field job from readings to bins, and what its loss checks say of its signals (``check_pairs``).

    readings : rows of one field job. adjustments : real adjustments of its machine. checks : loss checks of
    the field job with ``machine_loss_kg_ha`` known. delays : from header to sensors; read off ``readings``
    alone where they are not given.
    """
    ordered = readings.sort("time", maintain_order=True)
    delays = delays or machine_delays(ordered)
    return prepare_marked(mark_work(ordered, delays), adjustments, checks, delays)


def refresh_answers(
    lake: ReadableLake,
    farm: Farm,
    each: FanOut = one_by_one,
    plan: Plan | None = None,
    kept: KeptSeason | None = None,
) -> Answers:
    """The answers of everything in the lake, computed now.

    plan : of the field jobs of the lake, where it is known already. ``each`` spreads preparing over field jobs,
    and outcomes, each fitted to all of them together. kept : of earlier nights, as of ``estimate_answers``.
    """
    kept = kept or KeptSeason()
    moment = datetime.now(UTC)
    alone, unanswered = _alone_of_lake(plan or plan_jobs(lake, farm, each), each, kept, moment)
    give_back_memory()
    answers = _together(alone, unanswered, farm.diameters_m(), each, kept)
    kept.end()
    now = pl.lit(moment).cast(pl.Datetime("us", "UTC")).alias("computed_at")
    return replace(answers, effects=answers.effects.with_columns(now))


def _alone_of_lake(
    plan: Plan, each: FanOut, kept: KeptSeason, moment: datetime
) -> tuple[_Alone, list[Unanswered]]:
    """What each log of a lake says alone, and the field jobs that can't be answered. The bins are freed with it."""
    fields: list[Binned] = []
    unanswered: list[Unanswered] = []
    pairs: dict[MachineCrop, list[np.ndarray]] = defaultdict(list)
    for harvest, of, found in prepared_harvests(plan, each):
        if not isinstance(harvest, Binned):
            unanswered.append(harvest)
            continue
        fields.append(harvest)
        # Where losses are logged in kg/s, checks say nothing of signals in units of their own.
        if not harvest.calibrated:
            pairs[of].append(found)
    kept.begin(fields, moment)
    # The same name, so that the bins as logged are freed.
    fields, kept.signals = losses_by_checks(fields, pairs, kept.signals)
    fields, known = _ready(fields, kept.signals)
    give_back_memory()
    return _by_own_log(fields, known, each, kept), unanswered
