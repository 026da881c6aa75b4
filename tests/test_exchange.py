"""GeoJSON, CSV, GPX and GeoPackage: valid by the standards, plain, and the same every time."""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import re
import sqlite3
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import gpxpy
import numpy as np
import pyogrio
import pytest
import shapely
import xmlschema
from hypothesis import example, given, settings
from hypothesis import strategies as st
from shapely.geometry import shape

from siting import criteria
from siting.report.files import gpx, tables
from siting.report.files.columns import COLUMNS
from siting.report.files.geopackage import geopackage
from siting.report.shared import lonlat
from siting.report.shared.facts import spot_facts, whole_degrees, wrapped_lon
from siting.settings.protocol_ground import NoGoRules
from siting.spot_parts import PlaceName
from siting.types import NoGo
from siting.words.spot.names import full_name, short_name
from tests.fake_result import CRS, PARCEL, fake_result, with_details
from tests.hostile import TEXTS, hostile_result

STANDARDS = Path(__file__).parents[1] / ".." / "shared" / "reference" / "standards"
NAMES = tuple(column.name for column in COLUMNS)
NS = {"g": gpx.GPX, "s": gpx.OWN}


@pytest.fixture(scope="module")
def result():
    return with_details(fake_result())


@pytest.fixture(scope="module")
def facts(result):
    return spot_facts(result)


# GeoJSON


def geojson_faults(data):
    """What RFC 7946 forbids, found in a FeatureCollection (sections 3, 4, 5 and 7)."""
    faults = []
    if data.get("type") != "FeatureCollection":
        faults.append("type")
    if "crs" in data:
        faults.append("4: crs member")
    for feature in data["features"]:
        if set(feature) - {"type", "id", "geometry", "properties", "bbox"}:
            faults.append("7: foreign member")
        if feature["type"] != "Feature" or not isinstance(feature["properties"], dict):
            faults.append("3.2")
        if not isinstance(feature["id"], str | int | float):
            faults.append("3.2: id")
        lon, lat = feature["geometry"]["coordinates"]
        if not (-180 <= lon <= 180 and -90 <= lat <= 90):
            faults.append("4: range")
        if any(len(repr(v).partition(".")[2]) > 7 for v in (lon, lat)):
            faults.append("11.2: precision")
    if data["features"]:
        west, south, east, north = data["bbox"]
        if south > north or not (-180 <= west <= 180 and -180 <= east <= 180):
            faults.append("5: bbox")
    return faults


def test_geojson_keeps_the_rules_of_rfc_7946(result, facts):
    data = json.loads(tables.geojson(result, facts))
    assert geojson_faults(data) == []
    assert [feature["properties"]["rank"] for feature in data["features"]] == [1, 2, 3, 4]


def test_the_rules_find_planted_faults(result, facts):
    data = json.loads(tables.geojson(result, facts))
    lon, lat = data["features"][0]["geometry"]["coordinates"]
    data["features"][0]["geometry"]["coordinates"] = [lat + 200, lon]
    data["crs"] = {}
    data["features"][1]["geometry"]["coordinates"][0] = -80.123456789
    assert geojson_faults(data) == ["4: crs member", "4: range", "11.2: precision"]


def test_geojson_places_lie_where_the_spots_are(result, facts):
    data = json.loads(tables.geojson(result, facts))
    back = result.land.grid.to_lonlat
    for spot, feature in zip(result.spots, data["features"], strict=True):
        east, north = back.transform(*feature["geometry"]["coordinates"], direction="INVERSE")
        # 7 decimals of a degree are about a centimetre.
        assert math.dist((east, north), (spot.easting, spot.northing)) < 0.02
        properties = feature["properties"]
        assert properties["score"] == pytest.approx(spot.score, abs=1e-4)
        assert properties["why"] == list(spot.why)
        assert properties["heading_true_deg"] == 340
        assert properties["heading_magnetic_deg"] == 349
        assert properties["walk_length_m"] > 0
        assert properties["measures"] == spot.measures


def test_geojson_of_no_spots(result):
    data = json.loads(tables.geojson(replace(result, spots=()), ()))
    assert data == {"type": "FeatureCollection", "features": []}


def test_numbers_that_are_none_become_null(result):
    spot = replace(
        result.spots[0],
        elevation_m=math.nan,
        measures={"distance_to_water_m": math.inf, "slope_deg": math.nan},
        aim=None,
        walk=None,
    )
    changed = replace(result, spots=(spot,))
    data = json.loads(tables.geojson(changed, spot_facts(changed)))
    properties = data["features"][0]["properties"]
    assert properties["elevation_m"] is None
    assert properties["measures"] == {"distance_to_water_m": None, "slope_deg": None}
    assert properties["heading_true_deg"] is None
    assert properties["walk_length_m"] is None


