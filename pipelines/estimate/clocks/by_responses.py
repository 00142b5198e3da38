"""Offset of the clock of a settings log from that of the harvest log, by the responses of loss to logged changes.

Used where the harvest log shows no set values. Bursts of loss, jumps of a sensor and unlogged changes look like
responses too: one field job counts for little, and an offset is applied only where several agree. A change entered
minutes from its true moment loses a good part of its effect, and its range does not show it: where the clock stays in
doubt, the minutes in which its changes may have been made are left out of the comparison, or nothing is answered.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.clocks.scan import (
    OFFSET_STEP_S,
    OFFSETS_S,
    log_bayes_factors,
    steps_at_offsets,
)
from chaffinch.pipelines.estimate.clocks.steps_of_others import expected_steps
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import Change, left_out_s
from chaffinch.pipelines.estimate.data.design import PLACES
from chaffinch.pipelines.estimate.data.settings_clock import ClockOffset
from chaffinch.pipelines.estimate.model.season import SeasonOutcome, prepare_alone
from chaffinch.pipelines.parallel.fan_out import FanOut
from chaffinch.pipelines.parallel.processes import through_processes

# Most that one field job counts against an offset, as twice the log odds: a burst of loss before a change may
# give any odds, and means nothing for the other fields.
MOST_OF_FIELD = 8.0
# Shares of clocks of a season that are off; the prior is as 1 / share. Clocks of one farm are set by the same people,
# so a season in which some are clearly off is evidence against the others.
SHARES_OFF = np.array([0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8])
RIGHT_WITHIN_S = 60.0
# An offset this likely is applied; a clock more likely wrong than right, if none is, is in doubt.
SURE = 0.9
DOUBTFUL = 0.5
# Probability so near to the best offset counts for it.
NEAR_S = 30.0
# Moved so near to another logged change, a change meets the other's response; where more than this share of them do,
# the offset may be one run between changes.
TAKEN_FOR_ANOTHER_S = 90.0
MOST_TAKEN = 0.25
# The two losses share part of their noise, so their evidence adds up to less than two.
SHARED = 0.7
# Shares of changes with an effect, equally likely in advance.
SHARES_ACTING = np.linspace(0.05, 0.95, 10)


def offsets_by_responses(machines: Mapping[str, Array], reacted: bool = False) -> dict[str, ClockOffset]:
    """Offset of each machine of a season from the ``evidence`` of its field jobs, (121,).

    reacted : changes came when loss had spiked, so that what lies minutes before them is not a response.
    """
    if not machines:
        return {}
    totals = np.array(list(machines.values()))
    posterior = _posterior(np.exp(0.5 * totals))
    return {
        machine: _offset(weight, total, reacted)
        for machine, weight, total in zip(machines, posterior, totals, strict=True)
    }


def _offset(weight: Array, total: Array, reacted: bool) -> ClockOffset:
    """The offset of one machine from the posterior of each of ``OFFSETS_S``, (121,)."""
    right = np.abs(OFFSETS_S) <= RIGHT_WITHIN_S
    best = int(np.argmax(total))
    ends = np.cumsum(weight)
    low = OFFSETS_S[int(np.searchsorted(ends, 0.025))] - OFFSET_STEP_S
    high = OFFSETS_S[min(int(np.searchsorted(ends, 0.975)), OFFSETS_S.size - 1)] + OFFSET_STEP_S
    inside = 0 < best < OFFSETS_S.size - 1
    around = np.abs(OFFSETS_S - OFFSETS_S[best]) <= NEAR_S
    near = float(np.where(right, 0.0, weight)[around].sum())
    sure = bool(inside and not right[best] and near > SURE and not reacted)
    doubtful = bool(weight[right].sum() < DOUBTFUL and not sure)
    ranged = doubtful and inside and not reacted
    return ClockOffset(_peak(total, best), float(low), float(high), sure, doubtful, ranged)


def evidence(evidence_by_field: Iterable[Array]) -> Array:
    """Twice the log likelihood of each of ``OFFSETS_S``, (121,), the share of changes with an effect integrated
    out; one field job counts at most ``MOST_OF_FIELD`` against an offset.

    evidence_by_field : of each field job (121, changes of all losses), of ``log_bayes_factors``.

    Plain sums of squared scores were dominated by changes without an effect, and moved clocks that were right.
    """
    total = np.zeros(OFFSETS_S.size)
    for changes in evidence_by_field:
        by_share = [
            SHARED * np.logaddexp(np.log1p(-share), np.log(share) + changes).sum(axis=1)
            for share in SHARES_ACTING
        ]
        of_field = 2 * np.logaddexp.reduce(by_share, axis=0)
        total += np.maximum(of_field - of_field.max(), -MOST_OF_FIELD)
    return total


def _posterior(likelihood: Array) -> Array:
    """Posterior of each offset of each machine, (machines, 121), the share of clocks that are off integrated out.

    likelihood : (machines, 121). All offsets beyond a minute are equally likely in advance.
    """
    right = np.abs(OFFSETS_S) <= RIGHT_WITHIN_S
    of_right, of_off = (likelihood[:, which].mean(axis=1)[:, None] for which in (right, ~right))
    by_share = (1 - SHARES_OFF) * of_right + SHARES_OFF * of_off
    share = np.log(by_share).sum(axis=0) - np.log(SHARES_OFF)
    share = np.exp(share - share.max())
    # (machines, 121, shares): posterior given that share.
    prior = np.where(right[:, None], (1 - SHARES_OFF) / right.sum(), SHARES_OFF / (~right).sum())
    given = likelihood[:, :, None] * prior / by_share[:, None, :]
    return np.asarray(given @ (share / share.sum()), dtype=np.float64)


def _peak(total: Array, best: int) -> float:
    """Top of the parabola through the best offset and its neighbours, s."""
    if not 0 < best < total.size - 1:
        return float(OFFSETS_S[best])
    left, top, right = total[best - 1 : best + 2]
    curvature = left - 2 * top + right
    return float(
        OFFSETS_S[best] + (0.5 * (left - right) / curvature * OFFSET_STEP_S if curvature < 0 else 0.0)
    )


def on_one_clock(binned: Binned, offset_s: float) -> Binned:
    """The field job with the changes of its settings log moved to the harvest log's clock.

    Bins that lie in the washed-out time of a moved change are left out; those around the time as logged were
    left out when the bins were made, which costs half a minute each.
    """
    changes = sorted(
        (
            replace(c, first_s=c.first_s - offset_s, last_s=c.last_s - offset_s) if c.by_settings_log else c
            for c in binned.changes
        ),
        key=lambda c: c.first_s,
    )
    return rebinned(binned, changes)


def rebinned(binned: Binned, changes: list[Change]) -> Binned:
    """The field job with its changes replaced by ``changes``, without the bins in their washed-out time."""
    entered = binned.time_s + binned.loss_delay_s
    began, ended = (np.searchsorted(ends, entered, side="right") for ends in left_out_s(changes))
    return binned.kept(began == ended, changes, ended)


Responses = Mapping[str, Sequence[tuple[Binned, Array]]]
"""By machine, its field jobs with changes by a settings log, each with its ``evidence_of_field``."""


def evidence_of_field(binned: Binned, season: Mapping[str, SeasonOutcome]) -> Array | None:
    """``steps_at_offsets`` of one field job by both losses, log scale: (2, 121, losses, changes); None without."""
    logged = [k for k, change in enumerate(binned.changes) if change.by_settings_log]
    found = np.full((2, OFFSETS_S.size, len(PLACES), len(logged)), np.nan)
    for loss, outcome in enumerate(PLACES):
        witness = season.get(outcome)
        part = prepare_alone(binned, witness) if witness is not None else None
        if witness is None or witness.noise is None or part is None:
            continue
        steps, seconds = part.design.steps, binned.seconds[part.design.use]
        here = [logged.index(k) for k in steps if k in logged]
        found[:, :, loss, here] = part.scale * steps_at_offsets(
            part.observed, witness.noise, steps, binned, seconds
        )
    return found if np.isfinite(found).any() else None


def evidence_of_fields(
    fields: Sequence[Binned], season: Mapping[str, SeasonOutcome], each: FanOut
) -> list[Array | None]:
    """``evidence_of_field`` of each of ``fields``, spread by ``each``."""
    noises = {name: replace(season[name], fields=[]) for name in PLACES if name in season}
    of_one = partial(evidence_of_field, season=noises)
    return list(
        through_processes(each, "fit field jobs", of_one, fields, lambda b: f"{b.machine}, {b.field}")
    )


def responses_to_changes(
    fields: Sequence[Binned],
    season: Mapping[str, SeasonOutcome],
    evidence_of: Callable[[Sequence[Binned], Mapping[str, SeasonOutcome]], Sequence[Array | None]],
) -> Responses:
    """What the losses say of the times of the changes of every settings log. evidence_of : ``evidence_of_fields``."""
    logged = [binned for binned in fields if any(c.by_settings_log for c in binned.changes)]
    machines: dict[str, list[tuple[Binned, Array]]] = {}
    for binned, found in zip(logged, evidence_of(logged, season), strict=True):
        if found is not None:
            machines.setdefault(binned.machine, []).append((binned, found))
    return machines


def clock_offsets(responses: Responses, season: Mapping[str, SeasonOutcome]) -> dict[str, ClockOffset]:
    """Offsets of all machines whose settings log could not be compared with set values."""
    if not responses:
        return {}
    witnesses = [season[outcome] for outcome in PLACES if outcome in season]
    found = {m: evidence(log_bayes_factors(steps) for _, steps in its) for m, its in responses.items()}
    # What others' changes did, by what is known of their clocks so far, makes the evidence of each sharper.
    so_far = _posterior(np.exp(0.5 * np.array(list(found.values()))))
    weights = [weight for its, weight in zip(responses.values(), so_far, strict=True) for _ in its]
    expected = iter(expected_steps([one for its in responses.values() for one in its], weights))
    found = {
        m: evidence(log_bayes_factors(steps, *next(expected)) for _, steps in its)
        for m, its in responses.items()
    }
    clocks = offsets_by_responses(found, any(witness.reacted for witness in witnesses))
    moments = {
        machine: [
            np.array([c.logged_s for c in b.changes if c.by_settings_log]) for b, _ in responses[machine]
        ]
        for machine in clocks
    }
    return {
        machine: replace(clock, sure=False, doubtful=True, ranged=False)
        if clock.sure and taken_for_others(moments[machine], clock.seconds) > MOST_TAKEN
        else clock
        for machine, clock in clocks.items()
    }


def taken_for_others(moments_s: Sequence[Array], offset_s: float) -> float:
    """Share of changes, logged at ``moments_s`` of each field job, that meet another one when moved by it.

    Where changes follow one another every few minutes, a clock off by one run fits nearly as well as a right one.
    """
    taken = [
        (np.abs(logged[:, None] - offset_s - logged[None, :]) < TAKEN_FOR_ANOTHER_S)
        & ~np.eye(logged.size, dtype=bool)
        for logged in moments_s
    ]
    count = sum(logged.size for logged in moments_s)
    return sum(int(one.any(axis=1).sum()) for one in taken) / count if count else 0.0
