"""The two steps of an estimate: what each log says alone, then all logs together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from typing import Any

import polars as pl
from chaffinch.pipelines.estimate.clocks.by_responses import (
    clock_offsets,
    on_one_clock,
    responses_to_changes,
)
from chaffinch.pipelines.estimate.clocks.lateness import allowing_for_delays, delays_of_rows
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.doses import Diameters
from chaffinch.pipelines.estimate.data.settings_clock import ClockOffset
from chaffinch.pipelines.estimate.kept.kept_season import AS_LOGGED, KeptSeason
from chaffinch.pipelines.estimate.kept.unchanged_machines import Basis, evidence_by_machine
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
from chaffinch.pipelines.estimate.results.crop_entered import of_all_that_entered
from chaffinch.pipelines.estimate.results.effects_table import (
    ByOwnLog,
    Unanswered,
    by_own_log,
    effects_table,
    to_share_of,
)
from chaffinch.pipelines.estimate.results.shared_changes import ToShare
from chaffinch.pipelines.estimate.results.shared_rows import share
from chaffinch.pipelines.estimate.results.signal_weights import allowing_for_weights, in_likely_units
from chaffinch.pipelines.estimate.signals.known_signals import (
    KnownSignals,
    allowing_for_signals,
)
from chaffinch.pipelines.parallel.fan_out import FanOut
from chaffinch.pipelines.parallel.processes import processes_for, through_processes
from chaffinch.schemas.tables import tables


@dataclass(frozen=True, slots=True)
class Answers:
    """Rows of the tables ``effects``, ``responses`` and ``loss_curves``.

    unchanged : machines whose rows in the lake still hold, as do those of all machines together; the first two
    tables leave them out. renewed : whether such rows no longer held, and all were made again.
    """

    effects: pl.DataFrame
    responses: pl.DataFrame
    loss_curves: pl.DataFrame
    unchanged: frozenset[str] = frozenset()
    renewed: bool = False


@dataclass(frozen=True, slots=True)
class Alone:
    """What each log says alone, without its bins, and what follows from it alone: clocks of settings logs by
    responses, and rows of ``loss_curves``. known : what loss checks say of the signals."""

    own: ByOwnLog
    known: KnownSignals
    clocks: dict[str, ClockOffset]
    loss_curves: pl.DataFrame


def as_fitted(fields: Sequence[Binned], signals: KnownSignals | None) -> tuple[list[Binned], KnownSignals]:
    """``fields`` as they are fitted."""
    known = signals or KnownSignals()
    return of_all_that_entered(in_likely_units(fields), known.calibrations), known


def each_alone(fields: Sequence[Binned], known: KnownSignals, each: FanOut, kept: KeptSeason) -> Alone:
    """All outcomes fitted, and what each log says alone; the clocks of settings logs by responses."""
    if not any(f.changes for f in fields):
        return Alone(by_own_log([], {}, {}), known, {}, tables()["loss_curves"].empty())
    clock_evidence = partial(kept.clock_evidence, each=each)
    season = kept.fit(fields, AS_LOGGED, each)
    if steering := machines_that_steer(season):
        fields = [feed_by_ground(f) if f.machine in steering else f for f in fields]
        season = kept.fit(fields, "steered", each)
    responses = responses_to_changes(fields, season, clock_evidence)
    delays = delays_of_rows(responses)
    if any(delays):
        fields = [allowing_for_delays(f, *delays) for f in fields]
        season = kept.fit(fields, f"late by {delays}", each)
        responses = responses_to_changes(fields, season, clock_evidence)
    clocks = clock_offsets(responses, season)
    if any(clock.sure or clock.ranged for clock in clocks.values()):
        fields = [by_clock(f, clocks.get(f.machine)) for f in fields]
        season = kept.fit(fields, "clocks set", each)
    with_changes = [f for f in fields if f.changes]
    season = allowing_for_signals(allowing_for_weights(season), known)
    own = by_own_log(with_changes, season, known.calibrations, clocks)
    curves = loss_curves_table(own.fields, own.season, known.calibrations)
    return Alone(own.summed_up(), known, clocks, curves)


def all_together(
    alone: Alone,
    unanswered: Sequence[Unanswered],
    diameters_m: Diameters,
    each: FanOut,
    kept: KeptSeason | None = None,
) -> Answers:
    """All logs together; without ``kept`` no responses."""
    if kept is not None:
        return _with_kept(alone, unanswered, diameters_m, each, kept)
    own, calibrations = alone.own, alone.known.calibrations
    sharing = to_share_of(own, calibrations, diameters_m, {})
    shared = list(_made_of(sharing, [], None, own, each))
    effects = effects_table(own, sharing, shared, calibrations, unanswered, alone.clocks)
    return Answers(effects, tables()["responses"].empty(), alone.loss_curves)


def _with_kept(
    alone: Alone, unanswered: Sequence[Unanswered], diameters_m: Diameters, each: FanOut, kept: KeptSeason
) -> Answers:
    """The same with responses, of machines with new evidence only where the other rows of the lake still hold.

    ``kept`` is brought up to date. While curves are drawn in other processes, this one puts the effects together.
    """
    own, calibrations = alone.own, alone.known.calibrations
    sharing = to_share_of(own, calibrations, diameters_m, kept.shares)
    in_use = values_in_use(own.fields)
    every = (to_draw(one, in_use, kept.responses.get(one.outcome)) for one in sharing)
    drawing = [one for one in every if one is not None]
    evidence = evidence_by_machine(own, sharing, drawing, calibrations, unanswered, alone.clocks, diameters_m)
    unchanged = kept.basis.unchanged(evidence)
    only = frozenset(evidence) - unchanged if unchanged else None
    renewed = False
    done = _made_of(sharing, drawing, only, own, each)
    shared = list(islice(done, len(sharing)))
    if only is not None and not kept.basis.holds(sharing, shared):
        unchanged, only, renewed = frozenset(), None, True
        done = _made_of(sharing, drawing, only, own, each)
        shared = list(islice(done, len(sharing)))
    effects = effects_table(own, sharing, shared, calibrations, unanswered, alone.clocks, only)
    curves: list[Curves] = list(done)
    of_outcomes = list(zip((what.outcome for what in sharing), shared, strict=True))
    common = kept.basis.common if unchanged else {outcome: one.common for outcome, one in of_outcomes}
    kept.basis = Basis(evidence, common)
    kept.shares.update({outcome: one.draws for outcome, one in of_outcomes})
    drawn = zip(drawing, curves, strict=True)
    kept.responses.update({what.outcome: one.draws for what, one in drawn if one.draws is not None})
    responses = all_responses([one.rows for one in curves])
    return Answers(effects, responses, alone.loss_curves, unchanged, renewed)


def _made_of(
    sharing: Sequence[ToShare],
    drawing: Sequence[ToDraw],
    only: frozenset[str] | None,
    own: ByOwnLog,
    each: FanOut,
) -> Iterator[Any]:
    """The ``SharedOutcome`` of each of ``sharing``, then the ``Curves`` of each of ``drawing``."""
    work: list[partial[Any]] = [
        *(partial(share, one.part(only), only) for one in sharing),
        *(partial(curves_of, replace(one, sharing=one.sharing.part(only)), only) for one in drawing),
    ]
    many = processes_for(sum(only is None or one.machine in only for one in own.fields))
    return through_processes(each, "share", _made, work, lambda one: str(one.args[0].outcome), many)


def _made(work: partial[Any]) -> Any:
    return work()


def by_clock(binned: Binned, clock: ClockOffset | None) -> Binned:
    """The field job with its changes where the ``clock`` of its settings log has them."""
    if clock is not None and clock.sure:
        return on_one_clock(binned, clock.seconds)
    if clock is not None and clock.ranged:
        return allowing_for_delays(binned, clock.high, -clock.low)
    return binned
