"""Which logged changes are which planned switches of a trial.

Plans carry no date, since nobody knows when the crop will be ripe. The switches are found in the log by their
values and their order: the best local alignment of two sequences (Smith and Waterman 1981, J. Mol. Biol.
147:195-197), here with the length of steps as a further mark of likeness. The costs are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

# What a switch is worth whose value before was as planned, was not, or is not known because the trial begins with it.
AS_PLANNED, FROM_ELSEWHERE, FIRST = 1.0, 0.6, 0.5
SKIPPED, EXTRA, NOT_BEGUN = 0.2, 0.15, 0.4
# Most that a step of another length than planned costs; a work break makes any step long.
OTHER_LENGTH = 0.5
MOST_SKIPPED, MOST_EXTRA = 6, 6
LONGEST_PAUSE_S = 14 * 86_400.0


@dataclass(frozen=True, slots=True)
class Run:
    """Planned steps of one value, one after another: what is in force, and how long (None: in passes)."""

    state: tuple[str, ...]
    seconds: float | None


@dataclass(frozen=True, slots=True)
class Switch:
    """A logged change of the trial's settings: the moment [s], what was in force before (None: unknown), and then."""

    time_s: float
    before: tuple[str | None, ...]
    after: tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class Alignment:
    """``pairs``: (number of the run, number of the switch) in order of both; a higher ``score`` is better."""

    pairs: tuple[tuple[int, int], ...]
    score: float


def align_runs(runs: Sequence[Run], switches: Sequence[Switch]) -> Alignment | None:
    """The best alignment with at least one switch between planned values; the later of two that are as good."""
    best: dict[tuple[int, int], tuple[float, tuple[int, int] | None]] = {}
    top: tuple[int, int] | None = None
    for i, switch in enumerate(switches):
        for j in range(len(runs)):
            worth = _likeness(runs, j, switch)
            if worth is None:
                continue
            score, came = worth - NOT_BEGUN * max(j - 1, 0), None
            for before, value in _earlier(best, i, j):
                found = worth + value + _between(runs, switches, before, (i, j))
                if found > score:
                    score, came = found, before
            best[i, j] = score, came
            # A single change shows nothing unless it is the planned one from value to value.
            if (came is not None or (j > 0 and worth == AS_PLANNED)) and (
                top is None or score >= best[top][0]
            ):
                top = i, j
    if top is None:
        return None
    pairs: list[tuple[int, int]] = []
    at: tuple[int, int] | None = top
    while at is not None:
        pairs.append((at[1], at[0]))
        at = best[at][1]
    return Alignment(tuple(reversed(pairs)), best[top][0])


def _likeness(runs: Sequence[Run], j: int, switch: Switch) -> float | None:
    """Score of ``switch`` as the beginning of run ``j``; None where its value is another."""
    if switch.after != runs[j].state:
        return None
    if j == 0:
        return FIRST
    if None in switch.before:
        return FIRST
    return AS_PLANNED if switch.before == runs[j - 1].state else FROM_ELSEWHERE


def _earlier(
    best: dict[tuple[int, int], tuple[float, tuple[int, int] | None]], i: int, j: int
) -> list[tuple[tuple[int, int], float]]:
    places = [
        (i - 1 - extra, j - 1 - skipped)
        for extra in range(min(MOST_EXTRA + 1, i))
        for skipped in range(min(MOST_SKIPPED + 1, j))
    ]
    return [(place, best[place][0]) for place in places if place in best]


def _between(
    runs: Sequence[Run], switches: Sequence[Switch], before: tuple[int, int], now: tuple[int, int]
) -> float:
    """Cost (below zero) of what lies between two switches that follow each other in the alignment."""
    taken = switches[now[0]].time_s - switches[before[0]].time_s
    if taken > LONGEST_PAUSE_S:
        return -1e9
    cost = EXTRA * (now[0] - before[0] - 1) + SKIPPED * (now[1] - before[1] - 1)
    planned = [run.seconds for run in runs[before[1] : now[1]]]
    if all(planned):
        meant = sum(seconds for seconds in planned if seconds)
        cost += OTHER_LENGTH * min(1.0, abs(taken - meant) / meant)
    return -cost
