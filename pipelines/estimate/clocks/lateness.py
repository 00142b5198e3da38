"""Whether the rows of settings logs come late, each by its own delay, or the settings take minutes to move.

Neither is an offset of a clock: the time in which a change may have been made is left out of the comparison, as
for a log that states such times (``estimate/data/change_times.py``). Judged over the season, because the few
changes of one machine seldom decide it, and a farm's logs are kept in one way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.clocks.by_responses import MOST_OF_FIELD, SHARED, SHARES_ACTING, rebinned
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.change_times import USUALLY_LATE_S
from chaffinch.pipelines.estimate.model.change_points import OFFSETS_S
from numpy.typing import NDArray

# A setting takes up to so long to move, or its effect to come in.
SLOW_S = 600.0
# Log Bayes factor over logs that are exact (150 to 1) from which the rows of a season count as late.
CLEARLY = 5.0


def delays_of_rows(by_machine: Mapping[str, Sequence[Array]]) -> tuple[float, float]:
    """How far before and after their logged times the changes of a season may have acted, s; (0, 0) if exact.

    by_machine : evidence of each machine-field (21, changes of all losses) for ``OFFSETS_S``. Three stories compete
    with exact times: rows late by up to ``USUALLY_LATE_S``, changes that act over up to ``SLOW_S``, and one offset
    for each machine's clock, which is left to ``by_responses.py``.
    """
    late = (OFFSETS_S >= 0) & (OFFSETS_S <= USUALLY_LATE_S)
    slow = (OFFSETS_S <= 0) & (OFFSETS_S >= -SLOW_S)
    fields = [field for its in by_machine.values() for field in its]
    stories = {
        (USUALLY_LATE_S, 0.0): sum(_over_exact(field, late) for field in fields),
        (0.0, SLOW_S): sum(_over_exact(field, slow) for field in fields),
    }
    by_clock = sum(
        _mean([sum(_over_exact(field, offset == OFFSETS_S) for field in its) for offset in OFFSETS_S])
        for its in by_machine.values()
    )
    best = max(stories, key=lambda story: stories[story])
    return best if stories[best] > max(CLEARLY, by_clock) else (0.0, 0.0)


def _over_exact(changes: Array, when: NDArray[np.bool_]) -> float:
    """Log Bayes factor of changes that acted at the offsets ``when`` over exact ones, of one machine-field, at most
    ``MOST_OF_FIELD`` either way: an unlogged step or a burst of loss before a change may give any odds."""
    factor = _evidence(changes, when) - _evidence(changes, OFFSETS_S == 0)
    return float(np.clip(factor, -MOST_OF_FIELD / 2, MOST_OF_FIELD / 2))


def _evidence(changes: Array, when: NDArray[np.bool_]) -> float:
    """Log evidence that the changes acted at the offsets ``when``, the share that act at all integrated out."""
    acted = np.logaddexp.reduce(changes[when], axis=0) - np.log(when.sum())
    return _mean([SHARED * np.logaddexp(np.log1p(-p), np.log(p) + acted).sum() for p in SHARES_ACTING])


def _mean(logs: Sequence[float]) -> float:
    return float(np.logaddexp.reduce(logs) - np.log(len(logs)))


def allowing_for_delays(binned: Binned, earlier_s: float, later_s: float) -> Binned:
    """The machine-field without the work in which the changes of its settings log may have been made."""
    changes = [
        replace(c, first_s=c.first_s - earlier_s, last_s=c.last_s + later_s) if c.by_settings_log else c
        for c in binned.changes
    ]
    return rebinned(binned, changes)
