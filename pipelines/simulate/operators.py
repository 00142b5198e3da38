"""What operators do to the settings, when, and what each setting's step truly changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.simulate.scenario import REFERENCE_DRUM_M, Effects, Operator, Script
from chaffinch.pipelines.simulate.simulated_crops import ADJUSTABLES, JOINT_GROUPS

ACTS_ON = ("separation", "cleaning", "broken", "returns", "fuel")
RELATIVE_SD = {"separation": 1.0, "cleaning": 1.0, "broken": 1.0, "returns": 0.7, "fuel": 0.2}

StepEffects = Mapping[str, Mapping[str, float]]
"""Setting -> what it acts on -> ln ratio of one step up."""
MoveEffect = Mapping[str, float]
"""What it acts on -> ln ratio of one move."""


@dataclass(frozen=True, slots=True)
class Move:
    """One change of one setting. ``event`` numbers the adjustments; a joint change shares its number.

    written_s : the time that the settings log gives it, by a clock that is right.
    """

    time_s: float
    written_s: float
    event: int
    setting: str
    from_value: str
    to_value: str
    steps: int
    joint: bool
    logged: bool


def draw_effects(rng: np.random.Generator, effects: Effects) -> StepEffects:
    """The season's mean effect of one step of every setting; exactly 0 for ``zero_share`` of them."""
    drawn: dict[str, dict[str, float]] = {}
    for adjustable in ADJUSTABLES.values():
        drawn[adjustable.setting] = {}
        for outcome in ACTS_ON:
            size = RELATIVE_SD[outcome] * effects.per_step_sd * rng.standard_normal()
            nothing = rng.random() < effects.zero_share or outcome not in adjustable.acts_on
            drawn[adjustable.setting][outcome] = 0.0 if nothing else float(size)
    for setting, _, _ in effects.stated:
        drawn[setting] = dict.fromkeys(ACTS_ON, 0.0)
    for setting, outcome, value in effects.stated:
        drawn[setting][outcome] = value
    return drawn


def spread_effects(rng: np.random.Generator, about: StepEffects, sd: float) -> StepEffects:
    """Effects of one step that lie about others by ``sd``, the exact zeros kept; nothing is drawn for an sd of 0."""
    if not sd:
        return about
    return {
        setting: {
            outcome: value + float(rng.standard_normal()) * sd * RELATIVE_SD[outcome] if value else 0.0
            for outcome, value in by_outcome.items()
        }
        for setting, by_outcome in about.items()
    }


def by_steps(moves: Sequence[Move], per_step: StepEffects, effects: Effects) -> list[MoveEffect]:
    """What as many steps as those of each move do, and what a best value or another setting adds to it."""
    found: list[MoveEffect] = []
    level = dict.fromkeys(ADJUSTABLES, 0)
    bowls = {(setting, loss): (best, rise) for setting, loss, best, rise in effects.bowls}
    for move in moves:
        before, after = level[move.setting], level[move.setting] + move.steps
        size = {}
        for outcome, one in per_step[move.setting].items():
            best, rise = bowls.get((move.setting, outcome), (0.0, 0.0))
            size[outcome] = move.steps * one + rise * ((after - best) ** 2 - (before - best) ** 2)
        for first, second, outcome, by_both in effects.interactions:
            if move.setting in (first, second):
                size[outcome] += by_both * move.steps * level[second if move.setting == first else first]
        level[move.setting] = after
        found.append(size)
    return found


def move_effects(
    rng: np.random.Generator, moves: Sequence[Move], field: StepEffects, effects: Effects
) -> list[MoveEffect]:
    """What each move does in its field: every one a little else."""
    usual = by_steps(moves, field, effects)
    if not effects.between_changes_sd:
        return usual
    own = [{m.setting: field[m.setting]} for m in moves]
    apart = [spread_effects(rng, one, effects.between_changes_sd) for one in own]
    return [
        {o: size + m.steps * (a[m.setting][o] - field[m.setting][o]) for o, size in one.items()}
        for m, one, a in zip(moves, usual, apart, strict=True)
    ]


def by_tip_speed(per_step: StepEffects, drum_diameter_m: float | None) -> StepEffects:
    """``per_step`` on a drum of that diameter: one step of threshing speed acts in proportion to it."""
    if drum_diameter_m is None:
        return per_step
    ratio = drum_diameter_m / REFERENCE_DRUM_M
    threshing = {acts_on: ratio * size for acts_on, size in per_step["threshing_speed"].items()}
    return {**per_step, "threshing_speed": threshing}


def plan_times(rng: np.random.Generator, operator: Operator, events: int, seconds: float) -> Array:
    """Moments of the adjustments, s: at random, but never closer than the least gap nor near the ends."""
    edge = min(900.0, 0.12 * seconds)
    room = seconds - 2 * edge
    least = min(60.0 * operator.gap_minutes[0], 0.8 * room / max(events, 1))
    if operator.gap_minutes[1] is None:
        slack = room - (events - 1) * least
        return edge + np.sort(rng.uniform(0.0, slack, events)) + least * np.arange(events)
    gaps = rng.uniform(least, 60.0 * operator.gap_minutes[1], events - 1)
    gaps *= min(1.0, 0.95 * room / max(gaps.sum(), 1.0))
    start = edge + rng.uniform(0.0, room - gaps.sum())
    return start + np.concatenate([[0.0], np.cumsum(gaps)])


PAST_S, USUAL_S, REACTION_S = 120, 1200, 60
SPIKE_AT_FIRST, SPIKE_AT_LAST = 1.7, 1.0


