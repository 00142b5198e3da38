"""Field boundaries in GeoJSON (RFC 7946): polygons with the name of the field."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.ingest.text.table_reader import cleaned_names
from chaffinch.pipelines.parsed import LONGEST_VALUE, SET_ASIDE_SCHEMA, Parsed

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

_NAMES = ("field", "field_name", "Field", "FIELD", "name", "Name", "NAME", "title")
SQUARE_METRES_PER_HECTARE = 10_000


class _Refused(Exception):
    """One feature that can't be a field; the message is its sentence."""


def read_boundaries(file: str, content: bytes) -> Parsed:
    """Read GeoJSON: one row of ``fields`` a feature; ``row`` is the number of the feature, the first is 1.

    Rings that cross themselves are repaired; a feature that is not a field is set aside with a sentence. Raises
    ``UnreadableFile`` where the file is not GeoJSON at all.
    """
    features, patience = _features(file, content), Patience()
    kept: list[dict[str, Any]] = []
    aside: list[dict[str, Any]] = []
    notes: list[str] = []
    for number, feature in enumerate(features, start=1):
        try:
            name, polygon = _one_field(feature, number, notes, patience)
        except _Refused as refused:
            text = _whole_characters(json.dumps(feature, ensure_ascii=False, default=str))
            aside.append(
                {"row": number, "rule": "no_boundary", "column": "geometry", "value": text[:LONGEST_VALUE],
                 "sentence": str(refused), "content": text}
            )  # fmt: skip
            continue
        kept.append(
            {"row": number, "field": name, "boundary_wkt": polygon.wkt, "area_ha": geodesic_area_ha(polygon)}
        )
    types = {"row": pl.Int64(), "field": pl.String(), "boundary_wkt": pl.String(), "area_ha": pl.Float64()}
    return Parsed(
        kind="boundaries",
        fields=pl.DataFrame(kept, schema=types),
        set_aside=pl.DataFrame(aside, schema=SET_ASIDE_SCHEMA),
        rows_read=len(features),
        notes=tuple(notes),
    )


def geodesic_area_ha(polygon: BaseGeometry) -> float:
    """Area [ha] on the WGS 84 ellipsoid of a polygon in longitude and latitude [deg]; holes are left out.

    Karney, J. Geodesy 87:43-55, 2013, as implemented in pyproj.
    """
    from pyproj import Geod
    from shapely.geometry.polygon import orient

    geod = Geod(ellps="WGS84")
    parts = getattr(polygon, "geoms", [polygon])
    areas = (geod.geometry_area_perimeter(orient(part, sign=1.0))[0] for part in parts)
    return float(sum(abs(area) for area in areas)) / SQUARE_METRES_PER_HECTARE


def _features(file: str, content: bytes) -> list[Any]:
    try:
        whole = json.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        where = f" (line {error.lineno})" if isinstance(error, json.JSONDecodeError) else ""
        raise UnreadableFile(file, f"It starts like JSON but is not valid{where}; export it again.") from None
    kind = whole.get("type") if isinstance(whole, dict) else None
    if kind == "FeatureCollection":
        features = whole.get("features")
        if not isinstance(features, list):
            raise UnreadableFile(file, "The GeoJSON has no list of features; export the boundaries again.")
        _refuse_projected(file, whole)
        return features
    if kind == "Feature":
        return [whole]
    if kind in ("Polygon", "MultiPolygon"):
        return [{"type": "Feature", "properties": {}, "geometry": whole}]
    raise UnreadableFile(
        file, "It is JSON but not GeoJSON with polygons; export the boundaries as a FeatureCollection."
    )


def _refuse_projected(file: str, whole: Mapping[str, Any]) -> None:
    """An old 'crs' entry may name a projection; RFC 7946 knows longitude and latitude on WGS 84 only."""
    crs = json.dumps(whole.get("crs") or "")
    if whole.get("crs") and not any(known in crs for known in ("CRS84", "EPSG::4326", "EPSG:4326")):
        raise UnreadableFile(
            file, f"Its positions are in another system ({crs[:80]}); export longitude and latitude, WGS 84."
        )


