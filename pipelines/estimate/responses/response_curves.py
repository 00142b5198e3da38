"""The table ``responses``: each outcome along the values tried of each numeric setting, with the best of them.

Curves come from draws of the model in ``response_draws``. Nothing is said beyond the values tried: where the best
lies at the end of the range, higher or lower may be better still, and only a trial can show it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from chaffinch.pipelines.estimate.data.doses import Dose, Label
from chaffinch.pipelines.estimate.responses.response_draws import (
    FEED,
    MOISTURE,
    bent,
    draw_responses,
)
from chaffinch.pipelines.estimate.responses.response_rows import (
    CurveRows,
    InUse,
    NumericSetting,
)
from chaffinch.pipelines.estimate.results.nested_terms import FieldEstimates
from chaffinch.pipelines.estimate.results.shared_changes import ToShare, Used
from chaffinch.pipelines.estimate.results.spread_draws import KeptDraws
from chaffinch.schemas.tables import tables

Row = dict[str, Any]

ORDER = ["machine", "crop", "setting", "outcome", "value"]


@dataclass(frozen=True, slots=True)
class ToDraw:
    """One outcome, ready for ``curves_of``: its changes, its numeric settings, and what is drawn from.

    in_use : of ``values_in_use``. draws : of spreads, as known of earlier nights.
    """

    sharing: ToShare
    numbers: Sequence[NumericSetting]
    estimates: list[FieldEstimates]
    groups: list[int]
    in_use: InUse
    draws: KeptDraws | None

    @property
    def outcome(self) -> str:
        return self.sharing.outcome

    @property
    def columns(self) -> list[str]:
        """What decides the meaning of the columns of the doses."""
        return [
            *map(str, self.sharing.labels),
            *(f"{one.label} about {one.middle} by {one.step}" for one in self.numbers),
        ]


@dataclass(frozen=True, slots=True)
class Curves:
    """Rows of ``responses`` of one outcome. draws : of spreads, to be kept."""

    rows: pl.DataFrame
    draws: KeptDraws | None


def curves_of(what: ToDraw, only: Collection[str] | None = None) -> Curves:
    """The rows of one outcome: per crop over all machines, and per machine and crop. only : as of ``share``."""
    of = what.sharing
    drawn = draw_responses(what.estimates, what.groups, of.season.freedom, what.columns, what.draws, only)
    curves = CurveRows(
        what.outcome, of.of(only), drawn, what.in_use, of.diameters_m, of.level_of, only is None
    )
    return Curves(responses_table([row for one in what.numbers for row in curves.of(one)]), drawn.spreads)


def to_draw(sharing: ToShare, in_use: InUse, draws: KeptDraws | None = None) -> ToDraw | None:
    """None where no numeric setting was changed. draws : as known of earlier nights."""
    used, labels = sharing.used, sharing.labels
    numbers = _numeric_settings(used, labels)
    if not numbers:
        return None
    groups = [*range(len(labels)), *(one.at for one in numbers for _ in range(3))]
    return ToDraw(sharing, numbers, _bent_estimates(sharing, numbers), groups, in_use, draws)


def all_responses(parts: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Rows of all outcomes in a stable order."""
    return responses_in_order(pl.concat([tables()["responses"].empty(), *parts]))


def responses_in_order(frame: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``responses``, curve by curve."""
    return frame.sort(ORDER, nulls_last=True, maintain_order=True)


def responses_table(rows: Sequence[Row]) -> pl.DataFrame:
    """``rows`` as the contract has them."""
    table = tables()["responses"]
    if not rows:
        return table.empty()
    return table.conform(
        pl.DataFrame(rows, schema_overrides=dict(table.polars_schema()), infer_schema_length=None)
    )


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


def _bent_estimates(sharing: ToShare, numbers: Sequence[NumericSetting]) -> list[FieldEstimates]:
    """The estimates of ``sharing`` with columns of bends and interactions added to the doses."""
    used, labels = sharing.used, sharing.labels
    conditions = _conditions(used)
    by_label = {one.label: one for one in numbers}
    found = []
    for number, field in enumerate(sharing.estimates):
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
        around = u.of.binned.around(u.k)
        raw[u.field, u.k] = u.of.binned.crop, around.moisture_pct, around.log_feed
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
