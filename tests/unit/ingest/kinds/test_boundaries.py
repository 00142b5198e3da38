"""Field boundaries in GeoJSON, and what is none."""

from __future__ import annotations

import json

import pytest
from chaffinch.pipelines.errors import UnreadableFile
from chaffinch.pipelines.farm import Farm
from chaffinch.pipelines.ingest import read
from chaffinch.pipelines.ingest.inbox.inbox_file import from_bytes
from chaffinch.schemas.tables import tables
from shapely import from_wkt

SQUARE = [[9, 52], [9.01, 52], [9.01, 52.01], [9, 52.01], [9, 52]]
HOLE = [[9.004, 52.004], [9.006, 52.004], [9.006, 52.006], [9.004, 52.006], [9.004, 52.004]]


def feature(coordinates, kind="Polygon", **properties):
    return {
        "type": "Feature",
        "properties": properties,
        "geometry": {"type": kind, "coordinates": coordinates},
    }


def parsed(*features, **more):
    whole = {"type": "FeatureCollection", "features": list(features), **more}
    return read(from_bytes("f.json", json.dumps(whole).encode()), Farm(), [])


def refused(content):
    with pytest.raises(UnreadableFile) as caught:
        read(from_bytes("f.json", content), Farm(), [])
    return caught.value.reason


def test_a_polygon_with_a_hole_and_a_multipolygon():
    found = parsed(
        feature([SQUARE, HOLE], field="Mill"), feature([[SQUARE], [HOLE]], "MultiPolygon", name="Two")
    )
    assert found.kind == "boundaries"
    tables()["fields"].conform(found.fields)
    assert found.fields["field"].to_list() == ["Mill", "Two"]
    assert len(from_wkt(found.fields["boundary_wkt"][0]).interiors) == 1
    assert found.rows_read == 2


def test_the_area_is_geodesic():
    """The octant of the WGS 84 ellipsoid is an eighth of its surface, 510,065,621.724 km² (from memory)."""
    octant = [[0, 0], [45, 0], [90, 0], [90, 45], [90, 90], [0, 90], [0, 45], [0, 0]]
    area = parsed(feature([octant], field="Octant")).fields["area_ha"][0]
    assert area == pytest.approx(510_065_621.724 * 100 / 8, rel=1e-9)


def test_holes_are_not_counted_whatever_the_direction_of_their_rings():
    square, hole = (parsed(feature([r], field="x")).fields["area_ha"][0] for r in (SQUARE, HOLE))
    for ring in (HOLE, HOLE[::-1]):
        assert parsed(feature([SQUARE, ring], field="x")).fields["area_ha"][0] == pytest.approx(square - hole)


def test_a_bare_feature_and_a_bare_geometry():
    bare = json.dumps(feature([SQUARE], field="Mill")).encode()
    assert read(from_bytes("f.geojson", bare), Farm(), []).fields["field"].to_list() == ["Mill"]
    geometry = json.dumps(feature([SQUARE])["geometry"]).encode()
    found = read(from_bytes("f.geojson", geometry), Farm(), [])
    assert found.fields["field"].to_list() == ["field 1"]
    assert found.notes == ("Feature 1 has no property 'field'; it is called 'field 1'.",)


def test_a_ring_that_crosses_itself_is_repaired_with_a_note():
    bow = [[9, 52], [9.01, 52.01], [9.01, 52], [9, 52.01], [9, 52]]
    found = parsed(feature([bow], field="Bow"))
    assert from_wkt(found.fields["boundary_wkt"][0]).is_valid
    assert found.notes == ("The boundary of 'Bow' (feature 1) crosses itself and was repaired.",)


@pytest.mark.parametrize(
    ("bad", "sentence"),
    [
        (feature([9, 52], "Point", field="P"), "Feature 2 is a Point; a field needs a polygon."),
        ({"type": "Feature", "geometry": None}, "Feature 2 has no geometry; a field needs a polygon."),
        (feature([[[500000, 5800000], [500100, 5800000], [500100, 5800100], [500000, 5800000]]]),
         "Feature 2 is outside the range of longitude and latitude; are its coordinates projected?"),
        (feature([[[9, 52], [9.01, 52], [9, 52]]]), "Feature 2 has"),
        (feature([[[9, 52], [9.01, 52], [9.02, 52], [9, 52]]]), "Feature 2 has a ring without any area"),
        (feature([["a", "b"]]), "Feature 2 has coordinates that can't be read"),
        ("nonsense", "Feature 2 has no geometry"),
        (feature([]), "Feature 2 has no coordinates."),
    ],
)  # fmt: skip
def test_a_feature_that_is_no_field_goes_aside_alone(bad, sentence):
    found = parsed(feature([SQUARE], field="Mill"), bad)
    assert found.fields.height == 1
    (aside,) = found.set_aside.to_dicts()
    assert aside["row"] == 2
    assert aside["rule"] == "no_boundary"
    assert sentence in aside["sentence"]
    assert json.loads(aside["content"]) == bad


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b'{"type": "FeatureCollection", "features": [', "It starts like JSON but is not valid (line 1)"),
        (b'{"hello": 1}', "It is JSON but not GeoJSON with polygons; export the boundaries as a Feature"),
        (b'{"type": "FeatureCollection"}', "The GeoJSON has no list of features"),
        (b'{"type": "FeatureCollection", "features": [], "crs": {"name": "EPSG:25832"}}',
         "Its positions are in another system"),
        (b"{" * 100_000, "It starts like JSON but is not valid"),
    ],
)  # fmt: skip
def test_what_is_no_geojson_is_refused(content, sentence):
    assert refused(content).startswith(sentence)


def test_farm_toml_is_recognised_under_any_name_and_checked():
    assert read(from_bytes("farm.toml", b"# nothing stated\n"), Farm(), []).kind == "farm"
    assert read(from_bytes("x.txt", b'# ours\ntime_zone = "UTC"\n'), Farm(), []).kind == "farm"
    with pytest.raises(UnreadableFile, match="unit is not an entry of farm.toml; did you mean 'units'"):
        read(from_bytes("farm.toml", b'unit = "us"'), Farm(), [])
