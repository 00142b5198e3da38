"""Figure: what each change did to losses, throughput and capacity, with ranges."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from chaffinch.dashboards.changes import Change, Outcome
from chaffinch.dashboards.theme import MARK_LETTER, MARK_SYMBOL, light, template
from chaffinch.dashboards.words import name_in_figure, percent_range, setting_change, signed

if TYPE_CHECKING:
    import plotly.graph_objects as go

# Each tick has its opposite: halved and doubled, three quarters and four thirds.
FINE_TICKS_PERCENT = (-50, -33, -20, 0, 25, 50, 100)
COARSE_TICKS_PERCENT = (-90, -75, -50, -25, 0, 33, 100, 300, 900)
LEAST_REACH, LARGEST_REACH = math.log(1.6), math.log(10.0)
ROW_PX, LABELS_PX = 46, 122


def effect_chart(titled: Sequence[tuple[Sequence[str], Sequence[Outcome]]]) -> go.Figure | None:
    """Ranges on an axis that is even in ratios, so that halved and doubled lie equally far from zero.

    titled : groups of (lines of the title, outcomes). None where no group has an outcome.
    """
    import plotly.graph_objects as go

    groups = [(lines, list(outcomes)) for lines, outcomes in titled if outcomes]
    if not groups:
        return None
    reach = _reach([o for _, outcomes in groups for o in outcomes])
    figure = go.Figure(layout={"template": template()})
    y, labels, height = 0.0, [], 0.0
    for lines, outcomes in groups:
        title_height = 0.35 + 0.42 * len(lines)
        figure.add_annotation(
            **_at_left(y + title_height / 2),
            text="<b>" + "<br>".join(lines) + "</b>",
            yanchor="middle",
            bgcolor=light("paper"),
        )
        y += title_height
        for outcome in outcomes:
            y += 0.5
            labels.append((y, outcome))
            y += 0.5
        y += 0.15
    height = y * ROW_PX
    _add_ranges(figure, labels, reach)
    figure.add_vline(x=0, line={"color": light("ink"), "width": 1.5})
    listed = FINE_TICKS_PERCENT if reach < 0.75 else COARSE_TICKS_PERCENT
    ticks = [t for t in listed if abs(math.log1p(t / 100)) <= reach]
    figure.update_layout(height=height + 70, margin={"l": LABELS_PX, "r": 14, "t": 6, "b": 8}, dragmode=False)
    figure.update_xaxes(
        range=[-reach, reach],
        fixedrange=True,
        tickvals=[round(math.log1p(t / 100), 6) for t in ticks],
        ticktext=[f"{signed(t)}" for t in ticks],
        tickangle=0,
        side="top",
        title="change, %",
    )
    figure.update_yaxes(
        range=[y, 0],
        fixedrange=True,
        showgrid=False,
        automargin=False,
        tickvals=[round(place, 3) for place, _ in labels],
        ticktext=[_label(outcome) for _, outcome in labels],
    )
    return figure


def change_lines(change: Change, when: str) -> list[str]:
    """Title lines of a change, short enough for a telephone."""
    names = [name_in_figure(setting_change(*one), 36) for one in change.settings]
    return [f"{change.number}. {when}  {names[0]}", *(f"and {name}" for name in names[1:])]


def _at_left(y: float) -> dict:
    return {
        "x": 0,
        "xref": "paper",
        "xanchor": "left",
        "y": y,
        "showarrow": False,
        "align": "left",
        "xshift": 4 - LABELS_PX,
    }


def _label(outcome: Outcome) -> str:
    words = outcome.words[:1].upper() + outcome.words[1:]
    colour = light(outcome.tone)
    return f"{words}<br><span style='color:{colour}'>{MARK_LETTER[outcome.verdict]} {outcome.verdict}</span>"


def _reach(outcomes: Sequence[Outcome]) -> float:
    ends = [abs(x) for o in outcomes if o.has_range for x in (o.log_low, o.log_high) if x is not None]
    return min(max([LEAST_REACH, *(1.06 * e for e in ends)]), LARGEST_REACH)


def _add_ranges(figure: go.Figure, rows: Sequence[tuple[float, Outcome]], reach: float) -> None:
    for verdict in MARK_SYMBOL:
        for colour in ("better", "worse", "unclear"):
            here = [(y, o) for y, o in rows if o.verdict == verdict and o.tone == colour]
            known = [(y, o) for y, o in here if o.has_range]
            if known:
                figure.add_scatter(**_range_trace(known, verdict, colour))
            for y, _ in (item for item in here if not item[1].has_range):
                figure.add_shape(
                    type="line", x0=-reach, x1=reach, y0=y, y1=y, layer="below",
                    line={"color": light("unclear"), "width": 1, "dash": "dot"},
                )  # fmt: skip
                figure.add_annotation(
                    x=0, y=y, text="? cannot tell", showarrow=False, bgcolor=light("paper"),
                    font={"color": light("unclear")},
                )  # fmt: skip


def _range_trace(known: Sequence[tuple[float, Outcome]], verdict: str, colour: str) -> dict:
    at = [o.log_ratio for _, o in known]
    return {
        "x": at,
        "y": [round(y, 3) for y, _ in known],
        "mode": "markers",
        "name": verdict,
        "marker": {
            "symbol": MARK_SYMBOL[verdict],
            "size": 13,
            "color": light(colour),
            "line": {"width": 2, "color": light(colour)},
        },
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": [o.log_high - o.log_ratio for _, o in known],  # type: ignore[operator]
            "arrayminus": [o.log_ratio - o.log_low for _, o in known],  # type: ignore[operator]
            "color": light(colour),
            "thickness": 1.5 if verdict == "cannot tell" else 3,
            "width": 5,
        },
        "hoverinfo": "text",
        "hovertext": [
            f"{o.words}: {signed(o.percent)} % ({percent_range(o.low, o.high)}), {o.verdict}"  # type: ignore[arg-type]
            for _, o in known
        ],
    }
