"""The randomisation test of a trial as it was driven, from the bins of the lake."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.lake.readable import ReadableLake
from chaffinch.pipelines.trials.answers.randomisation import (
    RandomisationTest,
    factorial_test,
    randomisation_test,
    step_means,
)
from chaffinch.pipelines.trials.answers.standing import Standing
from chaffinch.pipelines.trials.design.random_order import State

# A trial stops for the night, but no block of one goes on for longer than this.
LONGEST_STEP_S = 6 * 3600.0


def randomisation_of(lake: ReadableLake, one: Standing) -> tuple[RandomisationTest, ...]:
    """The test of the main comparison; of two settings at once those of each and of their interaction. Empty where
    no mirrored block was completed.

    A step of twice the length is two steps of the order as it was drawn.
    """
    main = one.main
    drawn = _drawn(one.steps) if main is not None else None
    if main is None or drawn is None:
        return ()
    order, edges = drawn
    bins = lake.scan("bins").filter(pl.col("machine") == one.machine).sort("time").collect()
    column = f"log_{main.outcome}"
    if bins.is_empty() or column not in bins.columns:
        return ()
    time_s = bins["time"].dt.epoch("us").to_numpy() / 1e6
    conditions = [np.log(_numbers(bins["feed_t_h"]))]
    moisture = _numbers(bins["moisture_pct"])
    if np.isfinite(moisture).mean() > 0.8:
        conditions.append(moisture)
    values = list(one.steps[0]["values"])
    means = step_means(time_s, _numbers(bins[column]), np.column_stack(conditions), edges)
    if len(one.settings) > 1:
        return factorial_test(means.tolist(), order)
    test = randomisation_test(
        means.tolist(),
        [value for (value,) in order],
        len(values),
        values.index(main.from_value),
        values.index(main.to_value),
    )
    return () if test is None else (test,)


def _numbers(column: pl.Series) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        found = column.cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(float)
    return np.where(found > 0, found, np.nan) if column.name == "feed_t_h" else found


def _drawn(steps: tuple[dict[str, Any], ...]) -> tuple[list[State], list[float]] | None:
    """Numbers of the values in the order as drawn and the moments between them; None where lengths are no multiples
    of one."""
    lengths = [step["minutes"] or step["passes"] for step in steps]
    unit = min(lengths)
    counts = [round(length / unit) for length in lengths]
    if any(abs(count * unit - length) > 0.25 * unit for count, length in zip(counts, lengths, strict=True)):
        return None
    values = list(steps[0]["values"])
    begins = [_begins(steps, k) for k in range(len(steps))]
    order: list[State] = []
    second = list(steps[0]["second_values"] or ())
    edges: list[float] = []
    end = float("nan")
    for k, (step, count) in enumerate(zip(steps, counts, strict=True)):
        begin = begins[k]
        planned = 60.0 * step["minutes"] if step["minutes"] else float("nan")
        end = begins[k + 1] if k + 1 < len(steps) else begin + planned
        if not np.isfinite(end):
            end = begin + planned
        if end - begin > LONGEST_STEP_S:
            end = begin + planned
        state: State = (values.index(step["value"]),)
        if second:
            state = (*state, second.index(step["second_value"]))
        order += [state] * count
        edges += [begin + (end - begin) * n / count for n in range(count)]
    return order, [*edges, end]


def _begins(steps: tuple[dict[str, Any], ...], k: int) -> float:
    """When a step began [s]; NaN where it was not done. The first one may have been in force before."""
    at = steps[k]["done_at"]
    if isinstance(at, datetime):
        return at.timestamp()
    if k == 0 and steps[0]["step_status"] == "done" and len(steps) > 1 and steps[0]["minutes"]:
        after = steps[1]["done_at"]
        return after.timestamp() - 60.0 * steps[0]["minutes"] if isinstance(after, datetime) else float("nan")
    return float("nan")
