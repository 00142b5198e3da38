"""Estimate: what each adjustment did, with a range that can be believed.

``estimate_effects`` is the stage: binned field jobs in, rows of ``effects`` out. ``refresh_answers`` feeds
it from a lake.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import real_adjustments as real_adjustments
from chaffinch.pipelines.estimate.data.doses import Diameters
from chaffinch.pipelines.estimate.derived_tables import Plan, plan_jobs, prepared_harvests
from chaffinch.pipelines.estimate.job_rows import prepare_marked
from chaffinch.pipelines.estimate.kept.kept_season import KeptSeason
from chaffinch.pipelines.estimate.results.calibration import MachineCrop
from chaffinch.pipelines.estimate.results.effects_table import Unanswered
from chaffinch.pipelines.estimate.signals.known_signals import KnownSignals, losses_by_checks
from chaffinch.pipelines.estimate.two_steps import Alone, Answers, all_together, as_fitted, each_alone
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.lake import ReadableLake
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.parallel.memory import give_back_memory
from chaffinch.pipelines.work import machine_delays, mark_work
from chaffinch.pipelines.work.delays.lag import Delays


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
    alone = each_alone(*as_fitted(fields, signals), each, KeptSeason())
    return all_together(alone, unanswered, diameters_m or {}, each).effects


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
    alone = each_alone(*as_fitted(fields, signals), each, kept)
    return all_together(alone, unanswered, diameters_m or {}, each, kept)


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
    answers = all_together(alone, unanswered, farm.diameters_m(), each, kept)
    kept.end()
    now = pl.lit(moment).cast(pl.Datetime("us", "UTC")).alias("computed_at")
    return replace(answers, effects=answers.effects.with_columns(now))


def _alone_of_lake(
    plan: Plan, each: FanOut, kept: KeptSeason, moment: datetime
) -> tuple[Alone, list[Unanswered]]:
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
    fields, known = as_fitted(fields, kept.signals)
    give_back_memory()
    return each_alone(fields, known, each, kept), unanswered
