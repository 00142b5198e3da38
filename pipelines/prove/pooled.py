"""Season rows compared with the true mean effects of the season."""

from __future__ import annotations

import math
from typing import Any

import polars as pl
from chaffinch.pipelines.simulate.operators import RELATIVE_SD
from chaffinch.pipelines.simulate.scenario import REFERENCE_DRUM_M
from chaffinch.pipelines.simulate.simulated_crops import ADJUSTABLES
from chaffinch.pipelines.simulate.simulated_season import Season
from chaffinch.pipelines.simulate.truth import CHANNEL_OF

POOLED_SCHEMA = {
    "scenario": pl.String(),
    "seed": pl.Int64(),
    "crop": pl.String(),
    "setting": pl.String(),
    "outcome": pl.String(),
    "truth": pl.Float64(),
    "estimate": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
    "verdict": pl.String(),
    "next_field_held": pl.Float64(),
}
"""One row a season, crop (null: all), setting and outcome, on the natural-log scale for one step of the catalogue.

truth : the season's mean effect. next_field_held : chance that the effect in a next field lies in its stated range;
null where none is stated.
"""


def judge_pooled(season: Season, effects: pl.DataFrame) -> pl.DataFrame:
    """Rows of scope ``season`` in ``effects`` with their truth: rows of ``POOLED_SCHEMA``.

    Left out are outcomes without a true effect per step, such as machine loss and capacity, and rows based on one
    field, whose effects are judged change by change.
    """
    shown = effects.filter(
        (pl.col("scope") == "season")
        & pl.col("outcome").is_in(list(CHANNEL_OF))
        & (pl.col("verdict") != "cannot tell")
        & ~pl.col("reasons").list.contains("one_field").fill_null(False)
    )
    rows = []
    for row in shown.iter_rows(named=True):
        truth = _steps_of(row) * season.effects[row["setting"]][CHANNEL_OF[row["outcome"]]]
        rows.append(
            {
                "scenario": season.scenario.name,
                "seed": season.seed,
                **{name: row[name] for name in ("crop", "setting", "outcome", "verdict")},
                "truth": truth,
                "estimate": row["log_ratio"],
                "low": row["log_ratio_low"],
                "high": row["log_ratio_high"],
                "next_field_held": _next_field_held(season, row, truth),
            }
        )
    return pl.DataFrame(rows, schema=POOLED_SCHEMA)


def _steps_of(row: dict[str, Any]) -> float:
    """The row's step in steps of the simulator, with its sign."""
    made = ADJUSTABLES[row["setting"]]
    if made.positions:
        return 1.0 if row["from_value"] == made.positions[0] else -1.0
    if row["unit"] == made.unit:
        return float(row["per_step"]) / made.step
    # Stated per tip speed, which acts alike on every drum: v = pi d n.
    return float(row["per_step"]) / (math.pi * REFERENCE_DRUM_M * made.step / 60)


def _next_field_held(season: Season, row: dict[str, Any], truth: float) -> float | None:
    """Effects of fields are normal about the season's; where that is zero, theirs are zero too."""
    from scipy.stats import norm

    if row["next_field_percent_low"] is None or row["next_field_percent_high"] is None:
        return None
    low, high = (math.log1p(row[f"next_field_percent_{end}"] / 100) for end in ("low", "high"))
    if truth == 0:
        return float(low < 0 < high)
    channel = CHANNEL_OF[row["outcome"]]
    spread = abs(_steps_of(row)) * season.scenario.effects.between_fields_sd * RELATIVE_SD[channel]
    if spread == 0:
        return float(low < truth < high)
    return float(norm.cdf(high, truth, spread) - norm.cdf(low, truth, spread))
