"""The design of a trial: the fewest switches that detect the wanted change, in random order, in the hours given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from chaffinch.pipelines.errors import CallError, counted
from chaffinch.pipelines.trials.design.precision import (
    TrialNoise,
    WorkPattern,
    detectable_percent,
    errors_of_values,
    needed_error,
)
from chaffinch.pipelines.trials.design.random_order import (
    State,
    block_length,
    effect_columns,
    random_order,
    switches_of,
)

# Below three minutes of steady work on a side an effect is refused, and the work is nothing but switching.
SHORTEST_STEP_S = 300.0
MOST_BLOCKS = 16
LONGEST_HOURS = 40.0


@dataclass(frozen=True, slots=True)
class TrialDesign:
    """Order and lengths of a trial's steps, with its precision.

    order : state of each step. step_s : length of a step, s. passes : in a step, where it goes by passes. se_log : of
    the log effect between two values (the largest, of several). both_ways : whether each value has as many passes one
    way as the other. switches : changes in all.
    """

    order: tuple[State, ...]
    step_s: float
    passes: int | None
    se_log: float
    both_ways: bool

    @property
    def switches(self) -> int:
        return switches_of(self.order)

    @property
    def hours(self) -> float:
        return len(self.order) * self.step_s / 3600.0

    @property
    def smallest_percent(self) -> float:
        return detectable_percent(self.se_log)


@dataclass(frozen=True, slots=True)
class TrialTask:
    """What to design: how many values of how many settings, in how many hours, under which noise."""

    values: int
    settings: int
    hours: float
    noise: TrialNoise
    pattern: WorkPattern
    seed: int
    by_passes: bool = False


def designs(task: TrialTask) -> list[TrialDesign]:
    """A design for each number of blocks that fits the hours, fewest switches first."""
    found = []
    for blocks in range(1, MOST_BLOCKS + 1):
        steps = blocks * block_length(task.values, task.settings)
        one = _step(3600.0 * task.hours / steps, task)
        if one is None:
            break
        order = random_order(np.random.default_rng([task.seed, blocks]), task.values, blocks, task.settings)
        step_s, passes, both_ways = one
        found.append(TrialDesign(tuple(order), step_s, passes, _error(order, step_s, task), both_ways))
    return found


def _step(room_s: float, task: TrialTask) -> tuple[float, int | None, bool] | None:
    """Length of a step, passes in it, and whether values go both ways alike; None where it would be too short.

    Ground that rises and wind act on one direction of travel. Where a step is a whole number of passes, a block and
    its mirror image give every value as many passes one way as the other, whether that number is even or odd.
    """
    round_s = task.pattern.pass_s + task.pattern.turn_s
    passes = int(room_s // round_s)
    whole = passes * round_s
    if passes and whole >= SHORTEST_STEP_S:
        return (whole, passes, True) if task.by_passes else (60.0 * (whole // 60.0), None, True)
    if task.by_passes or room_s < SHORTEST_STEP_S:
        return None
    return 60.0 * float(room_s // 60.0), None, False


def _error(order: Sequence[State], step_s: float, task: TrialTask) -> float:
    """Largest standard error of the log effect between two values (of two settings: of a setting's own effect)."""
    driven = task.pattern.driven(len(order) * step_s / 3600.0)
    ends = step_s * np.arange(1, len(order) + 1)
    covariance = errors_of_values(driven, ends.tolist(), effect_columns(order, task.values), task.noise)
    if task.settings == 2:
        return float(np.sqrt(np.diag(covariance)[:2].max()))
    contrasts = [np.eye(task.values - 1)[k] for k in range(task.values - 1)]
    if task.values == 3:
        contrasts.append(contrasts[1] - contrasts[0])
    return float(max(np.sqrt(c @ covariance @ c) for c in contrasts))


def precise_enough(found: Sequence[TrialDesign], tell_percent: float) -> TrialDesign | None:
    """The first design that detects a change by ``tell_percent`` with 80 % power."""
    return next((one for one in found if one.se_log <= needed_error(tell_percent)), None)


def chosen_design(task: TrialTask, found: Sequence[TrialDesign], tell_percent: float) -> TrialDesign:
    """Of the designs ``found`` for a task, the one with the fewest switches that detects a change by
    ``tell_percent`` with 80 % power.

    Raises ``CallError`` where none of that length does, with what it would detect and how long one would have to be.
    """
    if not found:
        least = block_length(task.values, task.settings) * SHORTEST_STEP_S / 3600
        many = f"{task.values} values" if task.settings == 1 else "4 combinations of values"
        raise CallError(
            f"{task.hours:g} h is too short for a trial of {many} "
            f"in steps of at least {SHORTEST_STEP_S / 60:.0f} minutes; plan {np.ceil(10 * least) / 10:g} h or more."
        )
    enough = precise_enough(found, tell_percent)
    if enough is not None:
        return enough
    best = min(found, key=lambda design: design.se_log)
    longer = _hours_needed(task, tell_percent)
    best_percent = f"{np.ceil(best.smallest_percent):.0f}"
    mend = (
        f"about {longer:g} h would do. Give more --hours, or --tell {best_percent}."
        if longer
        else f"not even {LONGEST_HOURS:g} h would do. Give --tell {best_percent}."
    )
    raise CallError(
        f"No plan of {task.hours:g} h can detect a change of {tell_percent:g} % with 80 % power: the best, "
        f"with {counted(best.switches, 'switch', 'switches')}, detects {best_percent} %; {mend}"
    )


def _hours_needed(task: TrialTask, tell_percent: float) -> float | None:
    shortest = min(1.2 * task.hours, LONGEST_HOURS)
    for hours in np.unique(np.ceil(2 * np.geomspace(shortest, LONGEST_HOURS, 10)) / 2).tolist():
        if precise_enough(designs(replace(task, hours=hours))[-3:], tell_percent):
            return float(hours)
    return None