def spike_times(operator: Operator, events: int, visible_loss: Array) -> Array:
    """In each of ``events`` equal spans, the moment at which the operator reacts to a spike of loss.

    He reacts a minute after the mean of the past 2 min has passed that of the past 20 min by a factor, which
    falls from 1.7 to 1 over the span as his patience does (else at its end). He knows only the past, so a model
    that knows the noise and all readings need not know why the change was made, while a comparison of means is
    misled. ``visible_loss``: (seconds,) loss as he judges it, 0 where nothing comes in. Spans lie the least gap
    apart.
    """
    seconds = visible_loss.size
    edge = min(900.0, 0.12 * seconds)
    span = (seconds - 2 * edge) / events
    gap = min(60.0 * operator.gap_minutes[0], 0.4 * span)
    length = int(span - gap) - REACTION_S
    factor = np.linspace(SPIKE_AT_FIRST, SPIKE_AT_LAST, length)
    past, usual = _trailing_mean(visible_loss, PAST_S), _trailing_mean(visible_loss, USUAL_S)
    moments = []
    for event in range(events):
        start = int(edge + event * span + gap / 2)
        spiked = past[start : start + length] > factor * usual[start : start + length]
        first = int(np.argmax(spiked)) if spiked.any() else length
        moments.append(start + first + REACTION_S)
    return np.array(moments, dtype=np.float64)


def _trailing_mean(series: Array, seconds: int) -> Array:
    """Mean of the past ``seconds`` before each, over those in which crop came in; 0 if there was none."""
    total = np.concatenate([[0.0], np.cumsum(series)])
    count = np.concatenate([[0], np.cumsum(series > 0)])
    now = np.arange(series.size)
    past = np.maximum(now - seconds, 0)
    return (total[now] - total[past]) / np.maximum(count[now] - count[past], 1)


def plan_moves(
    rng: np.random.Generator, operator: Operator, times_s: Array, script: Script | None, start_s: float = 0.0
) -> list[Move]:
    """Which settings are moved at each of the moments, from and to which value; sorted by time.

    start_s : of the work, since midnight: who rounds times writes round times of the clock.
    """
    level = dict.fromkeys(ADJUSTABLES, 0)
    to_s = 60 * operator.rounded_to_minutes
    unlogged = rng.choice(times_s.size, min(operator.unlogged, times_s.size), replace=False).tolist()
    moves: list[Move] = []
    previous: dict[str, int] = {}
    for event, time_s in enumerate(times_s.tolist()):
        if script is not None:
            steps = dict(script[event][1])
        elif previous and rng.random() < operator.there_and_back_share:
            steps = {setting: -count for setting, count in previous.items()}
        else:
            steps = _choose(rng, operator.joint_share, level)
        later = np.cumsum(rng.uniform(4.0, 14.0, len(steps)))
        late_s = round(60.0 * rng.uniform(*operator.late_minutes)) if any(operator.late_minutes) else 0
        for order, (setting, count) in enumerate(steps.items()):
            old, new = (
                ADJUSTABLES[setting].text(level[setting]),
                ADJUSTABLES[setting].text(level[setting] + count),
            )
            moment = float(round(time_s + (later[order - 1] if order else 0.0)))
            written = moment + late_s
            if to_s:
                written = to_s * round((start_s + written) / to_s) - start_s
            logged = event not in unlogged
            moves.append(Move(moment, written, event, setting, old, new, count, len(steps) > 1, logged))
            level[setting] += count
        previous = steps
    return moves


def _choose(rng: np.random.Generator, joint_share: float, level: Mapping[str, int]) -> dict[str, int]:
    if rng.random() < joint_share:
        names: tuple[str, ...] = JOINT_GROUPS[int(rng.integers(len(JOINT_GROUPS)))]
    else:
        names = (list(ADJUSTABLES)[int(rng.integers(len(ADJUSTABLES)))],)
    for count in rng.permutation([-2, -1, -1, 1, 1, 2]).tolist():
        if all(ADJUSTABLES[name].allows(level[name] + count) for name in names):
            return dict.fromkeys(names, count)
    flip = ADJUSTABLES[names[0]]
    return {flip.setting: 1 if level[flip.setting] == 0 else -1}


def effect_course(
    moves: Sequence[Move],
    sizes: Sequence[MoveEffect],
    seconds: int,
    effects: Effects,
    times: Mapping[str, Array] | None = None,
) -> Mapping[str, Array]:
    """Sum of all effects at each second of intake, by what they act on; each (seconds,), ln scale.

    sizes : of each move, which counts from its own second on; with ``fade_in_s`` it comes in as 1 - exp(-t /
    fade_in_s), with ``ramp_minutes`` evenly. times : (seconds,) factor on all effects of the moment.
    """
    course = {outcome: np.zeros(seconds) for outcome in ACTS_ON}
    for move, effect in zip(moves, sizes, strict=True):
        first = int(np.ceil(move.time_s))
        coming: float | Array = 1.0
        since_s = np.arange(first, seconds) - move.time_s
        if effects.fade_in_s:
            coming = 1.0 - np.exp(-since_s / effects.fade_in_s)
        elif effects.ramp_minutes:
            coming = np.minimum(since_s / (60.0 * effects.ramp_minutes), 1.0)
        for outcome, size in effect.items():
            if size:
                course[outcome][first:] += size * coming
    return {
        outcome: one * times[outcome] if times and outcome in times else one
        for outcome, one in course.items()
    }
