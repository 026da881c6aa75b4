"""The door in: windows, cells, layers and parcels, as they must come out on the grid."""

from __future__ import annotations

import json
import re
import resource
import sys
import time
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import psutil
import pytest
import rasterio
import shapely
from affine import Affine
from rasterio.enums import Resampling
from shapely.geometry import LineString, Point, box

from siting.errors import SitingError
from siting.grid import Grid
from siting.read import land as read
from siting.read.raster import raster_layers
from siting.read.raster.rasters import describe, opened, source_window
from siting.read.vector.columns import plain_text
from siting.read.vector.parcels import checked_parcel, point_parcel, read_parcels
from siting.read.vector.vectors import read_layer, simpler
from siting.settings.given.layers import LayerInput
from siting.settings.given.rasters import DemInput
from siting.settings.inputs import ParcelInput
from siting.settings.load import load_inputs
from siting.settings.protocol import GridRules
from siting.types import CoverRole
from tests.bad_inputs.land import (
    CELL_M,
    CRS,
    LEFT,
    SIZE,
    TOP,
    Land,
    clean,
    hill,
    raster,
    relief,
)

GRID = Grid(CRS, LEFT, TOP, CELL_M, 60, 60)
RULES = GridRules(context_m=50.0)


def inputs_of(land: Land):
    return load_inputs(None, land.inputs).model_copy(update={"folder": land.folder})


def read_land_of(land: Land, rules: GridRules = RULES):
    inputs = inputs_of(land)
    return read.read_land(inputs, read.read_parcel(inputs), rules=rules)


def elevation(path: Path, grid: Grid = GRID, **spec):
    told = DemInput(file=str(path), **spec)
    return raster_layers.read_elevation(
        str(path), told, grid, key="dem", z_unit=told.z_unit, most_gb=4.0
    )


def code_of(call, *args, **kwargs) -> str:
    with pytest.raises(SitingError) as caught:
        call(*args, **kwargs)
    return caught.value.code


# --- what lies where ---


def test_cells_that_coincide_are_used_as_they_are(tmp_path):
    land = read_land_of(clean(tmp_path))
    assert land.grid == GRID
    assert np.array_equal(land.dem, relief())
    assert land.parcel_shape.area == pytest.approx(40_000)


@pytest.mark.parametrize(("rows", "cols"), [(1, 0), (0, 1), (-1, 0), (0, -1)])
def test_planted_fault_a_shift_of_one_cell_is_seen(rows, cols, tmp_path):
    """The comparison above would notice a raster laid one cell aside."""
    shifted = np.roll(relief(), (rows, cols), axis=(0, 1))
    assert np.abs(shifted - relief())[2:-2, 2:-2].max() > 0.05


@pytest.mark.parametrize("size_m", [0.5, 1.0, 2.5, 3.0, 5.0, 7.5, 10.0])
@pytest.mark.parametrize("off_m", [0.0, 1.3])
def test_heights_are_true_on_every_lattice(size_m, off_m, tmp_path):
    """Against the function that the heights were made from; hills bend by less than 0.2 m."""
    n = int(400 / size_m)
    left, top = LEFT - 50 + off_m, TOP + 50 - off_m
    south, east = (np.mgrid[0:n, 0:n] + 0.5) * size_m
    values = hill(east - 50 + off_m, south - 50 + off_m).astype(np.float32)
    path = raster(tmp_path / "d.tif", values, left=left, top=top, cell_m=size_m)
    found, _, _, _ = elevation(path)
    x, y = GRID.xy(*np.mgrid[0:60, 0:60])
    assert np.isfinite(found).all()
    assert np.abs(found - hill(x - LEFT, TOP - y)).max() < 0.2


