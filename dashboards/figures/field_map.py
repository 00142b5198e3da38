"""Figure: the field in metres, coloured by loss share, yield or moisture; no map tiles."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import polars as pl
from chaffinch.dashboards.figures.field_data import local_ms, median_of
from chaffinch.dashboards.figures.theme import COLOUR_SCALE, Figure, light, number_look
from chaffinch.dashboards.words.shown_changes import ShownChange
from chaffinch.dashboards.words.shown_units import METRIC, Scale, ShownUnits
from chaffinch.pipelines.array_types import Array
from chaffinch.pipelines.work.track import on_metres

MOST_MARKERS = 2200
NARROWER = 0.05
AROUND_PX = 84  # the colour bar with its title, and the margins
OnGround: TypeAlias = "Callable[[Array, Array], tuple[Array, Array]]"


@dataclass(frozen=True, slots=True)
class Layer:
    """One quantity of the map: column, words, unit; ``digits`` after the point in the table and on hover."""

    column: str
    words: str
    unit: str
    digits: int


def layers(readings: pl.DataFrame, calibrated: bool, units: ShownUnits = METRIC) -> list[Layer]:
    """The quantities that the data have something for."""
    listed = (
        Layer("loss_share", "Loss share", "%" if calibrated else "1 = median of the field", 2),
        Layer("yield", "Yield", f"{units.grain_per_area[1]}, wet", 1),
        Layer("moisture_aligned_pct", "Moisture", "%", 1),
    )
    usable = readings.filter("usable")
    shown = [layer for layer in listed if usable[layer.column].count() > 1]
    if "cut_width" in readings.columns and _varies(usable["cut_width"]):
        shown.append(Layer("cut_width", "Width of crop cut", units.length[1], 1))
    return shown


def _varies(widths: pl.Series) -> bool:
    """Whether overlaps or point rows narrow the crop before the header by a twentieth or more, here and there."""
    low, high = widths.quantile(0.02), widths.quantile(0.98)
    return low is not None and high is not None and low < (1 - NARROWER) * high


def positions(readings: pl.DataFrame) -> pl.DataFrame:
    """Usable readings with a position."""
    if "latitude" not in readings.columns or "longitude" not in readings.columns:
        return readings.clear()
    return readings.filter(
        pl.col("usable"), pl.col("latitude").is_between(-90, 90), pl.col("longitude").is_between(-180, 180)
    )


def field_map(
    readings: pl.DataFrame,
    shown: Sequence[Layer],
    changes: Sequence[ShownChange],
    boundary_wkt: str | None,
    length: Scale = METRIC.length,
    zone_name: str | None = None,
) -> Figure | None:
    """One trace a layer, the first visible. None where no reading has a position or no layer has data.

    length : factor from m, and the name of the shown unit. zone_name : of the clock, so that the timeline and
    the map tell the same moments.
    """
    placed = positions(readings)
    if placed.height < 2 or not shown:
        return None
    centre = (float(placed["latitude"].median()), float(placed["longitude"].median()))  # type: ignore[arg-type]

    def on_ground(longitude: Array, latitude: Array) -> tuple[Array, Array]:
        east, north = on_metres(latitude, longitude, centre)
        return east * length[0], north * length[0]

    outlines = [on_ground(ring[:, 0], ring[:, 1]) for ring in _rings(boundary_wkt)]
    thin = marks(placed)
    x, y = on_ground(thin["longitude"].to_numpy(), thin["latitude"].to_numpy())
    extent = _extent([(x, y), *outlines])
    bar, words = _scale(extent, length[1])
    numbers = [_number(placed, change, on_ground) for change in changes]
    shape = extent.height / extent.width
    across = {"showgrid": False, "showticklabels": False, "fixedrange": False, "constrain": "domain"}
    upright = {"scaleanchor": "x", "scaleratio": 1, **across}
    layout = {
        "height": AROUND_PX + int(np.clip(640 * shape, 240, 640)),
        "margin": {"l": 8, "r": 8, "t": AROUND_PX - 12, "b": 8},
        "dragmode": "pan",
        "xaxis": {"range": [extent.west, extent.east], **across},
        "yaxis": {"range": [extent.south, extent.north], **upright},
        "shapes": [bar],
        "annotations": [words, *(note for note in numbers if note is not None)],
        "meta": {
            "shape": round(shape, 3),
            "around_px": AROUND_PX,
            "across": round(extent.width, 1),
            "pass_width": round(_pass_width_m(placed) * length[0], 2),
            "first_ms": float(local_ms(thin["time"][:1], zone_name)[0]),
            "seconds": (thin["time"] - thin["time"][0]).dt.total_seconds().to_list(),
            "passes": thin["pass_number"].to_list(),
        },
    }
    drawn = [_layer(layer, thin, (x, y), visible=number == 0) for number, layer in enumerate(shown)]
    return Figure([*(_outline(*ring) for ring in outlines), *drawn], layout)


def _pass_width_m(placed: pl.DataFrame) -> float:
    """Working width of the marks; a usual header width where it is not logged."""
    known = median_of(placed, "working_width_m")
    return known if known and known > 0 else 8.0


@dataclass(frozen=True, slots=True)
class Extent:
    """Edges of what is drawn, in the shown unit of length."""

    west: float
    east: float
    south: float
    north: float

    @property
    def width(self) -> float:
        return self.east - self.west

    @property
    def height(self) -> float:
        return self.north - self.south


def _extent(drawn: Sequence[tuple[Array, Array]]) -> Extent:
    """Around readings and boundary, with a margin, and room for the scale below."""
    xs, ys = (np.concatenate(parts) for parts in zip(*drawn, strict=True))
    west, east, south, north = xs.min(), xs.max(), ys.min(), ys.max()
    spare = 0.04 * max(east - west, north - south, 1.0)
    return Extent(float(west - spare), float(east + spare), float(south - 3 * spare), float(north + spare))


def _scale(extent: Extent, unit: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """A bar of a round length in the lower left corner, and its words with which way is north."""
    length = round_length(0.3 * extent.width)
    left, low = extent.west + 0.02 * extent.width, extent.south + 0.03 * extent.height
    line = {"color": light("ink"), "width": 3}
    bar = {
        "type": "line",
        "x0": left,
        "x1": left + length,
        "y0": low,
        "y1": low,
        "line": line,
        "name": "scale",
    }
    words = {
        "x": left,
        "y": low,
        "text": f"{length:g} {unit}, north is up",
        "showarrow": False,
        "xanchor": "left",
        "yanchor": "bottom",
        "font": {"size": 12},
    }
    return bar, words


def round_length(most: float) -> float:
    """The largest 1, 2 or 5 times a power of ten that is not above ``most``."""
    power = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in (1, 2, 5) if step * power <= most * (1 + 1e-9))


def _outline(x: Array, y: Array) -> dict[str, Any]:
    return {
        "type": "scatter",
        "x": x.round(1),
        "y": y.round(1),
        "mode": "lines",
        "line": {"color": light("quiet"), "width": 2},
        "hoverinfo": "skip",
        "name": "boundary",
    }


def _layer(layer: Layer, thin: pl.DataFrame, at: tuple[Array, Array], visible: bool) -> dict[str, Any]:
    values = thin[layer.column].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    known = values[np.isfinite(values)]
    low, high = np.quantile(known, [0.03, 0.97]).tolist() if known.size else (0.0, 1.0)
    return {
        "type": "scatter",
        "x": at[0].round(1).astype(np.float32),
        "y": at[1].round(1).astype(np.float32),
        "mode": "markers",
        "name": layer.words,
        "visible": visible,
        "meta": "layer",
        "marker": {
            "size": 5,
            "color": values.round(layer.digits + 1).astype(np.float32),
            "colorscale": COLOUR_SCALE,
            "cmin": low,
            "cmax": high if high > low else low + 1,
            "colorbar": _colour_bar(f"{layer.words}, {layer.unit}"),
        },
        "hovertemplate": f"{layer.words} %{{marker.color:.{layer.digits}f}} {layer.unit}<extra></extra>",
    }


def _colour_bar(text: str) -> dict[str, object]:
    return {
        "orientation": "h",
        "x": 0.5,
        "y": 1.0,
        "yref": "container",
        "yanchor": "top",
        "thickness": 12,
        "len": 0.9,
        "title": {"text": text, "side": "top"},
        "nticks": 6,
        "outlinewidth": 0,
    }


def _number(placed: pl.DataFrame, change: ShownChange, on_ground: OnGround) -> dict[str, Any] | None:
    """A numbered mark at the last usable reading before the change; none where that is over an hour away."""
    row = max(int(placed["time"].search_sorted(change.time)) - 1, 0)
    if abs((placed["time"][row] - change.time).total_seconds()) > 3600:
        return None
    place = placed[row]
    x, y = on_ground(place["longitude"].to_numpy(), place["latitude"].to_numpy())
    return {
        "x": round(float(x[0]), 1),
        "y": round(float(y[0]), 1),
        "text": f"<b>{change.numbers}</b>",
        "showarrow": True,
        "ax": 22,
        "ay": -26,
        "arrowcolor": light("worse"),
        "arrowwidth": 1.5,
        **number_look(),
    }


def _rings(boundary_wkt: str | None) -> list[Array]:
    """Rings of the boundary, (n, 2) longitude and latitude; none where the text is not a polygon."""
    if not boundary_wkt:
        return []
    from shapely import from_wkt, get_coordinates
    from shapely.errors import ShapelyError

    try:
        shape = from_wkt(boundary_wkt)
    except ShapelyError:
        return []
    polygons = [p for p in getattr(shape, "geoms", [shape]) if p.geom_type == "Polygon"]
    return [get_coordinates(ring) for p in polygons for ring in (p.exterior, *p.interiors)]


def marks(placed: pl.DataFrame) -> pl.DataFrame:
    """Readings that are drawn: all, or so many at even distances."""
    return placed[np.linspace(0, placed.height - 1, min(placed.height, MOST_MARKERS)).astype(int)]


def by_pass(readings: pl.DataFrame, shown: Sequence[Layer], most: int = 150) -> pl.DataFrame:
    """The map as a table: medians of each pass's marks, the first ``most`` passes."""
    return (
        marks(positions(readings))
        .group_by("pass_number")
        .agg(
            pl.col("time").min(),
            pl.len().alias("marks"),
            *(pl.col(layer.column).median() for layer in shown),
        )
        .sort("time")
        .head(most)
    )
