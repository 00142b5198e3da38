"""Figure: what each change did to losses, throughput and capacity, with ranges and their numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from chaffinch.dashboards.figures.stacked import ratio_ticks
from chaffinch.dashboards.figures.theme import MARK_LETTER, MARK_SYMBOL, Figure, light, template
from chaffinch.dashboards.words.shown_changes import Outcome, ShownChange
from chaffinch.dashboards.words.terms import NARROW, name_in_figure, percent_range, setting_change, signed

# Each tick has its opposite: halved and doubled, three quarters and four thirds.
FINE_TICKS_PERCENT = (-50, -33, -20, 0, 25, 50, 100)
COARSE_TICKS_PERCENT = (-90, -75, -50, -25, 0, 33, 100, 300, 900)
LEAST_REACH, LARGEST_REACH = math.log(1.6), math.log(10.0)
# On a narrow window the site's script moves the labels above their bars and gives rows more height.
ROW_PX, LABELS_PX = 44, 312

Weight = Literal["adjustment", "field", "season"]
# Marker size, width of the bar: the more data in a row, the heavier it is drawn.
WEIGHTS: dict[Weight, tuple[int, float]] = {"adjustment": (9, 1.5), "field": (12, 3.0), "season": (14, 6.0)}


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the chart. next_field : log range expected for the effect in the next field."""

    outcome: Outcome
    label: str
    weight: Weight = "field"
    next_field: tuple[float, float] | None = None


Titled = Sequence[tuple[Sequence[str], Sequence[Row]]]


def effect_chart(titled: Titled) -> Figure | None:
    """Ranges on an axis that is even in ratios, so that halved and doubled lie equally far from zero.

    titled : groups of (lines of the title, rows). None where no group has a row.
    """
    groups = [(lines, list(rows)) for lines, rows in titled if rows]
    if not groups:
        return None
    shown = [row for _, rows in groups for row in rows]
    outcomes = [row.outcome for row in shown if row.outcome.has_range]
    ends = [end for o in outcomes for end in (o.log_low, o.log_high) if end]
    reach = reach_of([*ends, *(end for row in shown for end in row.next_field or ())])
    y, placed = 0.0, []
    notes: list[dict[str, Any]] = []
    shapes: list[dict[str, Any]] = [_line(0.0, 0.0, 0.0, 1.0, "ink", 1.5, yref="paper")]
    for lines, rows in groups:
        if y:
            shapes += _rule(y)
            y += 0.12
        title_height = 0.3 + 0.4 * len(lines)
        notes.append(_text("<b>" + "<br>".join(lines) + "</b>", y + title_height / 2, "title"))
        y += title_height
        for row in rows:
            placed.append((y + 0.5, row))
            notes.append(_text(_label(row), y + 0.5, "label"))
            if not row.outcome.has_range:
                shapes.append(_line(-reach, y + 0.5, reach, y + 0.5, "unclear", 1, dash="dot"))
            y += 1.0
        y += 0.15
    x_axis = {
        "range": [-reach, reach],
        **ratio_ticks(ticks_within(reach)),
        "tickangle": 0,
        "side": "top",
        "title": {"text": "change, %"},
    }
    y_axis = {
        "range": [y, 0],
        "showgrid": False,
        "automargin": False,
        "showticklabels": False,
    }
    return Figure(
        _ranges(placed, reach),
        {
            "height": y * ROW_PX + 62,
            "margin": {"l": LABELS_PX, "r": 14, "t": 6, "b": 8},
            "annotations": notes,
            "template": _look(),
            "shapes": shapes,
            "meta": {"labels_px": LABELS_PX},
            "xaxis": x_axis,
            "yaxis": y_axis,
        },
    )


def by_worth(
    groups: Sequence[tuple[Any, Sequence[Outcome]]], open_ones: bool
) -> list[tuple[Any, list[Outcome]]]:
    """Of each group its outcomes that are open, or those that are not; the group with the largest effect first."""
    kept = [(name, [o for o in outcomes if o.open == open_ones]) for name, outcomes in groups]
    return sorted(
        ((name, outcomes) for name, outcomes in kept if outcomes),
        key=lambda group: -max(abs(o.log_ratio or 0.0) for o in group[1]),
    )


def change_lines(change: ShownChange, when: str) -> list[str]:
    """Title lines of a change, short enough for a telephone."""
    if change.is_comparison:
        return [f"{change.numbers}. Trial, from {when}", name_in_figure(change.title, 36)]
    names = [name_in_figure(setting_change(*one), 36) for one in change.settings]
    return [f"{change.number}. {when}  {names[0]}", *(f"and {name}" for name in names[1:])]


def rows_of_outcomes(outcomes: Sequence[Outcome]) -> list[Row]:
    """Rows that go by the name of what was measured."""
    return [Row(o, o.words[:1].upper() + o.words[1:]) for o in outcomes]


def ticks_within(reach: float) -> list[int]:
    """Percentages to mark on an axis that reaches ``reach`` (log) to both sides."""
    listed = FINE_TICKS_PERCENT if reach < 0.75 else COARSE_TICKS_PERCENT
    return [tick for tick in listed if abs(math.log1p(tick / 100)) <= reach]


