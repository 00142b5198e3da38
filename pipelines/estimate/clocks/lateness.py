"""Whether rows of settings logs were written late, each by its own delay, or settings take minutes to move.

Neither is a clock offset. The minutes in which a change may have been made are left out of the comparison, as for a
log whose times are known to be coarse (``estimate/data/change_times.py``). The evidence is summed over the season:
the few changes of one machine seldom decide, and one farm usually keeps all its logs the same way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.array_types import Array, Flags
from chaffinch.pipelines.estimate.clocks.by_responses import (
    MOST_OF_FIELD,
    MOST_TAKEN,
    SHARED,
    SHARES_ACTING,
    Responses,
    rebinned,
)
from chaffinch.pipelines.estimate.clocks.scan import OFFSETS_S, log_bayes_factors
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.change_times import USUALLY_LATE_S

# Longest time that a setting takes to move, or its effect to build up.
SLOW_S = 600.0
EXACT_WITHIN_S = 30.0
# Log Bayes factor against exact times (150 to 1) from which the rows of a season count as late.
CLEARLY = 5.0


def delays_of_rows(responses: Responses) -> tuple[float, float]:
    """How far before and after their logged times the changes of a season may have acted, s; (0, 0) if exact."""
    by_machine = {
        machine: [
            _before_others(binned, log_bayes_factors(steps))
            for binned, steps in its
            if not _mostly_on_plan(binned)
        ]
        for machine, its in responses.items()
    }
    return clear_hypothesis({machine: its for machine, its in by_machine.items() if its}, OFFSETS_S)


def _before_others(binned: Binned, evidence: Array) -> Array:
    """The ``evidence`` of one field job, none (-inf) at offsets that bring more than ``MOST_TAKEN`` of its changes
    nearer to their neighbours than half way: the neighbours move too, and their steps would be seen instead."""
    gaps = np.diff(np.sort([c.logged_s for c in binned.changes]))
    reach = float(np.quantile(gaps, MOST_TAKEN)) / 2 if gaps.size else np.inf
    return np.where(np.abs(OFFSETS_S)[:, None] <= max(reach, EXACT_WITHIN_S), evidence, -np.inf)


def _mostly_on_plan(binned: Binned) -> bool:
    """Whether its changes are mostly switches of a trial that came at the times that were planned.

    Bursts of loss between them gave odds against exact times all the same: of five simulated seasons of trials with
    bursts two were taken for late or slow.
    """
    return 2 * sum(change.on_plan for change in binned.changes) > len(binned.changes)


def clear_hypothesis(by_machine: Mapping[str, Sequence[Array]], offsets_s: Array) -> tuple[float, float]:
    """``delays_of_rows`` from the evidence of each field job, (offsets, changes of all losses).

    Rows written late by up to ``USUALLY_LATE_S``, or changes that act over up to ``SLOW_S``: the better of the two
    must be clear against exact times, and against one offset for each machine's clock, which is left to
    ``by_responses.py``.
    """
    exact = np.abs(offsets_s) <= EXACT_WITHIN_S
    late = (offsets_s >= 0) & (offsets_s <= USUALLY_LATE_S)
    slow = (offsets_s <= 0) & (offsets_s >= -SLOW_S)
    hypotheses = {(USUALLY_LATE_S, 0.0): late, (0.0, SLOW_S): slow}
    fields = [field for its in by_machine.values() for field in its]
    over_exact = {
        hypothesis: _of_field(
            np.array([_evidence(one, when) - _evidence(one, exact) for one in fields])
        ).sum()
        for hypothesis, when in hypotheses.items()
    }
    best = max(hypotheses, key=lambda hypothesis: over_exact[hypothesis])
    when = hypotheses[best]
    over_clocks = 0.0
    for its in by_machine.values():
        by_offset = [_by_offset(field) - _evidence(field, when) for field in its]
        over_clocks -= _mean(_of_field(np.array(by_offset)).sum(axis=0))
    return best if over_exact[best] > CLEARLY and over_clocks > CLEARLY else (0.0, 0.0)


def _of_field(log_bayes_factor: Array) -> Array:
    """What one field job counts, at most ``MOST_OF_FIELD`` either way: an unlogged step or a burst of loss before a
    change may give any odds. Hypotheses are compared directly: measured against exact times, both would reach the
    limit in every clear field, and could not be told apart."""
    return np.clip(log_bayes_factor, -MOST_OF_FIELD / 2, MOST_OF_FIELD / 2)


def _by_offset(changes: Array) -> Array:
    """``_evidence`` for each offset separately, shape (offsets,)."""
    known = np.isfinite(changes).all(axis=1)
    each = np.full(known.size, -np.inf)
    each[known] = _any_acting(changes[known])
    return each


def _evidence(changes: Array, when: Flags) -> float:
    """Log evidence that the changes acted at the offsets ``when`` that may be theirs."""
    known = when & np.isfinite(changes).all(axis=1)
    if not known.any():
        return -np.inf
    return float(_any_acting(np.logaddexp.reduce(changes[known], axis=0) - np.log(known.sum())))


def _any_acting(acted: Array) -> Array:
    """Log evidence (...) of changes (..., changes), the share that act at all integrated out."""
    by_share = [SHARED * np.logaddexp(np.log1p(-p), np.log(p) + acted).sum(axis=-1) for p in SHARES_ACTING]
    return np.asarray(np.logaddexp.reduce(by_share, axis=0) - np.log(len(by_share)))


def _mean(logs: Array) -> float:
    return float(np.logaddexp.reduce(logs) - np.log(len(logs)))


def allowing_for_delays(binned: Binned, earlier_s: float, later_s: float) -> Binned:
    """The field job without the work in which the changes of its settings log may have been made.

    Switches of a trial came when the plan has them.
    """
    changes = [
        replace(c, first_s=c.first_s - earlier_s, last_s=c.last_s + later_s)
        if c.by_settings_log and not c.on_plan
        else c
        for c in binned.changes
    ]
    return rebinned(binned, changes)
