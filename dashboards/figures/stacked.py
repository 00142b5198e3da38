"""Figures of rows over each other on one axis."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from chaffinch.dashboards.figures.theme import Figure, light
from chaffinch.dashboards.words.terms import signed

Look = dict[str, Any]
SINGLE_FONT_PX = 16


class Stacked:
    """Rows of ``heights_px``, top to bottom, ``gap_px`` apart; row numbers start at 1."""

    def __init__(self, heights_px: Sequence[float], gap_px: float) -> None:
        self.inner_px = sum(heights_px) + gap_px * (len(heights_px) - 1)
        self.data: list[Look] = []
        self.shapes: list[Look] = []
        self.annotations: list[Look] = []
        self.y_axes: list[Look] = []
        top = self.inner_px
        for height in heights_px:
            self.y_axes.append({"domain": [max(0.0, (top - height) / self.inner_px), top / self.inner_px]})
            top -= height + gap_px

    def add(self, row: int, trace: Look) -> None:
        """Draw a scatter trace in ``row``."""
        end = "" if row == 1 else str(row)
        self.data.append({"type": "scatter", "xaxis": f"x{end}", "yaxis": f"y{end}", **trace})

    def set_y(self, row: int, **look: Any) -> None:
        """Say more about the upright axis of ``row``."""
        self.y_axes[row - 1].update(look)

    def entitle(self, row: int, text: str) -> None:
        """Write a title over ``row``; ``text`` is HTML as Plotly reads it."""
        self.annotations.append(
            {
                "text": f"<b>{text}</b>",
                "x": 0,
                "xref": "paper",
                "xanchor": "left",
                "y": self.y_axes[row - 1]["domain"][1],
                "yref": "paper",
                "yanchor": "bottom",
                "showarrow": False,
                "align": "left",
            }
        )

    def figure(self, x_axis: Look, y_axis: Look, x_title: str | None = None, **layout: Any) -> Figure:
        """The figure; ``x_axis`` and ``y_axis`` hold for every row, ``x_title`` for the last."""
        axes: Look = {}
        last = len(self.y_axes)
        for row, own in enumerate(self.y_axes, 1):
            end = "" if row == 1 else str(row)
            axes[f"yaxis{end}"] = {"anchor": f"x{end}", **y_axis, **own}
            across = {"anchor": f"y{end}", "domain": [0.0, 1.0], **x_axis}
            if row > 1:
                across["matches"] = "x"
            if row < last:
                across["showticklabels"] = False
            elif x_title is not None:
                across["title"] = {"text": x_title}
            axes[f"xaxis{end}"] = across
        return Figure(self.data, {**axes, "shapes": self.shapes, "annotations": self.annotations, **layout})


def range_and_line(
    x: Sequence[Any],
    middle: Sequence[float],
    ends: tuple[Sequence[float], Sequence[float]],
    name: str,
    meta: str,
) -> list[Look]:
    """A curve with its 95 % range as a shaded band. ends : low, high."""
    low, high = ends
    band = {
        "x": [*x, *reversed(x)],
        "y": [*high, *reversed(low)],
        "fill": "toself",
        "line": {"width": 0, "color": light("after")},
        "fillcolor": light("shade"),
        "name": "95 % range",
        "meta": "range",
    }
    line = {
        "x": list(x),
        "y": list(middle),
        "line": {"color": light("after"), "width": 3},
        "name": name,
        "meta": meta,
    }
    return [{"mode": "lines", **trace} for trace in (band, line)]


def only_marks(
    x: Iterable[Any], y: Iterable[float], name: str, symbol: str = "circle-open", size: int = 12, **more: Any
) -> Look:
    """Marks alone; ``name`` in the legend and for the scripts."""
    edge = {"line": {"width": 2.5}} if symbol.endswith("open") else {}
    look = {"symbol": symbol, "size": size, "color": light("ink"), **edge}
    return {"x": list(x), "y": list(y), "mode": "markers", "marker": look, "name": name, "meta": name, **more}


def ratio_ticks(percents: Sequence[int], sign: str = "") -> Look:
    """Ticks at percentages of an axis that is even in ratios."""
    return {
        "tickvals": [round(float(np.log1p(percent / 100)), 6) for percent in percents],
        "ticktext": [signed(percent) + sign for percent in percents],
    }


def single(data: list[Look], x_axis: Look, y_axis: Look, height_px: int) -> Figure:
    """A figure of one pair of axes, its legend below. ``title`` of an axis: its text. Traces are scatter; parts of
    them that are None are left out."""
    font = {"size": SINGLE_FONT_PX}
    layout: Look = {
        "height": height_px,
        "showlegend": True,
        "legend": {"orientation": "h", "y": -0.3, "yanchor": "top", "font": font},
    }
    for name, look in (("xaxis", x_axis), ("yaxis", y_axis)):
        layout[name] = {"tickfont": font, **look, "title": {"text": look.get("title") or "", "font": font}}
    traces = [{"type": "scatter", "hoverinfo": "skip", **one} for one in data if len(one["x"])]
    return Figure(
        [{name: value for name, value in one.items() if value is not None} for one in traces], layout
    )
