"""Field boundaries out of the polygons of task data, and where the parts of a machine lie.

Version 3 writes several exterior rings into one polygon, version 4 one polygon a ring, some writers holes in
a polygon of their own: so all rings of a field are gathered and holes go to the exterior that contains them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from chaffinch.pipelines.ingest.kinds.boundaries import (
    Patience,
    TooTangled,
    areas_only,
    geodesic_area_ha,
    mended,
)
from chaffinch.pipelines.ingest.task_data.files.safe_xml import Node
from chaffinch.pipelines.ingest.task_data.files.task_objects import Device, DeviceElement, Partfield

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

BOUNDARY = 1
MAIN_FIELD = 9
EXTERIOR = 1
INTERIOR = 2
MOSTLY_INSIDE = 0.99
# A point each 10 cm around a field of 600 ha; more would take minutes to make sense of.
MAX_RING_POINTS = 100_000
MOST_RINGS = 300
OFFSET_FORWARD, OFFSET_RIGHT = 134, 135
Ring = list[tuple[float, float]]


def element_offsets(device: Device, elements: Mapping[str, DeviceElement]) -> str | None:
    """Where the parts of a machine lie by its own description, as a sentence; None when it does not say.

    Identifiers 134 and 135 of ISO 11783-11: mm from the device reference point, forward and to the right.
    Positions in the log are left as logged: whether they are the antenna's or the reference point's differs
    from terminal to terminal.
    """
    places = []
    for identifier in device.elements:
        element = elements[identifier]
        forward, right = (element.fixed.get(number) for number in (OFFSET_FORWARD, OFFSET_RIGHT))
        if forward is None and right is None:
            continue
        ahead_m, right_m = (((value.raw or 0) / 1000.0 if value else 0.0) for value in (forward, right))
        places.append(
            f"{element.designator or element.kind} {ahead_m:+.2f} m forward, {right_m:+.2f} m right"
        )
    if not places:
        return None
    name = device.designator or device.id
    return f"{name}: from its reference point, {'; '.join(places)}. Positions are as logged."


def boundary(field: Partfield, patience: Patience) -> tuple[str | None, float | None, str | None]:
    """(WKT in longitude latitude, geodesic area in ha, fault). A field without rings has neither.

    The area is that of the WGS 84 ellipsoid. ``fault`` is a sentence when rings had to be left out or mended.
    """
    import shapely

    polygons = [node for node in field.polygons if node.whole("A") == BOUNDARY]
    polygons = polygons or [node for node in field.polygons if node.whole("A") == MAIN_FIELD]
    if not polygons:
        return None, None, None
    exteriors, faults = _rings(polygons, EXTERIOR)
    interiors, more = _rings(polygons, INTERIOR)
    if not exteriors:
        return (
            None,
            None,
            f"its boundary has no ring of three to {MAX_RING_POINTS:,} points within the limits of latitude and "
            "longitude",
        )
    try:
        parts = [mended(shapely.Polygon(ring), patience) for ring in exteriors]
        for hole in (mended(shapely.Polygon(ring), patience) for ring in interiors):
            for index in _owners(hole, parts):
                parts[index] = shapely.difference(parts[index], hole)
        pieces = shapely.get_parts([areas_only(part) for part in parts]).tolist()
        area = mended(pieces[0] if len(pieces) == 1 else shapely.MultiPolygon(pieces), patience)
    except TooTangled as tangled:
        return None, None, f"its boundary {tangled}"
    if area.is_empty:
        return None, None, "its boundary encloses no area"
    size_ha = geodesic_area_ha(area)
    left_out = faults + more
    fault = (
        f"{left_out} rings of its boundary were left out: fewer than three usable points, or over {MAX_RING_POINTS:,}"
        if left_out
        else None
    )
    return shapely.to_wkt(area, rounding_precision=9), size_ha, fault


def _owners(hole: BaseGeometry, parts: list[BaseGeometry]) -> list[int]:
    """The part that a hole belongs to: the smallest that holds it, else every part that it touches.

    So a piece of the field inside a hole, such as one beyond a ditch all round, stays.
    """
    import shapely

    inside = [shapely.intersection(part, hole).area for part in parts]
    around = [i for i, area in enumerate(inside) if area >= MOSTLY_INSIDE * hole.area]
    if around:
        return [min(around, key=lambda i: parts[i].area)]
    return [i for i, area in enumerate(inside) if area > 0]


def _rings(polygons: list[Node], kind: int) -> tuple[list[Ring], int]:
    rings: list[Ring] = []
    left_out = 0
    for polygon in polygons:
        for line in polygon.named("LSG"):
            if line.whole("A") != kind:
                continue
            ring = _points(line)
            if len(rings) < MOST_RINGS and len(ring) <= MAX_RING_POINTS and len(set(ring)) >= 3:
                rings.append(ring)
            else:
                left_out += 1
    return rings, left_out


def _points(line: Node) -> Ring:
    points: Ring = []
    for point in line.named("PNT"):
        north, east = point.number("C"), point.number("D")
        if north is None or east is None or abs(north) > 90 or abs(east) > 180:
            continue
        points.append((east, north))
    return points
