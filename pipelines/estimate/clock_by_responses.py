"""Whether the clock of a settings log agrees with that of the harvest log, by what the logged changes did.

Without set values in the harvest log the responses of loss are the only witness. They tell to a minute or two,
where changes did something. Bursts of loss, jumps of a sensor and changes that nobody wrote down look like responses
too: an offset is applied only where several machine-fields tell of it, each without the other's help.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from chaffinch.pipelines.estimate.bins import WASHED_OUT_AFTER_S, WASHED_OUT_BEFORE_S, Binned
from chaffinch.pipelines.estimate.clock import ClockOffset
from chaffinch.pipelines.estimate.season import SeasonOutcome
from chaffinch.pipelines.estimate.steps_found import OFFSETS_S, SPACING_S
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Twice the log of the odds beforehand: one clock in ten is off, at one of eighteen offsets. Evidence beyond that
# makes a clock doubtful; one that is moved must show it without the machine-field that tells most.
LEAST_GAIN = 10.2
# Moved so near to another change of the log, a change meets that one's response instead of its own; where more than
# this share of them do, the offset may be one run between changes.
TAKEN_FOR_ANOTHER_S = 90.0
MOST_TAKEN = 0.25
# The two losses share part of their noise, so that two witnesses are worth less than two.
SHARED = 0.7
WELL_TOLD = 0.98
# Shares of changes that did something, each as likely beforehand.
SHARES = np.linspace(0.05, 0.95, 10)
# Machine loss is the sum of these two and no witness of its own.
WITNESSES = ("separation_loss", "cleaning_loss")


def offset_by_responses(told: Sequence[Array], reacted: bool = False) -> ClockOffset:
    """Offset of one machine from ``clock_told`` of ``scan_steps``, one array (21, changes of all losses) for each
    of its machine-fields.

    reacted : changes came when loss had spiked, so that what lies minutes before them is no response.
    """
    total = _evidence(told)
    weight = np.exp(0.5 * (total - total.max()))
    weight /= weight.sum()
    best, none = int(np.argmax(total)), int(np.argmin(np.abs(OFFSETS_S)))
    ends = np.cumsum(weight)
    # A step is tried at the minute nearest to a change, which is half a minute off at most either way.
    low = OFFSETS_S[int(np.searchsorted(ends, 0.025))] - SPACING_S
    high = OFFSETS_S[int(np.searchsorted(ends, 0.975))] + SPACING_S
    inside = 0 < best < OFFSETS_S.size - 1
    near = float(weight[max(best - 1, 0) : best + 2].sum())
    clear = abs(best - none) > 1 and total[best] - total[none] > LEAST_GAIN
    sure = bool(clear and inside and near > WELL_TOLD and not reacted and _all_agree(told, best, none))
    return ClockOffset(_peak(total, best), float(low), float(high), sure, bool(clear and not sure))


def _evidence(told: Sequence[Array]) -> Array:
    """Twice the log likelihood of each of ``OFFSETS_S``, (21,), whatever share of the changes did something.

    Plain sums of squared scores would be led by the many changes that did nothing, and moved right clocks.
    """
    changes = np.column_stack(told)
    by_share = [
        SHARED * np.logaddexp(np.log1p(-share), np.log(share) + changes).sum(axis=1) for share in SHARES
    ]
    return np.asarray(2 * np.logaddexp.reduce(by_share, axis=0), dtype=np.float64)


def _all_agree(told: Sequence[Array], best: int, none: int) -> bool:
    """Whether the offset ``best`` is clear without any one of the machine-fields."""
    for i in range(len(told)):
        others = [*told[:i], *told[i + 1 :]]
        if not others:
            return False
        total = _evidence(others)
        if total[best] - total[none] <= LEAST_GAIN:
            return False
    return True


def _peak(total: Array, best: int) -> float:
    """Top of the parabola through the best offset and its neighbours, s."""
    if not 0 < best < total.size - 1:
        return float(OFFSETS_S[best])
    left, top, right = total[best - 1 : best + 2]
    bend = left - 2 * top + right
    return float(OFFSETS_S[best] + (0.5 * (left - right) / bend * SPACING_S if bend < 0 else 0.0))


def on_one_clock(binned: Binned, offset_s: float) -> Binned:
    """The machine-field with the changes of its settings log moved to the harvest log's clock.

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
    entered = binned.time_s + binned.loss_delay_s
    began = np.searchsorted([c.first_s - WASHED_OUT_BEFORE_S for c in changes], entered, side="right")
    ended = np.searchsorted(np.sort([c.last_s + WASHED_OUT_AFTER_S for c in changes]), entered, side="right")
    return binned.kept(began == ended, changes, ended)


def by_machine(fields: Iterable[Binned], season: Mapping[str, SeasonOutcome]) -> dict[str, ClockOffset]:
    """Offsets of all machines with a settings log whose clock no set values have told of yet."""
    told: dict[int, list[Array]] = {}
    for outcome in WITNESSES:
        for fitted in season[outcome].fields if outcome in season else ():
            if fitted.clock_told is not None:
                told.setdefault(id(fitted.binned), []).append(fitted.clock_told)
    machines: dict[str, list[Array]] = {}
    for binned in fields:
        if id(binned) in told and any(c.by_settings_log for c in binned.changes):
            machines.setdefault(binned.machine, []).append(np.column_stack(told[id(binned)]))
    reacted = any(season[outcome].reacted for outcome in WITNESSES if outcome in season)
    clocks = {machine: offset_by_responses(found, reacted) for machine, found in machines.items()}
    moments = {machine: [_logged_s(b) for b in fields if b.machine == machine] for machine in clocks}
    return {
        machine: replace(clock, sure=False, doubtful=True)
        if clock.sure and taken_for_others(moments[machine], clock.seconds) > MOST_TAKEN
        else clock
        for machine, clock in clocks.items()
    }


def _logged_s(binned: Binned) -> Array:
    return np.array([c.first_s for c in binned.changes if c.by_settings_log])


def taken_for_others(moments_s: Sequence[Array], offset_s: float) -> float:
    """Share of changes, logged at ``moments_s`` of each machine-field, that moved by the offset come to stand where
    another was logged.

    Where changes follow one another every few minutes, a clock off by one run fits nearly as well as a right one.
    """
    taken = [
        (np.abs(logged[:, None] - offset_s - logged[None, :]) < TAKEN_FOR_ANOTHER_S)
        & ~np.eye(logged.size, dtype=bool)
        for logged in moments_s
    ]
    count = sum(logged.size for logged in moments_s)
    return sum(int(one.any(axis=1).sum()) for one in taken) / count if count else 0.0