def winding(ring):
    return sum((x1 - x0) * (y1 + y0) for (x0, y0), (x1, y1) in itertools.pairwise(ring))


def test_outlines_are_right_handed_and_closed():
    # RFC 7946 section 3.1.6: outer rings counter-clockwise, holes clockwise.
    hole = shapely.box(540200, 4820200, 540300, 4820300)
    ground = shapely.MultiPolygon([PARCEL - hole, shapely.box(540700, 4820100, 540800, 4820200)])
    for turned in (ground, shapely.reverse(ground)):
        found = lonlat.geojson_geometry(turned, CRS)
        assert found["type"] == "MultiPolygon"
        for outer, *holes in found["coordinates"]:
            assert outer[0] == outer[-1]
            assert winding(outer) < 0
            assert all(winding(inner) > 0 for inner in holes)
    assert len(found["coordinates"][0]) == 2


def test_outlines_keep_their_area():
    from pyproj import Geod

    found = shape(lonlat.geojson_geometry(PARCEL, CRS))
    area, _ = Geod(ellps="WGS84").geometry_area_perimeter(found)
    # UTM's scale there is 0.99962, so the ground is larger by 0.08 % (pyproj get_factors).
    assert area == pytest.approx(400 * 400 / 0.99962**2, rel=2e-4)


def test_outlines_are_cut_at_the_antimeridian():
    # RFC 7946 section 3.1.9. UTM zone 1 begins there: easting 500000 is 177 W.
    across = shapely.box(180000, 8000000, 185000, 8001000)
    found = shape(lonlat.geojson_geometry(across, "EPSG:32701"))
    lons = shapely.get_coordinates(found)[:, 0]
    assert found.geom_type == "MultiPolygon"
    assert lons.min() == -180.0
    assert lons.max() == 180.0
    assert (np.abs(lons) > 179.9).all()

    def unwrap(xy):
        return np.column_stack([np.where(xy[:, 0] > 0, xy[:, 0] - 360, xy[:, 0]), xy[:, 1]])

    whole = shapely.union_all(shapely.transform(found, unwrap))
    assert whole.geom_type == "Polygon"
    assert whole.area == pytest.approx(found.area, rel=1e-9)


@given(st.floats(-720, 720, allow_nan=False))
def test_wrapped_longitudes(lon):
    wrapped = wrapped_lon(lon)
    assert -180.0 <= wrapped < 180.0
    turns = (lon - wrapped) / 360.0
    assert turns == pytest.approx(round(turns), abs=1e-9)


# CSV


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_csv_has_one_row_a_spot_and_fixed_columns(result, facts):
    rows = rows_of(tables.spots_csv(result, facts))
    assert [row["rank"] for row in rows] == ["1", "2", "3", "4"]
    assert tuple(rows[0]) == NAMES
    bare = rows_of(tables.spots_csv(*_bare()))
    assert tuple(bare[0]) == NAMES
    assert bare[0]["heading_true_deg"] == ""
    assert all(f"part_{name}" in rows[0] for name in criteria.names())


def _bare():
    bare = fake_result()
    return bare, spot_facts(bare)


def test_csv_and_geojson_agree(result, facts):
    rows = rows_of(tables.spots_csv(result, facts))
    features = json.loads(tables.geojson(result, facts))["features"]
    for row, feature in zip(rows, features, strict=True):
        for name, value in feature["properties"].items():
            if name in row and isinstance(value, int | float):
                assert float(row[name]) == value, name
            elif name in row and isinstance(value, str):
                assert row[name] == value, name


@settings(deadline=None)
@given(st.text(max_size=60))
@example("=1+1")
@example("+1")
def test_no_cell_is_a_formula(text):
    cell = tables.cell(text)
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert cell.removeprefix("'") == text.removeprefix("'")


def test_numbers_stay_numbers():
    assert tables.cell(-80.5012) == "-80.5012"
    assert tables.cell(False) == "false"
    assert tables.cell(float(np.float32(0.5))) == "0.5"


@pytest.mark.parametrize("text", TEXTS)
def test_hostile_text_stays_text(text):
    bad = hostile_result(text)
    facts = spot_facts(bad)
    rows = rows_of(tables.spots_csv(bad, facts))
    assert len(rows) == 4
    for row in rows:
        for name, value in row.items():
            number = name.endswith(("_m", "_deg", "_min")) or name in ("score", "rank")
            assert number or not value.startswith(("=", "+", "-", "@")), name
    json.loads(tables.geojson(bad, facts))
    root = ElementTree.fromstring(gpx.gpx(bad, facts))
    assert len(root.findall("g:wpt", NS)) == 4
    assert all(len(name.text) <= 30 for name in root.findall("g:wpt/g:name", NS))
    content = geopackage(bad, facts, set_backs=NoGoRules())
    assert content[:15] == b"SQLite format 3"
    for written in (tables.spots_csv(bad, facts), gpx.gpx(bad, facts)):
        written.encode("utf-8")


