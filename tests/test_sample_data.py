"""The sample data: rebuilt it equals what is committed, and it holds what its README says."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
from scipy import ndimage
from shapely import Point

FOLDER = Path(__file__).parent.parent / "sample_rasters"
PACKAGE = FOLDER / "layers.gpkg"
CRS = "EPSG:32617"


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_sample", FOLDER / "make_sample.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _raster(name):
    with rasterio.open(FOLDER / name) as source:
        return source.read(1), source.transform


def _positions(transform, rows, cols):
    """Easting and northing of cell centres."""
    return transform.c + (cols + 0.5) * transform.a, transform.f + (rows + 0.5) * transform.e


def _cell(transform, place):
    """Row and column of the cell a place lies in."""
    across, down = (place.x - transform.c) / transform.a, (place.y - transform.f) / transform.e
    return int(down), int(across)


def _layer(name):
    return gpd.read_file(PACKAGE, layer=name)


def _read_at(name, points):
    with rasterio.open(FOLDER / name) as source:
        return np.array([v[0] for v in source.sample([(p.x, p.y) for p in points])])


@pytest.fixture(scope="module")
def parcel():
    return _layer("parcel").geometry.iloc[0]


@pytest.fixture(scope="module")
def facts():
    table = pd.read_csv(FOLDER / "no_go_facts.csv")
    return [(row.rule, row.what, Point(row.easting, row.northing)) for row in table.itertuples()]


def _places(facts, rule):
    found = [place for name, _, place in facts if name == rule]
    assert found, rule
    return found


# --- rebuilt equals committed ---------------------------------------------------------


def _same_shape(one, other, tolerance=0.0):
    """Equal part by part: a layer of mixed areas makes each of them a multipart."""
    parts = [shapely.get_parts(shape) for shape in (one, other)]
    return len(parts[0]) == len(parts[1]) and all(
        shapely.equals_exact(a, b, tolerance) for a, b in zip(*parts, strict=True)
    )


def test_layers_rebuild_the_same(maker):
    built = maker.build_layers()
    assert set(pyogrio.list_layers(PACKAGE)[:, 0]) == set(built)
    for name, table in built.items():
        kept = _layer(name)
        assert kept.crs == table.crs, name
        assert list(kept.columns) == list(table.columns), name
        pd.testing.assert_frame_equal(
            pd.DataFrame(kept.drop(columns="geometry")),
            pd.DataFrame(table.drop(columns="geometry")),
            check_dtype=False,  # GeoPackage has its own widths of whole numbers
        )
        # Degrees pass through PROJ, whose last digit may differ: 1e-9 degree is 0.1 mm.
        tolerance = 1e-9 if name == "crossings" else 0.0
        for mine, theirs in zip(table.geometry, kept.geometry, strict=True):
            assert _same_shape(mine, theirs, tolerance), name


@pytest.mark.parametrize("name", ["no_go_facts.csv", "landmarks.csv"])
def test_tables_stand_in_the_readme(name):
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    for row in pd.read_csv(FOLDER / name).itertuples(index=False):
        assert f"| {' | '.join(str(v) for v in row)} |" in readme


@pytest.mark.slow
def test_the_script_writes_all_and_the_same_values(maker, tmp_path, monkeypatch):
    # The script sets it for its own process, and no test after this one may find it.
    monkeypatch.setenv("OGR_CURRENT_DATE", "")
    maker.write_all(tmp_path)
    data = {p.name for p in FOLDER.iterdir() if p.suffix in {".tif", ".gpkg", ".csv"}}
    assert {p.name for p in tmp_path.iterdir()} == data
    for name in sorted(n for n in data if n.endswith(".tif")):
        with rasterio.open(tmp_path / name) as new, rasterio.open(FOLDER / name) as kept:
            assert (new.crs, new.transform, new.nodata) == (kept.crs, kept.transform, kept.nodata)
            assert (new.units, new.dtypes) == (kept.units, kept.dtypes)
            np.testing.assert_array_equal(new.read(1), kept.read(1), err_msg=name)
    for name in sorted(n for n in data if n.endswith(".csv")):
        pd.testing.assert_frame_equal(pd.read_csv(tmp_path / name), pd.read_csv(FOLDER / name))


def test_the_script_stands_alone():
    text = (FOLDER / "make_sample.py").read_text(encoding="utf-8")
    assert "import siting" not in text
    assert "from siting" not in text


# --- form -----------------------------------------------------------------------------


def test_size_under_five_megabytes():
    assert sum(p.stat().st_size for p in FOLDER.iterdir() if p.is_file()) < 5_000_000


@pytest.mark.parametrize(
    ("name", "cell_m", "nodata", "dtype", "unit"),
    [
        ("dem.tif", 2.0, -9999.0, "float32", "metre"),
        ("dem_10m.tif", 10.0, -9999.0, "float32", "metre"),
        ("land_cover.tif", 10.0, 0.0, "uint8", None),
    ],
)
def test_raster_form(name, cell_m, nodata, dtype, unit):
    with rasterio.open(FOLDER / name) as source:
        assert source.crs == CRS
        assert source.res == (cell_m, cell_m)
        assert source.nodata == nodata
        assert source.dtypes[0] == dtype
        assert source.units[0] == unit
        assert source.profile["tiled"]
        assert not (source.read(1) == nodata).any()


def test_land_cover_holds_every_role_the_sample_promises():
    codes = set(np.unique(_raster("land_cover.tif")[0]).tolist())
    assert codes == {11, 21, 22, 41, 42, 43, 52, 71, 81, 82, 90, 95}


def test_only_the_crossings_are_in_degrees():
    crs = {name: _layer(name).crs.to_epsg() for name in pyogrio.list_layers(PACKAGE)[:, 0]}
    assert {name for name, code in crs.items() if code == 4326} == {"crossings"}
    assert set(crs.values()) == {4326, 32617}


def test_columns_hold_only_the_words_they_may():
    allowed = {
        ("water", "kind"): {"stream", "pond"},
        ("trails", "use"): {"game", "quiet", "busy"},
        ("roads", "class"): {"major", "minor", "track"},
        ("crossings", "kind"): {"log", "ford", "stones"},
    }
    for (layer, column), words in allowed.items():
        assert set(_layer(layer)[column]) == words


# --- parcels --------------------------------------------------------------------------


def test_parcel_is_about_forty_hectares_and_no_rectangle(parcel):
    assert 35 <= parcel.area / 1e4 <= 45
    assert parcel.is_valid
    assert parcel.area / parcel.minimum_rotated_rectangle.area < 0.95


@pytest.mark.parametrize(("layer", "dem"), [("parcel", "dem.tif"), ("parcels", "dem_10m.tif")])
def test_at_least_700_m_of_context_all_round(layer, dem):
    left, bottom, right, top = _layer(layer).total_bounds
    with rasterio.open(FOLDER / dem) as source:
        have = source.bounds
    assert min(left - have.left, bottom - have.bottom, have.right - right, have.top - top) >= 700


def test_the_thirteen_parcels_are_as_odd_as_they_should_be(parcel):
    table = _layer("parcels").set_index("id")
    assert len(table) == 13
    assert table.geometry.is_valid.all()
    assert table.index.is_unique
    assert _same_shape(table.geometry["P01"], parcel)
    assert set(table["cell"].value_counts()) <= {3, 4}
    shapes = list(table.geometry)
    overlap = [a.intersection(b).area for i, a in enumerate(shapes) for b in shapes[i + 1 :]]
    assert max(overlap) == 0.0
    parts = {name: shapely.get_parts(shape) for name, shape in table.geometry.items()}
    assert {name for name, found in parts.items() if len(found) > 1} == {"P04"}
    assert [len(part.interiors) for part in parts["P03"]] == [1]
    assert table.geometry["P05"].area == pytest.approx(10_000, rel=0.05)
    pasture = shapely.union_all(_layer("livestock").geometry)
    cows = table.geometry["P07"]
    assert cows.intersection(pasture).area > 0.8 * cows.area


def test_nothing_firm_is_left_of_the_parcel_by_the_highway():
    strip = _layer("parcels").set_index("id").geometry["P06"]
    roads = _layer("roads").set_index("class").geometry
    taken = shapely.union_all(list(roads[["major"]].buffer(100)))
    taken = taken.union(shapely.union_all(list(_layer("buildings").buffer(50))))
    assert strip.difference(taken).area < 0.02 * strip.area


# --- water ----------------------------------------------------------------------------


def _streams():
    water = _layer("water")
    return water[water["kind"] == "stream"]


# 2 m cells: steps of the grid across a 6 m channel. 10 m cells cannot hold the channel: where
# the brook cuts the bluff one cell spans water and bank.
@pytest.mark.parametrize(("dem", "rise_m"), [("dem.tif", 0.3), ("dem_10m.tif", 1.2)])
def test_streams_fall_all_the_way(dem, rise_m):
    with rasterio.open(FOLDER / dem) as source:
        extent = shapely.box(*source.bounds).buffer(-10)
    seen = 0
    for name, line in zip(_streams()["name"], _streams().geometry, strict=True):
        points = [Point(p) for p in line.segmentize(2).coords if extent.contains(Point(p))]
        if len(points) < 50:
            continue
        height = _read_at(dem, points).astype(float)
        assert (height - np.minimum.accumulate(height)).max() <= rise_m, name
        assert height[0] - height[-1] > 1.0, name
        seen += 1
    assert seen >= 5


def test_brook_lies_in_a_channel():
    brook = _streams().set_index("name").geometry["Thistle Brook"]
    inside = list(np.arange(1600.0, 2400.0, 20.0))
    for side in (-12.0, 12.0):
        bank = brook.offset_curve(side)
        bed = _read_at("dem.tif", [brook.interpolate(s) for s in inside])
        edge = _read_at(
            "dem.tif", [bank.interpolate(bank.project(brook.interpolate(s))) for s in inside]
        )
        assert np.median(edge - bed) > 0.5
        assert (edge > bed).mean() > 0.95


def test_pond_is_level_and_the_lowest_ground_at_its_shore():
    water = _layer("water").set_index("name").geometry
    pond = water["Duck Pond"]
    dem, transform = _raster("dem.tif")
    rows, cols = np.indices(dem.shape)
    east, north = _positions(transform, rows, cols)
    level = dem[shapely.contains_xy(pond, east, north)]
    assert level.size > 500
    assert np.ptp(level) == 0.0
    near = shapely.contains_xy(pond.buffer(12), east, north) & ~shapely.contains_xy(
        pond.buffer(4), east, north
    )
    outlet = shapely.contains_xy(water["Pond outlet"].buffer(8), east, north)
    assert (dem[near & ~outlet] > level[0]).all()


def test_roads_and_trails_keep_out_of_ponds():
    ponds = shapely.union_all(list(_layer("water").query("kind == 'pond'").geometry))
    for layer in ("roads", "trails", "buildings", "parcel"):
        touching = _layer(layer).geometry.boundary if layer == "parcel" else _layer(layer).geometry
        assert touching.distance(ponds).min() > 20, layer


def test_crossings_lie_where_a_trail_meets_a_stream(parcel):
    streams = shapely.union_all(list(_streams().geometry))
    trails = shapely.union_all(list(_layer("trails").geometry))
    for place in _layer("crossings").to_crs(CRS).geometry:
        assert place.distance(streams) < 0.05
        assert place.distance(trails) < 0.05
        assert parcel.contains(place)


def test_way_in_is_on_the_parcel_side_of_the_county_road(parcel):
    gate = _layer("way_in").geometry.iloc[0]
    road = _layer("roads").set_index("name").geometry["County road"]
    cart = _layer("trails").set_index("name").geometry["Cart track"]
    assert gate.distance(road) < 25
    assert gate.distance(parcel) < 5
    assert gate.distance(cart) < 2


# --- no-go facts ----------------------------------------------------------------------


def test_every_rule_has_its_fact_and_all_but_one_lie_in_the_parcel(facts, parcel):
    rules = {"livestock", "feeder", "road", "building", "water", "steep", "boundary", "user"}
    assert {rule for rule, _, _ in facts} == rules | {"built_cover", "outside"}
    for rule, what, place in facts:
        assert parcel.contains(place) == (rule != "outside"), what


@pytest.mark.parametrize(
    ("rule", "layer", "query", "setback_m"),
    [
        ("livestock", "livestock", None, 10),
        ("feeder", "feeders", None, 50),
        ("road", "roads", "`class` == 'minor'", 30),
        ("building", "buildings", None, 50),
        ("water", "water", None, 3),
        ("user", "no_go", None, 0),
    ],
)
def test_facts_of_a_layer_lie_within_its_setback(facts, rule, layer, query, setback_m):
    table = _layer(layer).query(query) if query else _layer(layer)
    for place in _places(facts, rule):
        assert table.distance(place).min() <= setback_m


def test_facts_of_the_boundary_and_the_cover(facts, parcel):
    for place in _places(facts, "boundary"):
        assert parcel.exterior.distance(place) < 10
    cover = _read_at("land_cover.tif", _places(facts, "built_cover"))
    assert set(cover.tolist()) <= {21, 22}


def test_the_steep_fact_is_steeper_than_20_degrees_by_central_differences(facts):
    for place in _places(facts, "steep"):
        steps = [(2, 0), (-2, 0), (0, 2), (0, -2)]
        e, w, n, s = _read_at("dem.tif", [Point(place.x + a, place.y + b) for a, b in steps])
        assert math.degrees(math.atan(math.hypot((e - w) / 4, (n - s) / 4))) > 22


def test_most_of_the_parcel_is_neither_steep_nor_taken(parcel):
    dem, transform = _raster("dem.tif")
    rows, cols = np.indices(dem.shape)
    east, north = _positions(transform, rows, cols)
    inside = shapely.contains_xy(parcel, east, north)
    slope_deg = np.degrees(np.arctan(np.hypot(*np.gradient(dem.astype(float), 2.0))))
    assert 0.02 < (slope_deg[inside] > 20).mean() < 0.15
    assert (slope_deg[inside] < 8).mean() > 0.4


# --- landmarks ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def landmarks():
    table = pd.read_csv(FOLDER / "landmarks.csv")
    return {row.what: Point(row.easting, row.northing) for row in table.itertuples()}


def _joined(dem, level, a, b):
    label, _ = ndimage.label(dem >= level)
    return label[a] == label[b] != 0


def test_saddle_is_the_highest_pass_between_the_knolls(landmarks, parcel):
    dem, transform = _raster("dem.tif")
    tops = [landmarks["Top of the west knoll"], landmarks["Top of the east knoll"]]
    cells = [_cell(transform, p) for p in tops]
    low, high = 240.0, float(min(dem[c] for c in cells))
    while high - low > 0.05:
        middle = (low + high) / 2
        low, high = (middle, high) if _joined(dem, middle, *cells) else (low, middle)
    saddle = landmarks["Saddle between two knolls"]
    assert parcel.contains(saddle)
    assert _read_at("dem.tif", [saddle])[0] == pytest.approx(low, abs=0.3)
    assert min(dem[c] for c in cells) - low > 8  # a clear one
    game = _layer("trails").set_index("name").geometry["Saddle trail"]
    assert game.distance(saddle) < 15


def test_bench_is_flatter_than_the_slope_above_and_below(landmarks):
    bench = landmarks["Bench half way up the eastern ridge"]

    def rise_per_m(east_from, east_to):
        a, b = Point(bench.x + east_from, bench.y), Point(bench.x + east_to, bench.y)
        low, high = _read_at("dem.tif", [a, b])
        return (high - low) / (east_to - east_from)

    assert rise_per_m(-15, 15) < 0.12
    assert rise_per_m(-75, -40) > 0.2
    assert rise_per_m(105, 160) > 0.2


def test_eastern_ridge_hides_the_low_sun_from_the_bench(landmarks):
    eye = landmarks["Bench half way up the eastern ridge"]
    away = np.arange(20.0, 400.0, 4.0)
    ground = _read_at("dem.tif", [Point(eye.x + d, eye.y) for d in away])
    here = _read_at("dem.tif", [eye])[0] + 0.45
    assert np.degrees(np.arctan((ground - here) / away)).max() > 5


def test_gap_lies_between_pond_and_road(landmarks):
    gap = landmarks["Gap between Duck Pond and the county road"]
    pond = _layer("water").set_index("name").geometry["Duck Pond"]
    road = _layer("roads").set_index("name").geometry["County road"]
    assert gap.distance(pond) + gap.distance(road) < pond.distance(road) + 10
    assert 60 < pond.distance(road) < 150


def _cover_around(place, reach):
    cover, transform = _raster("land_cover.tif")
    row, col = _cell(transform, place)
    return cover[row - reach : row + reach + 1, col - reach : col + reach + 1]


def test_strip_is_woods_with_a_field_on_either_side(landmarks):
    row = _cover_around(landmarks["Wooded strip between two fields"], 4)[4]
    woods = np.isin(row, (41, 42, 43))
    assert woods[4]
    assert 2 <= woods.sum() <= 4
    assert np.isin(row[[0, -1]], (81, 82)).all()


def test_inside_corner_peninsula_and_clearing_show_in_the_cover(landmarks):
    corner = np.isin(_cover_around(landmarks["Inside corner of the east hay field"], 2), (81, 82))
    assert 12 <= corner.sum() <= 21  # woods fill about a quarter
    assert not corner[:2, 3:].any()
    tip = np.isin(_cover_around(landmarks["Tip of the woods in the west crop field"], 3), (41,))
    assert tip[:3].sum() > tip[4:].sum()
    assert _cover_around(landmarks["Clearing in the woods"], 0)[0, 0] == 71


def test_specks_are_single_cells(maker):
    cover, transform = _raster("land_cover.tif")
    for east, north, code in maker.SPECKS:
        row, col = _cell(transform, Point(maker.ORIGIN[0] + east, maker.ORIGIN[1] + north))
        around = cover[row - 1 : row + 2, col - 1 : col + 2]
        assert around[1, 1] == code
        woods = np.isin(around, (41, 42, 43))
        assert (woods == woods[1, 1]).sum() == 1