@pytest.mark.parametrize("missing", ["nan", "value", "mask"])
def test_no_data_never_bleeds_into_known_cells(missing, tmp_path):
    """A hole next to 250 m: bilinear reading of an unmasked -9999 gives -7436 and -1031 there."""
    values = relief(160, 160, 2.5)
    hole = np.zeros(values.shape, dtype=bool)
    hole[60:80, 60:80] = True
    values[hole] = np.nan if missing == "nan" else -9999.0
    path = tmp_path / "d.tif"
    nodata = {"nan": np.nan, "value": -9999.0, "mask": None}[missing]
    raster(path, values, cell_m=2.5, left=LEFT + 1.1, top=TOP + 1.1, nodata=nodata)
    if missing == "mask":
        with rasterio.open(path, "r+") as out:
            out.write_mask(~hole)
    found, _, _, _ = elevation(path)
    assert np.nanmin(found) > 235
    assert np.nanmax(found) < 265
    assert np.isnan(found[33:37, 33:37]).all()


def test_classes_are_never_mixed(tmp_path):
    """Classes 10 and 80 side by side: no code between them, at any cell size."""
    for size_m in (1.0, 3.0, 7.0, 12.0):
        n = int(420 / size_m)
        values = np.where(np.add(*np.mgrid[0:n, 0:n]) * size_m % 90 < 45, 41, 81).astype(np.uint8)
        land = clean(tmp_path / f"{size_m}") if (tmp_path / f"{size_m}").mkdir() is None else None
        land.cover(values, left=LEFT - 60.7, top=TOP + 60.7, cell_m=size_m)
        assert set(np.unique(read_land_of(land).cover_code)) == {41, 81}


@pytest.mark.parametrize("size_m", [2.0, 7.0, 9.0])
def test_no_brush_is_invented_between_a_tree_and_the_grass_beside_it(size_m, tmp_path):
    """Half of a crown of 20 m and half of nothing is no brush of some metres that blocks a lens."""
    n = int(400 / size_m)
    east, south = np.meshgrid(*2 * [(np.arange(n) + 0.5) * size_m])
    height = np.where(np.hypot(east - 150, south - 150) < 60, 20.0, 0.0).astype(np.float32)
    raster(tmp_path / "canopy.tif", height, cell_m=size_m, left=LEFT - 20, top=TOP + 20)
    land = clean(tmp_path).set("canopy.file", "canopy.tif")
    canopy = read_land_of(land).canopy_m
    assert set(np.unique(canopy[np.isfinite(canopy)])) <= {0.0, 20.0}
    crown_m2 = (height == 20.0).sum() * size_m**2
    assert (canopy == 20.0).sum() * CELL_M**2 == pytest.approx(crown_m2, rel=0.04)


def test_overviews_are_not_read_for_classes(tmp_path):
    land = clean(tmp_path)
    values = np.where(np.mgrid[0:60, 0:60][1] % 2, 41, 81).astype(np.uint8)
    land.cover(values, tiled=True, blockxsize=16, blockysize=16)
    with rasterio.open(tmp_path / "cover.tif", "r+") as out:
        out.build_overviews([2, 4], Resampling.average)
    assert np.array_equal(read_land_of(land).cover_code, values)


def test_area_and_point_twins_are_equal(tmp_path):
    """Whether the file calls its cells areas or points, they lie in one place (GDAL RFC 33)."""
    path = raster(tmp_path / "a.tif", relief())
    twin = raster(tmp_path / "b.tif", relief())
    with rasterio.open(twin, "r+") as out:
        out.update_tags(AREA_OR_POINT="Point")
    assert np.array_equal(elevation(path)[0], elevation(twin)[0])


def test_a_finer_cover_is_read_by_majority(tmp_path):
    """Cells of 1 m under a grid of 5 m: the one in the middle is another class than the rest."""
    land = clean(tmp_path)
    fine = np.full((SIZE * 5, SIZE * 5), 41, dtype=np.uint8)
    fine[2::5, 2::5] = 81
    role = read_land_of(land.cover(fine, cell_m=1.0)).role
    assert (role[5:-5, 5:-5] == CoverRole.TREE).all()


def test_scale_and_offset_are_applied_after_the_mask(tmp_path):
    values = np.round((relief() - 100) * 10).astype(np.int16)
    values[0, 0] = -32768
    path = raster(tmp_path / "d.tif", values, scale=0.1, offset=100.0, nodata=-32768)
    found, facts, source, _ = elevation(path)
    assert (facts.scale, facts.offset) == (0.1, 100.0)
    assert source.facts["scale"] == 0.1
    assert np.isnan(found[0, 0])
    assert np.nanmax(np.abs(found - relief())) < 0.051