# GPX


@pytest.fixture(scope="module")
def gpx_text(result, facts):
    return gpx.gpx(result, facts)


def test_gpx_is_valid_by_its_schema(gpx_text):
    if not (STANDARDS / "gpx.xsd").exists():
        pytest.skip("the GPX 1.1 schema is not beside the repository")
    schema = xmlschema.XMLSchema(STANDARDS / "gpx.xsd")
    schema.validate(gpx_text)
    swapped = gpx_text.replace("<ele>309.4</ele>", "").replace(
        "</name>\n  <cmt>", "</name>\n  <ele>3</ele><cmt>", 1
    )
    assert not schema.is_valid(swapped)


def test_gpx_has_the_order_of_its_standard(gpx_text):
    # GPX 1.1: metadata, then all wpt, then all rte; within wpt ele, name, cmt, desc, type.
    root = ElementTree.fromstring(gpx_text)
    assert root.get("version") == "1.1"
    assert root.get("creator")
    tags = [child.tag.rpartition("}")[2] for child in root]
    assert tags == ["metadata", *["wpt"] * 4, *["rte"] * 4]
    parts = [child.tag.rpartition("}")[2] for child in root.find("g:wpt", NS)]
    assert parts == ["ele", "name", "cmt", "desc", "type", "extensions"]


def test_gpx_is_read_by_another_library(result, facts, gpx_text):
    found = gpxpy.parse(gpx_text)
    assert [point.name for point in found.waypoints] == [
        "01 log over the brook",
        "02 saddle between two knolls",
        "03 edge of wood and field",
        "04 game trail",
    ]
    for point, spot in zip(found.waypoints, result.spots, strict=True):
        assert point.latitude == pytest.approx(spot.lat, abs=1e-7)
        assert point.longitude == pytest.approx(spot.lon, abs=1e-7)
        assert point.elevation == pytest.approx(spot.elevation_m, abs=0.05)
        assert "Face 340 degrees true (compass 349)" in point.description
    for route, fact in zip(found.routes, facts, strict=True):
        assert route.name == f"Walk to {fact.label}"
        assert len(route.points) == len(fact.walk.line.coords)
        steps = itertools.pairwise(route.points)
        metres = sum(one.distance_2d(other) for one, other in steps)
        assert metres == pytest.approx(fact.walk.length_m, rel=0.01)
    # The route ends at the spot and begins at the gate.
    assert found.routes[0].points[-1].latitude == pytest.approx(result.spots[0].lat, abs=1e-6)


def test_gpx_without_walks_has_no_routes():
    bare, facts = _bare()
    assert gpxpy.parse(gpx.gpx(bare, facts)).routes == []


CORNER = "Corner of the field, woods on two sides"


@pytest.mark.parametrize(
    ("place", "name"),
    [
        (PlaceName("game trail"), "01 game trail"),
        (PlaceName("a very long description of a spot"), "01 a very long description of"),
        (PlaceName("x" * 50), "01 " + "x" * 27),
        (PlaceName("two  spaces\nand a line"), "01 two spaces and a line"),
        (None, "01 Stream crossing mid"),
        (PlaceName("Log over the brook", aside="11 m (37 ft) to the east"),
         "01 Log over the brook"),
        (PlaceName(CORNER, "south-east", short="field corner"), "01 Field corner SE"),
        (PlaceName(CORNER, "middle", short="field corner"), "01 Field corner mid"),
        (PlaceName(CORNER, short="field corner"), "01 Field corner"),
        (PlaceName("Where Cart track meets Pond outlet", aside="16 m (52 ft) to the south",
                   short="Cart track x Pond outlet"), "01 Cart track x Pond outlet"),
        (PlaceName("Where Thistle Brook enters the woods", "north-west",
                   short="Thistle Brook at woods"), "01 Thistle Brook at woods NW"),
    ],
)  # fmt: skip
def test_waypoint_names_fit_a_small_receiver(place, name):
    base = fake_result()
    title = full_name(place) if place else ""
    changed = replace(base, spots=(replace(base.spots[0], name=title, place=place),))
    points = gpxpy.parse(gpx.gpx(changed, spot_facts(changed))).waypoints
    assert points[0].name == name


