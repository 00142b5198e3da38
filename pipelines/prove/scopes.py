"""Answers of all scopes against the truth: single changes in kg/ha, fields, machines, the season, a field to come."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.prove.window_peers import ENDS
from chaffinch.pipelines.simulate import MachineField
from chaffinch.pipelines.simulate.operators import RELATIVE_SD
from chaffinch.pipelines.simulate.scenario import REFERENCE_DRUM_M
from chaffinch.pipelines.simulate.simulated_crops import ADJUSTABLES
from chaffinch.pipelines.simulate.simulated_season import Season
from chaffinch.pipelines.simulate.truth import CHANNEL_OF

# A field to come is drawn so many times for each answer.
FIELDS_TO_COME = 4
KG_HA = "kg/ha"
NEXT_FIELD = "next field"
Row = dict[str, Any]


def steps_made(made: MachineField, binned: Binned | None, outcomes: Iterable[str]) -> pl.DataFrame:
    """Logged changes of one setting alone in one field job, with what their steps do on average.

    Columns of the truth (see ``simulate.truth.truth_table``), drum_m (diameter) and kg_ha: the true machine loss in
    the work before the change, null where there was none.
    """
    alone = made.truth.filter(
        pl.col("logged") & pl.col("joint_id").is_null() & pl.col("outcome").is_in(list(outcomes))
    )
    losses = _loss_before(made, binned) if binned is not None else {}
    before = [losses.get(moment) for moment in alone["logged_time"]]
    return alone.with_columns(
        pl.lit(made.machine.drum_diameter_m or REFERENCE_DRUM_M).alias("drum_m"),
        pl.Series("kg_ha", before, dtype=pl.Float64),
    )


def _loss_before(made: MachineField, binned: Binned) -> dict[Any, float]:
    """True machine loss, kg/ha, in the bins before each change, by its moment."""
    course = made.noise.course
    lost = (course["separation_lost_kg_s"] + course["cleaning_lost_kg_s"]).to_numpy()
    summed = np.concatenate([[0.0], np.cumsum(lost)])
    since = binned.time_s - course["time"][0].timestamp()
    first, last = (
        np.clip(np.round(since + way * binned.seconds / 2).astype(int), 0, lost.size) for way in (-1, 1)
    )
    lost_kg_s = (summed[last] - summed[first]) / np.maximum(last - first, 1)
    found = {}
    for k, change in enumerate(binned.changes):
        bins = (binned.step == k) & (binned.area_m2_s > 0)
        if bins.any():
            for moment in change.rows["time"]:
                found[moment] = float(1e4 * lost_kg_s[bins].sum() / binned.area_m2_s[bins].sum())
    return found


def judge_scopes(season: Season, steps: pl.DataFrame, effects: pl.DataFrame) -> list[Row]:
    """Rows of ``trial.JUDGED_SCHEMA``, without method, for each row of ``effects`` beyond single changes.

    steps : of ``steps_made``, all fields. A field's truth is the mean effect of its steps, a machine's and the
    season's that of theirs; where a step does not always do the same (a best value, two losses in one sum), the mean
    over the changes behind the row. Answers in kg/ha are judged at all scopes, as the true effect on the true loss.
    """
    by_setting = {
        (key[0], key[1]): some for key, some in steps.partition_by("setting", "outcome", as_dict=True).items()
    }
    rng = np.random.default_rng(season.seed)
    judged: list[Row] = []
    for row in effects.filter(pl.col("verdict") != "cannot tell").iter_rows(named=True):
        truths = by_setting.get((row["setting"], row["outcome"]))
        mine = None if truths is None else _behind(truths, row)
        if mine is None or mine.is_empty():
            continue
        if row["scope"] == "adjustment":
            truth = float(mine["log_ratio"][0]) if mine["log_ratio"][0] is not None else math.nan
        else:
            truth = _mean_truth(mine, row)
        if not math.isfinite(truth):
            continue
        named = {name: row[name] for name in ("machine", "field", "setting", "outcome")}
        named |= {"change_time": row["time"]}
        if row["scope"] != "adjustment":
            judged.append(named | _answer(row, truth))
            judged += [named | one for one in _to_come(season, row, mine, truth, rng)]
        level = mine["kg_ha"].mean()
        if row["absolute_unit"] == KG_HA and isinstance(level, float):
            ends = {end: row[f"absolute{name}"] for end, name in ENDS.items()}
            judged.append(named | _answer(row, level * math.expm1(truth)) | ends | {"scope": KG_HA})
    return judged


def _answer(row: Row, truth: float) -> Row:
    ends = {end: row[f"log_ratio{name}"] for end, name in ENDS.items()}
    same = {name: row[name] for name in ("scope", "verdict", "chance_less")}
    return {**same, "truth": truth, **ends}


def _behind(truths: pl.DataFrame, row: Row) -> pl.DataFrame:
    """The changes behind a row."""
    for name in ("machine", "field", "crop"):
        if row[name] is not None:
            truths = truths.filter(pl.col(name) == row[name])
    return truths if row["time"] is None else truths.filter(pl.col("logged_time") == row["time"])


def _mean_truth(mine: pl.DataFrame, row: Row) -> float:
    """Mean over the changes behind a row of what its step does."""
    each = mine[f"{row['scope']}_log_ratio"].to_numpy() / mine["steps"].to_numpy()
    of_row = np.array([steps_of(row, drum_m) for drum_m in mine["drum_m"]])
    return float(np.mean(each * of_row))


def steps_of(row: Mapping[str, Any], drum_m: float) -> float:
    """The row's step in steps of the simulator, with its sign, on a drum of that diameter."""
    made = ADJUSTABLES[row["setting"]]
    if made.positions:
        return 1.0 if row["from_value"] == made.positions[0] else -1.0
    if row["per_step"] is None:
        return (float(row["to_value"]) - float(row["from_value"])) / made.step
    if row["unit"] == made.unit:
        return float(row["per_step"]) / made.step
    # Stated per tip speed: v = pi d n.
    return float(row["per_step"]) / (math.pi * drum_m * made.step / 60)


def _to_come(
    season: Season, row: Row, mine: pl.DataFrame, truth: float, rng: np.random.Generator
) -> Iterator[Row]:
    """Effects in fields to come, drawn about the truth of the row; none where fields do not differ by a stated sd."""
    effects, outcome = season.scenario.effects, row["outcome"]
    if row["next_field_percent_low"] is None or outcome not in CHANNEL_OF or effects.bowls:
        return
    spread = math.hypot(
        effects.between_fields_sd, effects.between_machines_sd if row["scope"] == "season" else 0.0
    )
    sizes: Sequence[float] = [abs(steps_of(row, drum_m)) for drum_m in mine["drum_m"]]
    sd = float(np.mean(sizes)) * spread * RELATIVE_SD[CHANNEL_OF[outcome]] if truth else 0.0
    ends = {end: math.log1p(row[f"next_field_percent_{end}"] / 100) for end in ("low", "high")}
    said = {
        "scope": NEXT_FIELD,
        "estimate": row["log_ratio"],
        "verdict": "no clear change",
        "chance_less": None,
    }
    drawn: Array = truth + sd * rng.standard_normal(FIELDS_TO_COME)
    for one in drawn.tolist():
        yield {**said, **ends, "truth": one}