# --- what it costs ---


@pytest.fixture(scope="module")
def state(tmp_path_factory) -> Path:
    """A raster of a whole region with overviews: 64 million cells, all of them real."""
    path = tmp_path_factory.mktemp("state") / "state.tif"
    n, block = 8000, 500
    with rasterio.open(
        path, "w", driver="GTiff", width=n, height=n, count=1, dtype="float32", crs=CRS,
        transform=Affine(CELL_M, 0, LEFT - 20_000, 0, -CELL_M, TOP + 20_000), tiled=True,
        blockxsize=256, blockysize=256, compress="deflate", zlevel=1, predictor=3,
    ) as out:  # fmt: skip
        for row in range(0, n, block):
            south, east = np.mgrid[row : row + block, 0:n] * CELL_M + CELL_M / 2 - 20_000.0
            window = rasterio.windows.Window(0, row, n, block)
            out.write(hill(east, south).astype(np.float32), 1, window=window)
        out.set_band_unit(1, "m")
    return path


def cost(path: Path) -> tuple[np.ndarray, int, float]:
    """The heights, the bytes read from disk or its cache, and the seconds."""
    before, begin = psutil.Process().io_counters(), time.perf_counter()
    found, _, _, _ = elevation(path)
    spent = time.perf_counter() - begin
    return found, psutil.Process().io_counters().read_chars - before.read_chars, spent


@pytest.mark.skipif(sys.platform != "linux", reason="bytes read are counted by Linux")
def test_a_state_costs_a_parcel_no_more_than_a_crop(state, tmp_path):
    crop = tmp_path / "crop.tif"
    with rasterio.open(state) as source:
        window = rasterio.windows.Window(3900, 3900, 260, 260)
        profile = source.profile | {
            "width": 260, "height": 260, "transform": source.window_transform(window)
        }  # fmt: skip
        with rasterio.open(crop, "w", **profile) as out:
            out.write(source.read(window=window))
            out.set_band_unit(1, "m")
    elevation(crop)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    whole, whole_bytes, whole_s = cost(state)
    part, part_bytes, _ = cost(crop)
    assert np.array_equal(whole, part)
    assert state.stat().st_size > 20 * whole_bytes
    # Four tiles of 256 x 256 and the table of where they are, against the crop's own few.
    assert whole_bytes < part_bytes + 2_000_000
    assert whole_s < 2.0
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory < 60_000


def test_only_the_window_is_asked_for(state):
    with opened(str(state), key="dem", spec=DemInput(file="x")) as dataset:
        facts = describe(dataset, DemInput(file="d"), key="dem")
    window = source_window(facts, GRID, margin=3)
    assert (window.width, window.height) == (66, 66)


def test_too_much_is_refused_before_it_is_read(tmp_path):
    small = RULES.model_copy(update={"most_memory_gb": 0.0001})
    assert code_of(read_land_of, clean(tmp_path), small) == "E-MEM-01"


def test_the_cell_size_told_with_too_much_is_enough(tmp_path):
    # 60 x 60 cells of 5 m and the libraries take 200.76 MB; a quarter of the cells 200.2 MB.
    land, small = clean(tmp_path), RULES.model_copy(update={"most_memory_gb": 0.2004})
    with pytest.raises(SitingError) as caught:
        read_land_of(land, small)
    assert caught.value.code == "E-MEM-01"
    told = re.search(r"set grid\.cell_size_m to ([\d.]+) or more", str(caught.value))
    assert told is not None
    assert read_land_of(land.set("grid.cell_size_m", float(told[1])), small).grid.n_rows < 60
    nothing = RULES.model_copy(update={"most_memory_gb": 0.1})
    with pytest.raises(SitingError, match=r"set a larger grid\.cell_size_m"):
        read_land_of(land, nothing)