def test_no_two_short_names_are_alike():
    sides = ("north", "north-east", "east", "south-east", "south", "south-west")
    names = [short_name("", PlaceName(CORNER, side, short="field corner")) for side in sides]
    assert len(set(names)) == len(sides)
    assert all(len(name) <= 30 for name in names)


def test_gpx_east_of_the_antimeridian():
    base = fake_result()
    spot = replace(base.spots[0], lon=180.0, lat=-18.0)
    changed = replace(base, spots=(spot,))
    text = gpx.gpx(changed, spot_facts(changed))
    assert 'lon="-180.0000000"' in text


# GeoPackage


@pytest.fixture(scope="module")
def package(result, facts, tmp_path_factory):
    path = tmp_path_factory.mktemp("gpkg") / "spots.gpkg"
    path.write_bytes(geopackage(result, facts, set_backs=NoGoRules()))
    return path


def test_geopackage_is_one(package):
    # OGC 12-128: the application id of the file, and its three tables.
    with sqlite3.connect(package) as db:
        assert db.execute("PRAGMA application_id").fetchone()[0] == 0x47504B47
        tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
        assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert {"gpkg_spatial_ref_sys", "gpkg_contents", "gpkg_geometry_columns"} <= tables
    kinds = dict(pyogrio.list_layers(package))
    assert kinds == {
        "spots": "Point",
        "search_areas": "MultiPolygon",
        "walks": "LineString",
        "no_go": "MultiPolygon",
        "parcel": "MultiPolygon",
    }


def test_geopackage_holds_the_spots(result, package):
    spots = pyogrio.read_dataframe(package, layer="spots")
    assert spots.crs.to_string() == CRS
    assert list(spots["rank"]) == [1, 2, 3, 4]
    assert spots["rank"].dtype == np.int64
    assert spots["score"].dtype == np.float64
    assert [(p.x, p.y) for p in spots.geometry] == [(s.easting, s.northing) for s in result.spots]
    areas = pyogrio.read_dataframe(package, layer="search_areas")
    assert areas.area.to_numpy() == pytest.approx(math.pi * 15**2, rel=0.01)


def test_geopackage_no_go_is_the_raster(result, package):
    zones = pyogrio.read_dataframe(package, layer="no_go").set_index("bit")
    cell = result.land.grid.cell_size_m**2
    for bit in (64, 128):
        inside = (result.no_go & NoGo.OUTSIDE.value) == 0
        cells = (((result.no_go & bit) != 0) & inside).sum()
        assert zones.loc[bit].geometry.area == cells * cell
        assert zones.loc[bit, "reason"]
        assert "m" in zones.loc[bit, "rule"]


def test_geopackage_of_no_spots(result, tmp_path):
    empty = replace(result, spots=())
    path = tmp_path / "empty.gpkg"
    path.write_bytes(geopackage(empty, (), set_backs=NoGoRules()))
    spots = pyogrio.read_dataframe(path, layer="spots")
    assert len(spots) == 0
    assert "score" in spots.columns


# The same every time


def test_same_result_same_bytes(result, facts):
    again = with_details(fake_result())
    others = spot_facts(again)
    for make in (tables.geojson, tables.spots_csv, gpx.gpx):
        assert make(result, facts) == make(again, others)
    first = geopackage(result, facts, set_backs=NoGoRules())
    assert first == geopackage(again, others, set_backs=NoGoRules())


@given(st.floats(0, 360))
def test_headings_in_whole_degrees(heading):
    degrees = whole_degrees(heading)
    assert 0 <= degrees < 360
    assert min(abs(degrees - heading), 360 - abs(degrees - heading)) <= 0.5


def test_one_of_eight_directions_is_no_degrees_in_gpx(result):
    """A receiver showed "heading 0" for a direction that the maps know within 45 degrees only."""
    blurred, exact = (
        replace(
            result,
            spots=tuple(replace(s, aim=replace(s.aim, span_deg=span)) for s in with_aims(result)),
        )
        for span in (45.0, 0.0)
    )
    names = ("heading_true_deg", "heading_magnetic_deg")
    for told, known in ((exact, True), (blurred, False)):
        text = gpx.gpx(told, spot_facts(told))
        point = ElementTree.fromstring(text).find(f"{{{gpx.GPX}}}wpt")
        assert all((f"spot:{name}>" in text) == known for name in names)
        said = point.find(f"{{{gpx.GPX}}}desc").text
        assert "Face " in said
        assert ("degrees true" in said) == known
        assert bool(re.search(r"\d+ degrees|\d°", said)) == known


def with_aims(result):
    """Those of its spots that have a heading."""
    return [spot for spot in result.spots if spot.aim is not None]