def reach_of(ends: Iterable[float]) -> float:
    """Log distance that shows these ends, within limits."""
    return min(max([LEAST_REACH, *(1.06 * abs(end) for end in ends)]), LARGEST_REACH)


def _text(text: str, y: float, name: str) -> dict[str, Any]:
    """A label; what all labels have in common is said once, in the figure's template."""
    return {"text": text, "name": name, "x": 0, "xshift": -LABELS_PX, "y": round(y, 3)}


@cache
def _look() -> dict[str, Any]:
    labels = {
        "xref": "paper",
        "xanchor": "left",
        "yref": "y",
        "yanchor": "middle",
        "showarrow": False,
        "align": "left",
        "bgcolor": light("paper"),
        "borderpad": 1,
    }
    return {"layout": {**template().layout.to_plotly_json(), "annotationdefaults": labels}}


def _label(row: Row) -> str:
    outcome = row.outcome
    verdict = (
        f"<span style='color:{light(outcome.tone)}'>{MARK_LETTER[outcome.verdict]} {outcome.verdict}</span>"
    )
    numbers = ""
    if outcome.has_range:
        ends = f"{signed(outcome.low)} to {signed(outcome.high)}"  # type: ignore[arg-type]
        text = f"{signed(outcome.percent)}{NARROW}% ({ends})"  # type: ignore[arg-type]
        numbers = f"  <span style='color:{light('quiet')}'>{text}</span>"
    name = f"<b>{row.label}</b>" if row.weight == "season" else row.label
    return f"{name}<br>{verdict}{numbers}"


def _line(
    x0: float, y0: float, x1: float, y1: float, colour: str, width: float, **more: Any
) -> dict[str, Any]:
    dash = {"dash": more.pop("dash")} if "dash" in more else {}
    line = {"color": light(colour), "width": width, **dash}
    return {"type": "line", "x0": x0, "x1": x1, "y0": y0, "y1": y1, "layer": "below", "line": line, **more}


def _rule(y: float) -> list[dict[str, Any]]:
    """A hairline between groups, over the plot and its labels."""
    labels = {"xsizemode": "pixel", "xanchor": 0, "x0": -LABELS_PX, "x1": 0, "name": "rule of labels"}
    rule = _line(0.0, y, 1.0, y, "line", 1) | {"xref": "paper", "name": "rule"}
    return [rule, rule | labels]


def _ranges(placed: Sequence[tuple[float, Row]], reach: float) -> list[dict[str, Any]]:
    beyond = [(y, row.next_field) for y, row in placed if row.next_field]
    traces = [_next_fields(beyond, reach)] if beyond else []
    for verdict in MARK_SYMBOL:
        for colour in ("better", "worse", "unclear"):
            for weight in WEIGHTS:
                known = [
                    (y, r)
                    for y, r in placed
                    if (r.outcome.verdict, r.outcome.tone, r.weight) == (verdict, colour, weight)
                    and r.outcome.has_range
                ]
                if known:
                    traces.append(_range_trace(known, verdict, colour, weight))
    return traces


def _short(log_ratio: float | None) -> float | None:
    """To a tenth of a per mille: no eye sees more, and pages stay small."""
    return None if log_ratio is None else round(log_ratio, 4)


def _next_fields(ranges: Sequence[tuple[float, tuple[float, float]]], reach: float) -> dict[str, Any]:
    """A thin line where the effect in the next field is expected."""
    return {
        "type": "scatter",
        "x": [
            x for _, (low, high) in ranges for x in (_short(max(low, -reach)), _short(min(high, reach)), None)
        ],
        "y": [at for y, _ in ranges for at in (round(y, 3), round(y, 3), None)],
        "mode": "lines+markers",
        "name": "next field",
        "line": {"color": light("quiet"), "width": 1.5},
        "marker": {"symbol": "line-ns", "size": 9, "line": {"width": 1.5, "color": light("quiet")}},
        "hoverinfo": "skip",
    }


def _range_trace(known: Sequence[tuple[float, Row]], verdict: str, colour: str, weight: Weight) -> dict:
    outcomes = [row.outcome for _, row in known]
    size, thickness = WEIGHTS[weight]
    return {
        "type": "scatter",
        "x": [_short(o.log_ratio) for o in outcomes],
        "y": [round(y, 3) for y, _ in known],
        "mode": "markers",
        "name": verdict,
        "meta": weight,
        "marker": {
            "symbol": MARK_SYMBOL[verdict],
            "size": size,
            "color": light(colour),
            "line": {"width": 2, "color": light(colour)},
        },
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": [_short(o.log_high - o.log_ratio) for o in outcomes],  # type: ignore[operator]
            "arrayminus": [_short(o.log_ratio - o.log_low) for o in outcomes],  # type: ignore[operator]
            "color": light(colour),
            "thickness": min(thickness, 1.5) if verdict == "cannot tell" else thickness,
            "width": 5,
        },
        "hoverinfo": "text",
        "hovertext": [
            f"{row.label}: {signed(o.percent)} % ({percent_range(o.low, o.high)}), {o.verdict}"  # type: ignore[arg-type]
            for (_, row), o in zip(known, outcomes, strict=True)
        ],
    }