def test_a_file_that_changes_is_noticed(tmp_path, monkeypatch):
    land = clean(tmp_path)
    real = raster_layers.read_classes

    def meddle(*args, **kwargs):
        land.dem(relief() + 1)
        return real(*args, **kwargs)

    monkeypatch.setattr(raster_layers, "read_classes", meddle)
    assert code_of(read_land_of, land) == "E-CHANGED-01"


def test_the_fingerprint_of_a_window_is_that_of_its_values(tmp_path):
    one = elevation(raster(tmp_path / "a.tif", relief()))[2]
    same = elevation(raster(tmp_path / "b.tif", relief(), compress="deflate"))[2]
    other = elevation(raster(tmp_path / "c.tif", relief() + np.float32(0.01)))[2]
    assert one.sha256 == same.sha256 != other.sha256


# --- layers ---


def layer(tmp_path: Path, frame: gpd.GeoDataFrame, name: str = "roads", **spec):
    path = tmp_path / f"{name}{len(list(tmp_path.iterdir()))}.gpkg"
    frame.to_file(path)
    return read_layer(str(path), LayerInput(file=str(path), **spec), GRID, name=name)


def test_layers_come_in_the_grids_system_and_only_what_is_near(tmp_path):
    near, far = Point(LEFT + 100, TOP - 100), Point(LEFT + 9000, TOP)
    frame = gpd.GeoDataFrame({"name": ["a", "b"]}, geometry=[near, far], crs=CRS)
    found, source, notes = layer(tmp_path, frame.to_crs(4326), "feeders")
    assert list(found.name) == ["a"]
    assert found.crs.to_epsg() == 32617
    assert found.geometry[0].distance(near) < 1e-3
    assert source.facts["features_near"] == 1
    assert notes == ()


def test_classes_of_roads(tmp_path):
    line = LineString([(LEFT, TOP - 50), (LEFT + 300, TOP - 60)])
    frame = gpd.GeoDataFrame({"highway": ["motorway"]}, geometry=[line], crs=CRS)
    found, _, _ = layer(tmp_path, frame, column="highway", values={"motorway": "major"})
    assert list(found["class"]) == ["major"]
    found, _, notes = layer(tmp_path, frame)
    assert list(found["class"]) == ["minor"]
    assert [note.code for note in notes] == ["A-CLASS-01"]
    assert code_of(layer, tmp_path, frame, column="highway") == "E-FIELD-01"
    assert code_of(layer, tmp_path, frame, column="kind") == "E-FIELD-01"


def test_faulty_shapes_of_layers_are_repaired_whole(tmp_path):
    """Both halves of a bow-tie stay no-go ground: 2 x 2,500 m2 (buffer(0) would keep one)."""
    bow = shapely.Polygon([(LEFT + 50, TOP - 50), (LEFT + 150, TOP - 150), (LEFT + 150, TOP - 50),
                           (LEFT + 50, TOP - 150)])  # fmt: skip
    found, _, notes = layer(tmp_path, gpd.GeoDataFrame(geometry=[bow], crs=CRS), "no_go")
    assert found.area.sum() == pytest.approx(5000)
    assert "A-REPAIR-01" in {note.code for note in notes}


def test_a_layer_with_nothing_near_is_told(tmp_path):
    far = gpd.GeoDataFrame(geometry=[Point(LEFT + 9000, TOP)], crs=CRS)
    found, _, notes = layer(tmp_path, far, "water")
    assert len(found) == 0
    assert [note.code for note in notes] == ["W-LAYER-01"]


def test_shapes_of_very_many_corners_are_thinned_within_a_hand():
    turn = np.linspace(0, 2 * np.pi, 200_001)
    shore = shapely.Polygon(np.column_stack([500 * np.cos(turn), 500 * np.sin(turn)]))
    thin = simpler(shore)
    assert shapely.get_num_coordinates(thin) < 2000
    assert shapely.hausdorff_distance(shore, thin) <= 0.1
    assert thin.area == pytest.approx(shore.area, rel=1e-3)
    assert simpler(thin) is thin


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""),
        (float("nan"), ""),
        (7.0, "7"),
        (7.5, "7.5"),
        (7, "7"),
        ("Hay\tfield\n2", "Hay field 2"),
        ("a\x1b[31mb\x00", "a\ufffd[31mb\ufffd"),
        ("x" * 500, "x" * 199 + "\u2026"),
        ("\U0001f98c é", "\U0001f98c é"),
        ("<b>&amp;", "<b>&amp;"),
    ],
)
def test_text_of_columns(value, text):
    assert plain_text(value) == text


