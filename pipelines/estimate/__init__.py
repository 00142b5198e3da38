"""Estimate: what each adjustment did, with a range that can be believed.

``estimate_effects`` is the stage: binned field jobs in, rows of ``effects`` out. ``refresh_answers`` feeds
it from a lake.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial

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
from chaffinch.pipelines.estimate.responses.response_curves import responses_of
from chaffinch.pipelines.estimate.results.calibration import MachineCrop
from chaffinch.pipelines.estimate.results.crop_entered import of_all_that_entered
from chaffinch.pipelines.estimate.results.effects_table import (
    ByOwnLog,
    Unanswered,
    by_own_log,
    effects_table,
    level_of,
)
from chaffinch.pipelines.estimate.results.signal_weights import allowing_for_weights, in_likely_units
from chaffinch.pipelines.estimate.signals.known_signals import (
    KnownSignals,
    allowing_for_signals,
    losses_by_checks,
)
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.work import machine_delays, mark_work
from chaffinch.pipelines.work.delays.lag import Delays


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
    where the clock stays in doubt, nothing is answered. ``each`` spreads what is fitted over outcomes.
    """
    known = signals or KnownSignals()
    own, clocks = _by_own_log(fields, known, each)
    return effects_table(own, known.calibrations, unanswered, diameters_m, clocks, each)


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
    known, kept = signals or KnownSignals(), kept or KeptSeason()
    own, clocks = _by_own_log(fields, known, each, kept)
    effects = effects_table(own, known.calibrations, unanswered, diameters_m, clocks, each, kept.shares)
    usable = {name: own.usable(name) for name in own.season}
    levels = {name: partial(level_of, known.calibrations, name) for name in own.season}
    responses = responses_of(own.season, usable, own.fields, diameters_m or {}, levels, each, kept.responses)
    return Answers(effects, responses, loss_curves_table(own.fields, own.season, known.calibrations))


def _by_own_log(
    fields: Sequence[Binned], known: KnownSignals, each: FanOut, kept: KeptSeason | None = None
) -> tuple[ByOwnLog, dict[str, ClockOffset]]:
    """All outcomes fitted, and what each log says alone; the clocks of settings logs by responses."""
    if not any(f.changes for f in fields):
        return by_own_log([], {}, {}), {}
    fields = of_all_that_entered(in_likely_units(fields), known.calibrations)
    kept = KeptSeason() if kept is None else kept
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
    if any(clock.sure for clock in clocks.values()):
        fields = [
            on_one_clock(f, clocks[f.machine].seconds)
            if f.machine in clocks and clocks[f.machine].sure
            else f
            for f in fields
        ]
        season = kept.fit(fields, "clocks set", each)
    with_changes = [f for f in fields if f.changes]
    season = allowing_for_signals(allowing_for_weights(season), known)
    return by_own_log(with_changes, season, known.calibrations, clocks), clocks


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
    fields: list[Binned] = []
    unanswered: list[Unanswered] = []
    pairs: dict[MachineCrop, list[np.ndarray]] = defaultdict(list)
    for harvest, of, found in prepared_harvests(plan or plan_jobs(lake, farm, each), each):
        if not isinstance(harvest, Binned):
            unanswered.append(harvest)
            continue
        fields.append(harvest)
        # Where losses are logged in kg/s, checks say nothing of signals in units of their own.
        if not harvest.calibrated:
            pairs[of].append(found)
    moment, kept = datetime.now(UTC), kept or KeptSeason()
    kept.begin(fields, moment)
    # The same name, so that the bins as logged are freed.
    fields, kept.signals = losses_by_checks(fields, pairs, kept.signals)
    answers = estimate_answers(fields, kept.signals, unanswered, farm.diameters_m(), each, kept)
    kept.end()
    now = pl.lit(moment).cast(pl.Datetime("us", "UTC")).alias("computed_at")
    return replace(answers, effects=answers.effects.with_columns(now))
