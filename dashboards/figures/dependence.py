"""How the effect of a setting depends on moisture and on feed rate: over the adjustments of a season."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from chaffinch.dashboards.figures.effect_chart import ticks_within
from chaffinch.dashboards.figures.parts import Drawn, ShownTable, draw, number, rows_of
from chaffinch.dashboards.figures.stacked import range_and_line, ratio_ticks, single
from chaffinch.dashboards.figures.theme import Figure, light
from chaffinch.dashboards.words import terms as words
from chaffinch.pipelines.agronomy.exact import ENDS_95, REACH_95
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.errors import counted

# Least number of adjustments, and least spread of the condition, for a slope.
LEAST_CHANGES, LEAST_MOISTURE_SPAN_PCT, LEAST_FEED_RATIO = 5, 1.0, 1.2
LOSS_MARKS = (("separation_loss", "separation", "circle"), ("cleaning_loss", "cleaning", "square"))
GRID = 5


@dataclass(frozen=True, slots=True)
class Point:
    """One adjustment's effect on one loss. per_step : natural-log effect of one step, of standard ``error``.

    moisture_pct, feed : medians of steady work on both sides, feed in the shown unit; None where not logged.
    """

    where: str
    outcome: str
    per_step: float
    error: float
    moisture_pct: float | None
    feed: float | None

    @property
    def ends(self) -> tuple[float, float]:
        """The 95 % range."""
        return self.per_step - REACH_95 * self.error, self.per_step + REACH_95 * self.error


@dataclass(frozen=True, slots=True)
class Slope:
    """Line through effects: ``x``, ``y``, ``low``, ``high`` at ``GRID`` places; and whether it clearly slopes."""

    x: Array
    y: Array
    low: Array
    high: Array
    verdict: str


def slope(x: Array, effects: Array, errors: Array) -> Slope:
    """Random-effects line of log ``effects`` (n,) with standard ``errors`` on ``x``, with its 95 % band.

    Variance around the line by moments (Thompson and Sharp 1999, Statist. Med. 18:2693-2708), ranges after
    Knapp and Hartung (2003, Statist. Med. 22:2693-2710) with a scale never below one, on n - 2 degrees of
    freedom.
    """
    from scipy.special import stdtrit

    design = np.column_stack([np.ones(x.size), x - x.mean()])
    freedom = x.size - 2
    weight = 1.0 / errors**2
    gram = design.T @ (weight[:, None] * design)
    rest = effects - design @ np.linalg.solve(gram, design.T @ (weight * effects))
    spread = weight.sum() - np.trace(np.linalg.solve(gram, design.T @ (weight[:, None] ** 2 * design)))
    between = max(0.0, (float(weight @ rest**2) - freedom) / spread) if spread > 0 else 0.0
    weight = 1.0 / (errors**2 + between)
    covariance = np.linalg.inv(design.T @ (weight[:, None] * design))
    line = covariance @ design.T @ (weight * effects)
    scale = max(1.0, float(weight @ (effects - design @ line) ** 2) / freedom)
    covariance = covariance * scale
    factor = float(stdtrit(freedom, ENDS_95[1]))
    at = np.linspace(x.min(), x.max(), GRID)
    places = np.column_stack([np.ones(GRID), at - x.mean()])
    y = places @ line
    half = factor * np.sqrt(np.einsum("ij,jk,ik->i", places, covariance, places))
    reach = factor * float(np.sqrt(covariance[1, 1]))
    verdict = "no clear change" if abs(line[1]) <= reach else ("more" if line[1] > 0 else "less")
    return Slope(at, y, y - half, y + half, verdict)


@dataclass(frozen=True, slots=True)
class Condition:
    """What an effect may depend on: attribute of ``Point``, words, unit, words of its high end."""

    name: str
    words: str
    unit: str
    high: str

    def known(self, points: Sequence[Point]) -> list[tuple[float, Point]]:
        listed = ((getattr(point, self.name), point) for point in points)
        return sorted(((x, p) for x, p in listed if x is not None), key=lambda pair: (pair[0], pair[1].where))

    def refusal(self, x: Array) -> str | None:
        """Why no line can be drawn; None where it can."""
        if x.size < LEAST_CHANGES:
            return f"with {counted(x.size, 'adjustment')} ({LEAST_CHANGES} needed)"
        same = (
            np.ptp(x) < LEAST_MOISTURE_SPAN_PCT
            if self.name == "moisture_pct"
            else x.max() < LEAST_FEED_RATIO * x.min()
        )
        return f"because all adjustments were made at nearly the same {self.words}" if same else None


def conditions_of(feed_unit: str) -> tuple[Condition, Condition]:
    return (
        Condition("moisture_pct", "moisture", "%", "wetter grain"),
        Condition("feed", "grain feed rate", feed_unit, "a higher grain feed rate"),
    )


def dependence(
    name: str, identity: str, points: Sequence[Point], feed_unit: str
) -> tuple[list[str], list[Drawn]]:
    """Sentences and figures on one change of a setting (``name``: ``Fan speed, per +50 rpm``)."""
    sentences: list[str] = []
    figures = []
    for condition in conditions_of(feed_unit):
        lines: dict[str, Slope] = {}
        refused: dict[str, list[str]] = {}
        for outcome, *_ in LOSS_MARKS:
            known = condition.known([p for p in points if p.outcome == outcome])
            x = np.array([at for at, _ in known])
            why = condition.refusal(x)
            if why is not None:
                refused.setdefault(why, []).append(words.OUTCOME_WORDS[outcome])
                continue
            effects = np.array([p.per_step for _, p in known])
            lines[outcome] = slope(x, effects, np.array([p.error for _, p in known]))
            sentences.append(_sentence(outcome, condition, lines[outcome]))
        about = condition.words.capitalize()
        sentences += [f"{about}: cannot tell for {' and '.join(of)} {why}." for why, of in refused.items()]
        known = condition.known(points)
        if len({at for at, _ in known}) > 2:
            text = f"{name}: effect on losses against {condition.words}, one mark an adjustment."
            part = draw(
                _figure(known, lines, condition),
                f"{identity}-{condition.name.partition('_')[0]}",
                text,
                _table(name, known, lines, condition),
            )
            figures += [part] if part else []
    return sentences, figures


def _sentence(outcome: str, condition: Condition, line: Slope) -> str:
    about = f"{condition.words.capitalize()}, {words.OUTCOME_WORDS[outcome]}"
    ends = [
        f"{words.signed(100 * np.expm1(line.y[k]))}{words.NARROW}% "
        f"({words.percent_range(100 * np.expm1(line.low[k]), 100 * np.expm1(line.high[k]))}) "
        f"at {words.significant(float(line.x[k]), 3)}{words.NARROW}{condition.unit}"
        for k in (0, -1)
    ]
    said = {
        "more": f"its effect rises with {condition.high}",
        "less": f"its effect falls with {condition.high}",
        "no clear change": f"no clear dependence on {condition.words}",
    }[line.verdict]
    return f"{about}: {said}; {ends[0]}, {ends[1]}."


def _figure(known: Sequence[tuple[float, Point]], lines: dict[str, Slope], condition: Condition) -> Figure:
    traces: list[dict[str, Any]] = []
    for outcome, colour, symbol in LOSS_MARKS:
        own = [(x, p) for x, p in known if p.outcome == outcome]
        if outcome in lines:
            traces += _line(lines[outcome], colour)
        if own:
            traces.append(_marks(own, outcome, colour, symbol))
    ends = [end for _, p in known for end in p.ends]
    reach = min(max(0.3, 1.05 * max(abs(end) for end in ends)), 2.3)
    ticks = ticks_within(reach)
    zero = {"zeroline": True, "zerolinecolor": light("ink"), "zerolinewidth": 1.5}
    y_axis = {"range": [-reach, reach], **ratio_ticks(ticks), **zero, "title": "effect of one step, %"}
    return single(traces, {"title": f"{condition.words}, {condition.unit}", "nticks": 6}, y_axis, 340)


def _marks(own: Sequence[tuple[float, Point]], outcome: str, colour: str, symbol: str) -> dict[str, Any]:
    return {
        "x": [round(x, 3) for x, _ in own],
        "y": [round(p.per_step, 5) for _, p in own],
        "name": words.OUTCOME_WORDS[outcome],
        "meta": "changes",
        "mode": "markers",
        "marker": {"symbol": symbol, "size": 9, "color": light(colour)},
        "error_y": {
            "type": "data",
            "array": [round(REACH_95 * p.error, 5) for _, p in own],
            "color": light(colour),
            "thickness": 1.5,
            "width": 0,
        },
        "hoverinfo": "text",
        "hovertext": [words.name_in_figure(p.where) for _, p in own],
    }


def _line(line: Slope, colour: str) -> list[dict[str, Any]]:
    middle, low, high = (values.round(5).tolist() for values in (line.y, line.low, line.high))
    band, curve = range_and_line(line.x.round(3).tolist(), middle, (low, high), "line", "line")
    band |= {"meta": "band", "fillcolor": light(colour), "opacity": 0.15, "showlegend": False}
    return [band, curve | {"line": {"color": light(colour), "width": 2.5}, "showlegend": False}]


def _table(
    name: str, known: Sequence[tuple[float, Point]], lines: dict[str, Slope], condition: Condition
) -> ShownTable:
    def cells(where: str, outcome: str, x: float, middle: float, low: float, high: float) -> list[str]:
        percents = [words.signed(100 * float(np.expm1(value))) for value in (middle, low, high)]
        ends = f"{percents[1]} to {percents[2]}"
        return [where, words.OUTCOME_WORDS[outcome], number(x, 1), percents[0], ends]

    rows = [cells(p.where, p.outcome, x, p.per_step, *p.ends) for x, p in known]
    for outcome, line in lines.items():
        parts = zip(line.x, line.y, line.low, line.high, strict=True)
        rows += [cells("Line", outcome, *(float(value) for value in part)) for part in parts]
    columns = ("Adjustment", "Loss", f"{condition.words.capitalize()}, {condition.unit}", "Effect, %",
               "95 % range, %")  # fmt: skip
    return ShownTable(f"{name}: effect against {condition.words}", columns, rows_of(rows))