def _one_field(feature: Any, number: int, notes: list[str], patience: Patience) -> tuple[str, BaseGeometry]:
    """Name and polygon of one feature. Raises ``_Refused``."""
    import shapely
    from shapely.geometry import shape

    if not isinstance(feature, dict) or not isinstance(feature.get("geometry"), dict):
        raise _Refused(f"Feature {number} has no geometry; a field needs a polygon.")
    geometry = feature["geometry"]
    if geometry.get("type") not in ("Polygon", "MultiPolygon"):
        raise _Refused(f"Feature {number} is a {str(geometry.get('type'))[:40]}; a field needs a polygon.")
    try:
        polygon = shapely.force_2d(shape(geometry))
    except Exception as error:  # shapely raises many kinds for malformed coordinates
        raise _Refused(f"Feature {number} has coordinates that can't be read ({str(error)[:80]}).") from None
    if polygon.is_empty:
        raise _Refused(f"Feature {number} has no coordinates.")
    west, south, east, north = polygon.bounds
    if not (-180 <= west <= east <= 180 and -90 <= south <= north <= 90):
        raise _Refused(
            f"Feature {number} is outside the range of longitude and latitude; are its coordinates projected?"
        )
    name = _name(feature, number, notes)
    if not polygon.is_valid:
        try:
            polygon = mended(polygon, patience)
        except TooTangled as tangled:
            raise _Refused(f"Feature {number} {tangled}; draw the boundary again.") from None
        if polygon.area == 0:
            raise _Refused(f"Feature {number} has a ring without any area; draw the boundary again.")
        notes.append(f"The boundary of '{name}' (feature {number}) crosses itself and was repaired.")
    return name, polygon


@dataclass(slots=True)
class Patience:
    """How many pairs of sides that come near each other may still be looked at in one file, beyond the four a side
    that any field has; a hundred thousand take about a second.
    """

    pairs: int = 400_000


class TooTangled(Exception):
    """The message says so, without a subject."""


def mended(shape: BaseGeometry, patience: Patience) -> BaseGeometry:
    """The areas of ``shape``, whose rings may cross themselves and each other. Raises ``TooTangled``."""
    import shapely

    if shape.is_valid:
        return shape
    rings = shapely.get_rings(shapely.get_parts(shape))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    same = ring[1:] == ring[:-1]
    sides = shapely.linestrings(np.stack([points[:-1][same], points[1:][same]], axis=1))
    tree = shapely.STRtree(sides)
    patience.pairs += 4 * len(sides)
    for first in range(0, len(sides), 256):
        patience.pairs -= tree.query(sides[first : first + 256]).shape[1]
        if patience.pairs < 0:
            raise TooTangled("crosses itself in too many places to be repaired")
    return areas_only(shapely.make_valid(shape, method="structure", keep_collapsed=False))


def areas_only(shape: BaseGeometry) -> BaseGeometry:
    """``shape`` without the lines and points that mending a ring which crosses itself can leave."""
    import shapely

    if shape.geom_type in ("Polygon", "MultiPolygon"):
        return shape
    return shapely.union_all([p for p in shapely.get_parts(shape) if p.geom_type.endswith("Polygon")])


def _name(feature: Mapping[str, Any], number: int, notes: list[str]) -> str:
    properties = feature.get("properties")
    properties = properties if isinstance(properties, dict) else {}
    said = next(
        (properties[key] for key in _NAMES if properties.get(key) not in (None, "")), feature.get("id")
    )
    name = cleaned_names(pl.Series([_whole_characters(str(said))]))[0] if said is not None else None
    if name is None:
        notes.append(f"Feature {number} has no property 'field'; it is called 'field {number}'.")
        return f"field {number}"
    return name


def _whole_characters(text: str) -> str:
    """``text`` without halves of characters, which JSON can name and no encoding holds."""
    return text.encode("utf-8", "replace").decode()
