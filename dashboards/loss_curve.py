"""Figure: loss against feed rate on both sides of one change."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import polars as pl
from chaffinch.dashboards.theme import light, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

PLACES = (("separation_loss_aligned", "Separation loss"), ("cleaning_loss_aligned", "Cleaning loss"))
SIDES = (("before", "circle-open", "dash"), ("after", "square", "solid"))


def loss_curve(
    binned: Sequence[tuple[str, pl.DataFrame, pl.DataFrame]], loss_unit: str, feed_unit: str
) -> go.Figure | None:
    """Medians with quartiles by class of feed rate; open circles before, full squares after.

    binned : (words, before, after) with tables of ``loss_by_feed``. None where neither side has a class.
    """
    from plotly.subplots import make_subplots

    drawn = [(words, before, after) for words, before, after in binned if before.height or after.height]
    if not drawn:
        return None
    figure = make_subplots(rows=len(drawn), cols=1, shared_xaxes=True, vertical_spacing=0.12)
    figure.layout.template = template()
    for number, (words, *sides) in enumerate(drawn, 1):
        for (side, symbol, dash), table in zip(SIDES, sides, strict=True):
            if table.height:
                figure.add_scatter(
                    **_side(table, side, symbol, dash), row=number, col=1, showlegend=number == 1
                )
        figure.update_yaxes(title=f"{words}, {loss_unit}", rangemode="tozero", row=number, col=1, nticks=5)
    figure.update_xaxes(title=f"feed rate, {feed_unit}", row=len(drawn), col=1)
    figure.update_xaxes(fixedrange=True)
    figure.update_yaxes(fixedrange=True)
    figure.update_layout(height=70 + 190 * len(drawn), showlegend=True, dragmode=False, margin={"t": 30})
    return figure


def _side(table: pl.DataFrame, side: str, symbol: str, dash: str) -> dict:
    colour = light(side)
    return {
        "x": table["feed"].round(3).to_list(),
        "y": table["loss"].round(5).to_list(),
        "name": side,
        "mode": "lines+markers",
        "line": {"color": colour, "width": 2, "dash": dash},
        "marker": {"symbol": symbol, "size": 9, "color": colour},
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": (table["high"] - table["loss"]).round(5).to_list(),
            "arrayminus": (table["loss"] - table["low"]).round(5).to_list(),
            "color": colour,
            "thickness": 1,
            "width": 3,
        },
        "hovertemplate": "%{x:.3g}: %{y:.3g}<extra>" + side + "</extra>",
    }
