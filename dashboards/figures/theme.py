"""One look: palette, marks, type and the figures' template, light and dark.

The palette is declared once. The pages' style sheet reads it as custom properties, the figures carry its
light colours, and the site's script swaps them for the dark ones. A verdict is never shown by colour
alone.
"""

from __future__ import annotations

import json
from base64 import b64encode
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from chaffinch.pipelines.array_types import Array

if TYPE_CHECKING:
    import plotly.graph_objects as go

FONT = "system-ui, sans-serif"
FIGURE_FONT_PX = 13

# name: (light, dark). Text colours have a contrast of at least 4.5 against `paper` and `shade`.
PALETTE = {
    "paper": ("#ffffff", "#14181b"),
    "shade": ("#eff2f3", "#20272c"),
    "ink": ("#16191c", "#edf0ee"),
    "quiet": ("#4d565e", "#b0b8be"),
    "line": ("#c6cdd1", "#434c53"),
    "better": ("#0a5a9c", "#79bdf8"),
    "worse": ("#a84300", "#ff9f5c"),
    "unclear": ("#5b636a", "#a7afb5"),
    "separation": ("#6d2f96", "#cf9df0"),
    "cleaning": ("#00695f", "#54cdbd"),
    "feed": ("#1f2a33", "#dde3e6"),
    "moisture": ("#1f6fb2", "#8cc4f5"),
    "speed": ("#7a5c00", "#e0bd55"),
    "before": ("#6c757c", "#98a1a7"),
    "after": ("#0b5394", "#6fb4f2"),
    "work": ("#e3ebe6", "#25312b"),
    "idle": ("#e9edee", "#242c31"),
}

# Dark to bright, even in lightness: cividis, Nuñez et al., PLoS ONE 13(7), 2018. On dark paper its dark end is
# lifted, or low values could not be seen.
COLOUR_SCALE = ((0.0, "#00224e"), (0.25, "#434e6c"), (0.5, "#7d7c78"), (0.75, "#bcae6c"), (1.0, "#fee838"))
ON_DARK = {"#00224e": "#3d5488", "#434e6c": "#636f8d", "#7d7c78": "#8f8e88", "#bcae6c": "#c3b676"}

# The same four marks everywhere: in figures (symbol) and on pages (path in a 16 x 16 box).
MARK_SYMBOL = {
    "less": "triangle-down",
    "more": "triangle-up",
    "no clear change": "circle",
    "cannot tell": "x-thin-open",
}
MARK_PATH = {
    "less": "M1 3h14L8 14z",
    "more": "M1 13h14L8 2z",
    "no clear change": "M2 5h12v2H2zM2 9h12v2H2z",
    "cannot tell": "M8 1C5.200 1 3.500 2.700 3.500 5h2.600C6.100 4 6.800 3.400 8 3.400s1.900.6 1.900 1.500"
    "C9.900 6.500 6.700 6.700 6.700 10.400h2.600C9.300 8 12.500 7.700 12.500 4.900 12.500 2.600 10.700 1 8 1z"
    "M6.600 12h2.800v2.800H6.600z",
}
MARK_LETTER = {"less": "▼", "more": "▲", "no clear change": "=", "cannot tell": "?"}


def light(name: str) -> str:
    """The light colour, which figures carry; the site's script swaps it in dark mode."""
    return PALETTE[name][0]


@cache
def template() -> go.layout.Template:
    """Plotly template of every figure."""
    import plotly.graph_objects as go

    axis = {
        "gridcolor": light("line"),
        "linecolor": light("quiet"),
        "zerolinecolor": light("quiet"),
        "tickcolor": light("quiet"),
        "gridwidth": 1,
        "zeroline": False,
        "automargin": True,
        "fixedrange": True,
        "title": {"font": {"size": FIGURE_FONT_PX}, "standoff": 8},
    }
    return go.layout.Template(
        layout={
            "font": {"family": FONT, "size": FIGURE_FONT_PX, "color": light("ink")},
            "paper_bgcolor": light("paper"),
            "plot_bgcolor": light("paper"),
            "xaxis": axis,
            "yaxis": axis,
            "hoverlabel": {
                "bgcolor": light("shade"),
                "bordercolor": light("quiet"),
                "font": {"family": FONT, "size": FIGURE_FONT_PX, "color": light("ink")},
                "align": "left",
            },
            "margin": {"l": 8, "r": 12, "t": 8, "b": 8},
            "legend": {"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0, "font": {"size": 13}},
            "showlegend": False,
            # A finger must scroll the page, not the figure: what zooms says so itself.
            "dragmode": False,
        }
    )


def number_look() -> dict[str, object]:
    """The box around the number of a change, the same in every figure."""
    edge = {"bordercolor": light("worse"), "borderwidth": 1.5, "borderpad": 3}
    return {"bgcolor": light("paper"), **edge}


def style_properties() -> str:
    """The palette as CSS custom properties for light, dark by preference, and either by choice."""

    def block(selector: str, index: int) -> str:
        lines = "".join(f"--{name}:{colours[index]};" for name, colours in PALETTE.items())
        scheme = ("light", "dark")[index]
        return f"{selector}{{color-scheme:{scheme};{lines}}}\n"

    dark = block(':root:not([data-look="light"])', 1)
    return (
        block(":root", 0)
        + f"@media (prefers-color-scheme: dark){{{dark}}}\n"
        + block(':root[data-look="dark"]', 1)
    )


def script_palette() -> str:
    """The palette for the site's script: light colour to dark colour."""
    swap = {pair[0]: pair[1] for pair in PALETTE.values()} | ON_DARK
    return f"const darkOf = {json.dumps(swap, sort_keys=True)};\n"


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure as plain tables, by Plotly's schema; its template is ``template()`` unless the layout names one.

    Plotly's own objects copy and check every part of them, which takes as long as all the rest of a page;
    tests/pages/test_site_files.py lets Plotly check each figure.
    """

    data: list[dict[str, Any]]
    layout: dict[str, Any]


def figure_json(figure: Figure) -> str:
    """The figure as JSON that is safe inside a script element, the same text for the same figure."""
    layout = {"template": _template_as_json(), **figure.layout}
    text = json.dumps(
        {"data": figure.data, "layout": layout},
        default=_as_json,
        sort_keys=True,
        separators=(",", ":"),
        ensure_ascii=False,
    )
    if "NaN" in text or "Infinity" in text:
        # Numbers that JSON lacks; the words may also stand in a text.
        known = json.loads(text, parse_constant=lambda _: None)
        text = json.dumps(known, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


@cache
def _template_as_json() -> dict[str, Any]:
    found: dict[str, Any] = template().to_plotly_json()
    return found


# Of the arrays that Plotly's script reads in base64.
_SHORT_TYPES = {"int8": "i1", "int16": "i2", "int32": "i4", "float32": "f4", "float64": "f8"}


def _as_json(value: object) -> Any:
    """An array as Plotly's script reads it, whole numbers in as few bytes as hold them; a number of numpy's."""
    if isinstance(value, np.ndarray):
        short = _shortened(value)
        kind = _SHORT_TYPES.get(str(short.dtype))
        if kind is None or not short.size:
            return short.tolist()
        return {"dtype": kind, "bdata": b64encode(np.ascontiguousarray(short).tobytes()).decode("ascii")}
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} has no place in a figure.")


def _shortened(values: Array) -> Array:
    if values.dtype != np.int64 or not values.size:
        return values
    for kind in (np.int8, np.int16, np.int32):
        if np.iinfo(kind).min <= values.min() and values.max() <= np.iinfo(kind).max:
            return values.astype(kind)
    return values
