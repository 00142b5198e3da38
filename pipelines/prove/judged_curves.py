"""Response curves and best values of seasons whose settings have a best value, against the true curves."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.responses.best_value import best_values
from chaffinch.pipelines.prove.window_peers import ENDS, verdict_of
from chaffinch.pipelines.simulate.scenario import Effects
from chaffinch.pipelines.simulate.simulated_crops import ADJUSTABLES

CURVE = "response curve"
BEST = "best value"
Row = dict[str, Any]


def judge_curves(effects: Effects, responses: pl.DataFrame) -> list[Row]:
    """Rows of ``trial.JUDGED_SCHEMA``, without method, for the curves of all machines together.

    responses : the table of that name. A curve is judged at both ends of the values tried, against the value in use,
    as a log ratio. The best value is the one of the grid with the least true loss; it is judged in steps of the
    setting. Only curves of ``effects.bowls`` are, so a season without them has no rows.
    """
    if not effects.bowls:
        return []
    together = responses.filter(pl.col("machine").is_null()).with_columns(
        verdict_of(pl.col("log_ratio_low"), pl.col("log_ratio_high")).alias("verdict")
    )
    judged: list[Row] = []
    for setting, loss, best, rise in effects.bowls:
        of = together.filter(pl.col("setting") == setting, pl.col("outcome") == f"{loss}_loss")
        for curve in of.partition_by("crop", maintain_order=True):
            judged += _judged(curve.sort("value"), best, rise)
    return judged


def _judged(curve: pl.DataFrame, best: float, rise: float) -> Iterator[Row]:
    made = ADJUSTABLES[curve["setting"][0]]

    def steps(value: float | Array) -> Any:
        return (value - made.start) / made.step

    true = rise * (steps(curve["value"].to_numpy()) - best) ** 2
    in_use = float(curve["value_in_use"][0])
    here = rise * float(steps(in_use) - best) ** 2
    named = {name: curve[name][0] for name in ("setting", "outcome")}
    for i in (0, -1):
        one = curve.row(i, named=True)
        if np.isclose(one["value"], in_use):
            continue
        ends = {name: one[f"log_ratio{end}"] for name, end in ENDS.items()}
        yield named | {"scope": CURVE, "truth": float(true[i]) - here, "verdict": one["verdict"], **ends}
    found = best_values(curve)[0]
    yield named | {
        "scope": BEST,
        "truth": float(steps(curve["value"][int(true.argmin())])),
        **{name: float(steps(getattr(found, f"value{end}"))) for name, end in ENDS.items()},
        "verdict": "no clear change",
    }
