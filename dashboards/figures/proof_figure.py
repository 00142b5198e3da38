"""Figure of a proof: how often ranges held the truth, and how wide they were, by scenario and method."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from chaffinch.dashboards.figures.theme import light, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

ROW_PX = 46
FIGURE_WIDTH_PX = 1000
# Different marks as well as colours.
MARKS = (
    ("chaffinch", "diamond", "better"),
    ("each log alone", "circle-open", "better"),
    ("oracle", "line-ns-open", "ink"),
    ("structural time series", "square-open", "separation"),
    ("window regression", "triangle-up-open", "worse"),
    ("window means", "x-thin-open", "unclear"),
)
NOMINAL_PCT = 95.0
CLAIMED_PCT = (91.0, 98.0)


def proof_figure(scores: Sequence[dict[str, Any]]) -> go.Figure:
    """Coverage with its binomial 95 % ranges, and mean width against the oracle's.

    scores : as ``pipelines.prove.run`` gives them under ``scores``. Scenarios run down in the order given.
    """
    from plotly.subplots import make_subplots

    scenarios = list(dict.fromkeys(s["scenario"] for s in scores))
    figure = make_subplots(
        rows=1, cols=2, shared_yaxes=True, horizontal_spacing=0.04, column_widths=[0.6, 0.4]
    )
    present = [mark for mark in MARKS if any(s["method"] == mark[0] for s in scores)]
    for place, (method, symbol, colour) in enumerate(present):
        rows = [s for s in scores if s["method"] == method and s["coverage"] is not None]
        offset = (place - (len(present) - 1) / 2) * 0.7 / len(present)
        line = {"width": 2, "color": light(colour)}
        look = {
            "mode": "markers",
            "marker": {"symbol": symbol, "size": 9, "color": light(colour), "line": line},
            "name": method,
            "legendgroup": method,
            "hoverinfo": "text",
            "row": 1,
        }
        coverage = [100 * s["coverage"] for s in rows]
        figure.add_scatter(
            x=coverage,
            y=[scenarios.index(s["scenario"]) + offset for s in rows],
            error_x={
                "type": "data",
                "symmetric": False,
                "array": [100 * s["coverage_high"] - c for s, c in zip(rows, coverage, strict=True)],
                "arrayminus": [c - 100 * s["coverage_low"] for s, c in zip(rows, coverage, strict=True)],
                "thickness": 1.5,
                "width": 0,
            },
            text=[_coverage_text(s) for s in rows],
            col=1,
            **look,
        )
        known = [s for s in rows if s["width_to_oracle"] is not None]
        figure.add_scatter(
            x=[s["width_to_oracle"] for s in known],
            y=[scenarios.index(s["scenario"]) + offset for s in known],
            text=[f"{_about(s)}<br>{s['width_to_oracle']:.2f} times" for s in known],
            showlegend=False,
            col=2,
            **look,
        )
    figure.add_vrect(*CLAIMED_PCT, fillcolor=light("work"), line_width=0, layer="below", row=1, col=1)
    figure.add_vline(NOMINAL_PCT, line={"color": light("quiet"), "width": 1}, row=1, col=1)
    figure.add_vline(1.0, line={"color": light("quiet"), "width": 1}, row=1, col=2)
    figure.update_xaxes(title="true effects inside the 95 % range, %", range=[0, 101], row=1, col=1)
    figure.update_xaxes(title="width of the range, times the oracle's", rangemode="tozero", row=1, col=2)
    names = [s.replace("_", " ") for s in scenarios]
    figure.update_yaxes(
        tickvals=list(range(len(scenarios))),
        ticktext=names,
        range=[len(scenarios) - 0.4, -0.6],
        showgrid=False,
    )
    figure.update_layout(
        template=template(),
        height=120 + ROW_PX * len(scenarios),
        width=FIGURE_WIDTH_PX,
        showlegend=True,
        margin={"t": 40},
    )
    return figure


def _about(score: dict[str, Any]) -> str:
    return f"{score['scenario'].replace('_', ' ')}, {score['method']}"


def _coverage_text(score: dict[str, Any]) -> str:
    low, high = (100 * score[f"coverage_{end}"] for end in ("low", "high"))
    return (
        f"{_about(score)}<br>held {score['held']} of {score['answered']} answered<br>"
        f"{100 * score['coverage']:.1f} % ({low:.1f} to {high:.1f} by chance)"
    )