# --- parcels ---


def parcels(tmp_path: Path, **columns) -> Path:
    shapes = [box(LEFT + 300 * n, TOP - 250, LEFT + 300 * n + 200, TOP) for n in range(3)]
    path = tmp_path / "p.gpkg"
    path.unlink(missing_ok=True)
    gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS).to_file(path)
    return path


def test_parcels_keep_their_order_and_columns(tmp_path):
    path = parcels(tmp_path, who=["c", "a", "b"], say=["C", "A", None], cell=[7, 8, 9],
                   prio=["2", "high", None])  # fmt: skip
    spec = ParcelInput(file="p", id_column="who", label_column="say", cell_column="cell",
                       priority_column="prio")  # fmt: skip
    found = read_parcels(str(path), spec, layer="")
    assert [p.id for p in found] == ["c", "a", "b"]
    assert [p.label for p in found] == ["C", "A", ""]
    assert [p.cell for p in found] == ["7", "8", "9"]
    assert found[0].priority == 2.0
    assert np.isnan(found[1].priority)
    assert [note.code for note in found[1].notes] == ["W-PRIORITY-01"]
    assert found[2].notes == ()


@pytest.mark.parametrize(
    ("ids", "spec", "code"),
    [
        (["a", "a", "b"], {}, "E-GEOM-07"),
        (["a", None, "b"], {}, "E-FIELD-01"),
        (["a", "b", "c"], {"id_column": "owner"}, "E-FIELD-01"),
        (["a", "b", "c"], {"cell_column": "owner"}, "E-FIELD-01"),
    ],
)
def test_parcels_that_cannot_be_told_apart(ids, spec, code, tmp_path):
    path = parcels(tmp_path, id=ids)
    assert code_of(read_parcels, str(path), ParcelInput(file="p", **spec), layer="") == code


def test_a_round_parcel_is_round_in_metres():
    """On paper: a circle of 100 m has 31,416 m2, at 60 N as well as on the equator."""
    for lat in (0.0, 60.0):
        parcel = checked_parcel(point_parcel(10.0, lat, 100.0), file="point")
        assert parcel.geometry.area == pytest.approx(31_416, rel=0.002)


def test_a_repair_keeps_parts_and_holes(tmp_path):
    """An in-holding stays out: largest part and outer ring would be more land than there is."""
    ring = box(0, 0, 100, 100) - box(40, 40, 60, 60)
    parcel = point_parcel(-80.5, 43.0, 100.0)
    two = shapely.union_all([shapely.affinity.translate(ring, 5e5, 4.7e6),
                             shapely.affinity.translate(ring, 5e5 + 300, 4.7e6)])  # fmt: skip
    found = checked_parcel(replace(parcel, geometry=two, crs=CRS), file="p")
    assert found.geometry.area == pytest.approx(2 * 9600)


def test_json_of_two_systems_is_one_place(tmp_path):
    """A parcel in degrees and the same in metres give the same grid and mask."""
    land = clean(tmp_path)
    first = read_land_of(land)
    second = read_land_of(land.parcel(land.outline))
    assert first.grid == second.grid
    assert first.parcel_shape.symmetric_difference(second.parcel_shape).area < 0.1


def test_a_foreign_member_in_geojson_does_no_harm(tmp_path):
    land = clean(tmp_path)
    path = tmp_path / "outline.geojson"
    land.parcel(land.outline)
    data = json.loads(path.read_text()) | {"bbox": [0, 0, 1, 1], "crs": None, "x": {"y": 1}}
    path.write_text(json.dumps(data))
    assert read_land_of(land).parcel_shape.area == pytest.approx(40_000, rel=1e-5)
