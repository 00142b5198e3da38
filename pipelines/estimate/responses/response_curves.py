"""The table ``responses``: each outcome along the values tried of each numeric setting, with the best of them.

Curves come from draws of the model in ``response_draws``. Nothing is said beyond the values tried: where the best
lies at the end of the range, higher or lower may be better still, and only a trial can show it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.estimate.data.bins import Binned
from chaffinch.pipelines.estimate.data.doses import Diameters, Dose, Label
from chaffinch.pipelines.estimate.model.season import SeasonOutcome
from chaffinch.pipelines.estimate.responses.response_draws import (
    FEED,
    MOISTURE,
    Draws,
    bent,
    draw_responses,
)
from chaffinch.pipelines.estimate.responses.response_rows import (
    CurveRows,
    LevelOf,
    NumericSetting,
    values_in_use,
)
from chaffinch.pipelines.estimate.results.nested_terms import FieldEstimates
from chaffinch.pipelines.estimate.results.shared_changes import ChangeKey, Used, estimates_of, used_changes
from chaffinch.pipelines.estimate.results.spread_draws import KeptDraws
from chaffinch.pipelines.parallel.fan_out import FanOut, one_by_one
from chaffinch.pipelines.parallel.processes import processes_for, through_processes
from chaffinch.schemas.tables import tables

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class ToDraw:
    """One outcome, ready for ``draw_responses``: its changes, its numeric settings, and what is drawn from."""

    season: SeasonOutcome
    used: Sequence[Used]
    numbers: Sequence[NumericSetting]
    estimates: list[FieldEstimates]
    groups: list[int]

    @property
    def columns(self) -> list[str]:
        """What decides the meaning of the columns of the doses."""
        labels = sorted({str(d.label) for u in self.used for d in u.doses})
        return [*labels, *(f"{one.label} about {one.middle} by {one.step}" for one in self.numbers)]


def responses_of(
    season: Mapping[str, SeasonOutcome],
    usable: Mapping[str, Collection[ChangeKey]],
    fields: Sequence[Binned],
    diameters_m: Diameters,
    levels: Mapping[str, LevelOf],
    each: FanOut = one_by_one,
    kept: MutableMapping[str, KeptDraws] | None = None,
) -> pl.DataFrame:
    """The table ``responses``: per crop over all machines, and per machine and crop.

    season, usable, levels : by outcome, as for ``shared_rows``. fields : all field jobs, whose last changes say
    which values are in use. ``each`` spreads the outcomes.
    """
    ready = {name: one for name in season if (one := _to_draw(season[name], usable[name], diameters_m))}
    kept = {} if kept is None else kept
    inputs = [
        (name, (one.estimates, one.groups, one.season.freedom, one.columns, kept.get(name)))
        for name, one in ready.items()
    ]
    many = processes_for(len(fields))
    drawn = through_processes(each, "respond", _draw_apart, inputs, itemgetter(0), many)
    in_use = values_in_use(fields)
    rows: list[Row] = []
    for (name, one), draws in zip(ready.items(), drawn, strict=True):
        if draws.spreads is not None:
            kept[name] = draws.spreads
        curves = CurveRows(name, one.used, draws, in_use, diameters_m, levels[name])
        rows += [row for number in one.numbers for row in curves.of(number)]
    return responses_table(rows)


def _draw_apart(
    one: tuple[str, tuple[list[FieldEstimates], list[int], float, list[str], KeptDraws | None]],
) -> Draws:
    return draw_responses(*one[1])


def _to_draw(season: SeasonOutcome, usable: Collection[ChangeKey], diameters_m: Diameters) -> ToDraw | None:
    """None where no numeric setting was changed."""
    used = used_changes(season, usable, diameters_m)
    labels = sorted({d.label for u in used for d in u.doses}, key=str)
    numbers = _numeric_settings(used, labels)
    if not numbers:
        return None
    groups = [*range(len(labels)), *(one.at for one in numbers for _ in range(3))]
    return ToDraw(season, used, numbers, _bent_estimates(used, labels, numbers, season), groups)


def responses_table(rows: Sequence[Row]) -> pl.DataFrame:
    """``rows`` as the contract has them, in a stable order."""
    table = tables()["responses"]
    if not rows:
        return table.empty()
    frame = pl.DataFrame(rows, schema_overrides=dict(table.polars_schema()), infer_schema_length=None)
    order = ["machine", "crop", "setting", "outcome", "value"]
    return table.conform(frame).sort(order, nulls_last=True, maintain_order=True)


def _numeric_settings(used: Sequence[Used], labels: Sequence[Label]) -> list[NumericSetting]:
    """The numeric settings among ``labels``; their bends and interactions are columns after those of all labels."""
    tried: dict[Label, list[Dose]] = {}
    for u in used:
        for dose in u.doses:
            if dose.values is not None and dose.per_step:
                tried.setdefault(dose.label, []).append(dose)
    found = []
    for i, (label, doses) in enumerate(sorted(tried.items(), key=lambda one: str(one[0]))):
        values = [value for dose in doses for value in dose.values or ()]
        middle, step = (min(values) + max(values)) / 2, float(doses[0].per_step or 1.0)
        at, bend = labels.index(label), len(labels) + 3 * i
        found.append(NumericSetting(label, doses[0].unit, at, bend, middle, step))
    return found


def _bent_estimates(
    used: Sequence[Used], labels: Sequence[Label], numbers: Sequence[NumericSetting], season: SeasonOutcome
) -> list[FieldEstimates]:
    """The estimates of ``shared_changes`` with columns of bends and interactions added to the doses."""
    conditions = _conditions(used)
    by_label = {one.label: one for one in numbers}
    found = []
    for number, field in enumerate(estimates_of(used, labels, season)):
        mine = [u for u in used if u.field == number]
        more = np.zeros((len(mine), 3 * len(numbers)))
        for i, u in enumerate(mine):
            moisture, feed = conditions[u.field, u.k]
            for dose in u.doses:
                one = by_label.get(dose.label)
                if one is None or dose.values is None:
                    continue
                at = one.bend - len(labels)
                moved = dose.amount
                before, after = (float(one.z(value)) for value in dose.values)
                more[i, at : at + 3] += (
                    float(bent(before, after)),
                    MOISTURE * moved * moisture,
                    FEED * moved * feed,
                )
        found.append(replace(field, doses=np.hstack([field.doses, more])))
    return found


def _conditions(used: Sequence[Used]) -> dict[tuple[int, int], tuple[float, float]]:
    """Moisture and log feed rate of the work around each change, about the means of its crop; 0 where unknown."""
    raw: dict[tuple[int, int], tuple[str | None, float, float]] = {}
    for u in used:
        binned = u.of.binned
        near = (binned.step == u.k) | (binned.step == u.k + 1)
        moisture = binned.moisture_pct[near & np.isfinite(binned.moisture_pct)]
        feed = binned.feed_t_h[near & (binned.feed_t_h > 0)]
        raw[u.field, u.k] = (
            binned.crop,
            float(moisture.mean()) if moisture.size else np.nan,
            float(np.log(feed).mean()) if feed.size else np.nan,
        )
    means: dict[str | None, list[float]] = {}
    for crop in {one[0] for one in raw.values()}:
        both = np.array([one[1:] for one in raw.values() if one[0] == crop])
        means[crop] = [float(c[np.isfinite(c)].mean()) if np.isfinite(c).any() else 0.0 for c in both.T]
    return {
        key: (_about(moisture, means[crop][0]), _about(feed, means[crop][1]))
        for key, (crop, moisture, feed) in raw.items()
    }


def _about(value: float, mean: float) -> float:
    return value - mean if np.isfinite(value) else 0.0
