"""The true effect of every adjustment of a field job, in the terms of the ``effects`` table.

Definitions
-----------
separation_loss, cleaning_loss
    ln of the loss share lost / (kept + lost) of that place, after over before, at the same feed rate and
    conditions. The simulator adds effects on the log scale, so this is the sum of the steps' effects.
machine_loss
    The same for separation and cleaning loss together, at the field's mean conditions.
throughput
    ln of the change of the driver's target grain t/h that came with the adjustment, as driven; 0 unless the
    scenario makes the driver change speed.
capacity
    ln of grain t/h after over before at the same machine loss share (that of the field's mean conditions
    before the change), solved numerically; null where no feed rate has that share after the change.
broken_grain, returns, fuel_per_tonne
    ln of the channel after over before at the same feed rate.

What a naive mean after minus mean before would show
-----------------------------------------------------
ln(mean signal after / before) = effect
    + (1 + s) ln(feed after / before)         the signal is lost *mass*: share rises with feed (slope s), and
                                              mass = share x feed
    + m (moisture after - before)             m: ``moisture_per_point``
    + drift after - drift before              sd about slow_sd x sqrt(2 (1 - exp(-window / scale)))
    - E[noise | spike]                        reactive operators: the noise that made them adjust decays by
                                              itself, a fall that is not the setting's
so in ``speed_up`` a change of speed by d on the log scale alone shows as (1 + s) d, about 3 d for s = 2.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.simulate.loss_model import (
    Conditions,
    LossCurve,
    capacity_log_ratio,
    machine_log_ratio,
)
from chaffinch.pipelines.simulate.loss_noise import SENSED_LOSSES
from chaffinch.pipelines.simulate.operators import ACTS_ON, Move, MoveEffect

TRUE_OUTCOMES = (
    "separation_loss",
    "cleaning_loss",
    "machine_loss",
    "throughput",
    "capacity",
    "broken_grain",
    "returns",
    "fuel_per_tonne",
)
UTC_MOMENT = pl.Datetime("us", "UTC")
MOVE_SCHEMA: dict[str, pl.DataType] = {
    "time": UTC_MOMENT,
    "logged_time": UTC_MOMENT,
    **dict.fromkeys(("machine", "field", "crop", "setting", "from_value", "to_value"), pl.String()),
    "steps": pl.Int64(),
    "joint_id": pl.String(),
    "logged": pl.Boolean(),
}
# What a step acts on, by the outcome that shows it.
CHANNEL_OF = {
    "separation_loss": "separation",
    "cleaning_loss": "cleaning",
    "broken_grain": "broken",
    "returns": "returns",
    "fuel_per_tonne": "fuel",
}


def true_effects(
    moves: Sequence[Move],
    sizes: Mapping[str, Sequence[MoveEffect]],
    curves: Mapping[str, LossCurve],
    at: Conditions,
    speed_log: Array,
) -> dict[str, dict[str, Array]]:
    """For each move the ln ratio of every outcome, (moves,), by column of ``truth_table``.

    sizes : of ``History.sizes``. speed_log : by event.
    """
    event = np.array([move.event for move in moves], dtype=np.int64)
    joint: dict[str, Array] = {}
    before: dict[str, Array] = {}
    own = {
        whose: {a: np.array([size[a] for size in some]) + 0.0 for a in ACTS_ON}
        for whose, some in sizes.items()
    }
    for acts_on, size in own["move"].items():
        total = np.zeros(speed_log.size)
        np.add.at(total, event, size)
        joint[acts_on] = total[event]
        before[acts_on] = (np.cumsum(total) - total)[event]
    found = {
        f"{whose}_log_ratio": _outcomes(before, change, curves, at, speed_log[event])
        for whose, change in own.items()
    }
    own_alone = found.pop("move_log_ratio")
    whole = _outcomes(before, joint, curves, at, speed_log[event])
    return {"log_ratio": whole, "own_log_ratio": own_alone, **found}


def _outcomes(
    before: Mapping[str, Array],
    change: Mapping[str, Array],
    curves: Mapping[str, LossCurve],
    at: Conditions,
    speed_log: Array,
) -> dict[str, Array]:
    after = {loss: before[loss] + change[loss] for loss in SENSED_LOSSES}
    solved = {
        "machine_loss": machine_log_ratio(curves, at, before, after),
        "capacity": capacity_log_ratio(curves, at, before, after),
        "throughput": speed_log,
    }
    return {o: solved[o] if o in solved else change[CHANNEL_OF[o]] for o in TRUE_OUTCOMES}


def truth_table(
    moves: Sequence[Move],
    effects: Mapping[str, Mapping[str, Array]],
    start: datetime,
    clock_off_s: float,
    machine: str,
    field: str,
    crop: str,
) -> pl.DataFrame:
    """One row per adjustment of one setting and outcome.

    Columns: time (true, UTC), logged_time (null if never logged), machine, field, crop, setting, from_value,
    to_value, steps (of the catalogue's usual step; 1 for a flip), joint_id (null if alone), logged, outcome,
    log_ratio (of the whole joint change), own_log_ratio (of this setting alone), and what as many steps of this
    setting do on average: field_log_ratio (in this field), machine_log_ratio (on this machine), season_log_ratio.
    """
    moment = [start + timedelta(seconds=move.time_s) for move in moves]
    first = {move.event: t for move, t in zip(reversed(moves), reversed(moment), strict=True)}
    rows = [
        (
            t,
            start + timedelta(seconds=move.written_s + clock_off_s) if move.logged else None,
            *(machine, field, crop, move.setting, move.from_value, move.to_value, move.steps),
            f"{machine} {first[move.event]:%Y-%m-%dT%H:%M:%SZ}" if move.joint else None,
            move.logged,
        )
        for move, t in zip(moves, moment, strict=True)
    ]
    by_move = pl.DataFrame(rows, MOVE_SCHEMA, orient="row")
    columns = {
        name: np.stack([ratios[o] for o in TRUE_OUTCOMES], axis=1).ravel() for name, ratios in effects.items()
    }
    return by_move[np.repeat(np.arange(len(moves)), len(TRUE_OUTCOMES))].with_columns(
        pl.Series("outcome", list(TRUE_OUTCOMES) * len(moves), dtype=pl.String),
        *(pl.Series(name, values, dtype=pl.Float64).fill_nan(None) for name, values in columns.items()),
    )
