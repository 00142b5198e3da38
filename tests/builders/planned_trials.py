"""Trials planned, driven by a simulated operator and answered: promised and achieved precision and power."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.agronomy.exact import REACH_95
from chaffinch.pipelines.estimate import estimate_effects, prepare
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.changes import real_adjustments
from chaffinch.pipelines.estimate.signals.gain_moves import MOVES, MOVES_PRIOR
from chaffinch.pipelines.estimate.signals.known_signals import losses_by_checks
from chaffinch.pipelines.simulate import SCENARIOS, simulate_season
from chaffinch.pipelines.simulate.scenario import Effects, FieldPlan, Operator
from chaffinch.pipelines.trials.design.open_signals import open_of_signals
from chaffinch.pipelines.trials.design.precision import errors_of_values, power
from chaffinch.pipelines.trials.design.random_order import State, effect_columns, random_order
from chaffinch.pipelines.trials.design.season_noise import known_for_planning
from chaffinch.pipelines.trials.done.matching import match_trials
from chaffinch.pipelines.trials.written.plan_rows import plan_rows
from chaffinch.pipelines.trials.written.trial_plan import PlannedStep, TrialPlan
from scipy.special import ndtr

OUTCOME = "cleaning_loss"
SETTING, VALUES = "fan_speed", ("1050", "1000")
BLOCKS, STEP_MINUTES, LEAD_MINUTES = 3, 10.0, 6.0
FIELDS = 16
SCHEMA = {
    "scenario": pl.String(),
    "seed": pl.Int64(),
    "field": pl.String(),
    "refused": pl.Boolean(),
    "planned_se": pl.Float64(),
    "achieved_se": pl.Float64(),
    "truth": pl.Float64(),
    "estimate": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
    "planned_power": pl.Float64(),
    "least_se": pl.Float64(),
    "most_se": pl.Float64(),
    "open_se": pl.Float64(),
}


def answered_trials(scenario: str, seed: int, effect: float, fields: int = FIELDS) -> pl.DataFrame:
    """One season with a trial in each field: rows of ``SCHEMA``. Where a sensor showed zero too often to answer
    from, only ``refused`` has a value.

    effect : true log effect of a step of ``SETTING`` on cleaning loss, about which fields differ. Each trial is
    planned with the noise of the other half of the season's fields, as a farm would know it by then.
    """
    orders = [random_order(np.random.default_rng([seed, k]), 2, BLOCKS) for k in range(fields)]
    hours = (LEAD_MINUTES + STEP_MINUTES * len(orders[0])) / 60.0
    made = replace(
        SCENARIOS[scenario],
        fields=fields,
        machines=fields,
        hours=hours,
        operator=Operator(trials=tuple(_trial(order) for order in orders)),
        effects=Effects(stated=((SETTING, "cleaning", effect),), between_fields_sd=0.05 if effect else 0.0),
    )
    season = simulate_season(made, seed)
    binned: list[Binned] = []
    truths: dict[str, float] = {}
    order_of: dict[str, list[State]] = {}
    for k, one in enumerate(season.iter()):
        adjustments = real_adjustments(one.adjustments.with_row_index("row"))
        plan = _plan(one.machine.name, orders[k]).with_columns(
            pl.lit(f"{k:016x}").alias("delivery"), pl.int_range(1, pl.len() + 1).alias("row")
        )
        _, marked = match_trials(plan, {one.machine.name: adjustments}, {})
        found, _ = prepare(one.readings, marked[one.machine.name], one.loss_checks)
        if found is not None and OUTCOME in found.outcomes:
            binned.append(replace(found, outcomes={OUTCOME: found.outcomes[OUTCOME]}))
            order_of[one.machine.name] = orders[k]
            truths[one.machine.name] = -one.noise.per_step[SETTING]["cleaning"]
    # As a night does: what no loss check tells of the signals stays open.
    effects = estimate_effects(*losses_by_checks(binned, {}))
    answers = effects.filter(
        pl.col("scope") == "field",
        pl.col("outcome") == OUTCOME,
        pl.col("trial").is_not_null(),
        pl.col("alone_log_ratio").is_not_null(),
    )
    place = {f.machine: k for k, f in enumerate(binned)}
    halves = [known_for_planning(binned[k::2], "", "wheat", (OUTCOME,), hours) for k in (1, 0)]
    rows: list[dict[str, Any]] = [
        {"scenario": scenario, "seed": seed, "field": one.field, "refused": True}
        for one in binned
        if "signal_often_zero" in one.flaws[OUTCOME]
    ]
    for row in answers.iter_rows(named=True):
        known = halves[place[row["machine"]] % 2]
        order = order_of[row["machine"]]
        ends = (60.0 * STEP_MINUTES * np.arange(1, len(order) + 1)).tolist()
        driven = known.pattern.driven(STEP_MINUTES * len(order) / 60.0)
        by_noise = float(np.sqrt(errors_of_values(driven, ends, effect_columns(order, 2), known.noise)[0, 0]))
        by_signals = open_of_signals(SETTING, VALUES, OUTCOME, effect)
        planned = float(np.hypot(by_noise, by_signals))
        assert known.errors is not None
        least, most = (float(np.hypot(by_noise * part, by_signals)) for part in known.errors)
        way = 1.0 if row["from_value"] == VALUES[0] else -1.0
        answer = [way * row[f"alone_log_ratio{end}"] for end in ("", "_low", "_high")]
        low, high = min(answer[1:]), max(answer[1:])
        truth = truths[row["machine"]]
        rows.append(
            {
                "scenario": scenario,
                "seed": seed,
                "field": row["field"],
                "refused": False,
                "planned_se": planned,
                "achieved_se": (high - low) / (2 * REACH_95),
                "truth": truth,
                "estimate": answer[0],
                "low": low,
                "high": high,
                "planned_power": power(truth, planned) if truth else 0.05,
                "least_se": least,
                "most_se": most,
                "open_se": by_signals,
            }
        )
    return pl.DataFrame(rows, schema=SCHEMA)


def _trial(order: Sequence[State]) -> FieldPlan:
    """Value 1 is one step below value 0."""
    return FieldPlan(SETTING, tuple(-value for (value,) in order), STEP_MINUTES, LEAD_MINUTES)


def _plan(machine: str, order: Sequence[State]) -> pl.DataFrame:
    steps = tuple(PlannedStep(value=VALUES[value], minutes=STEP_MINUTES) for (value,) in order)
    return plan_rows(TrialPlan(name="trial", machine=machine, setting=SETTING, values=VALUES, steps=steps))


def scored_trials(rows: pl.DataFrame) -> dict[str, float]:
    """Trials answered and refused, share with an achieved error within 15 % of the planned one, and within what the
    plan said of eight fields in ten, mean ratio of the two, coverage, share called and the share that plans promised,
    root mean square error.

    No gain moves in these seasons, for which ranges allow. coverage_if_gains_move : expected where the true loss
    differs from what the signals show by such a move, as likely as the estimate takes it to be. square_by_noise :
    mean square of the errors over the stated ones less what signals leave open; 1 where ranges are as wide as they
    should be.
    """
    refused = rows["refused"].sum()
    rows = rows.filter(~pl.col("refused"))
    columns = {name: rows[name].to_numpy() for name, kind in SCHEMA.items() if kind == pl.Float64()}
    ratio = columns["achieved_se"] / columns["planned_se"]
    held = (columns["low"] <= columns["truth"]) & (columns["truth"] <= columns["high"])
    achieved = columns["achieved_se"]
    error = columns["estimate"] - columns["truth"]
    by_noise = achieved**2 - columns["open_se"] ** 2
    ends = [(columns["truth"] - columns[end])[:, None] / MOVES for end in ("high", "low")]
    held_if_moved = (ndtr(ends[1]) - ndtr(ends[0])) @ MOVES_PRIOR
    said = (columns["least_se"] <= achieved) & (achieved <= columns["most_se"])
    called = (columns["low"] > 0) | (columns["high"] < 0)
    return {
        "trials": float(rows.height),
        "refused": float(refused),
        "within_15_percent": float(np.mean((ratio > 0.85) & (ratio < 1.15))),
        "within_fields": float(np.mean(said)),
        "ratio": float(np.mean(ratio)),
        "coverage": float(np.mean(held)),
        "called": float(np.mean(called)),
        "promised": float(np.mean(columns["planned_power"])),
        "rmse": float(np.sqrt(np.mean(error**2))),
        "coverage_if_gains_move": float(np.mean(held_if_moved)),
        "square_by_noise": float(np.mean(error**2 / by_noise)),
    }
