"""Data that look finer than they are: terraces, streams off their valleys, wide cells."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
from shapely.geometry import LineString, box

from siting.grid import Grid
from siting.ground.terrain import slope_deg
from siting.ground.water.stream_offset import stream_offset
from siting.ground.water.valley_depth import lines_that_show
from siting.notebook import site_parcel
from siting.pipeline import judge_land
from siting.read.raster import terraces
from siting.settings.load import load_protocol
from siting.settings.protocol import Protocol
from siting.types import CoverRole
from tests.bad_inputs.land import CRS, LEFT, PROTOCOL, TOP, clean, codes, frame, raster, relief
from tests.fake_result import fake_land
from tests.real_places import DATA
from tests.test_read import elevation, inputs_of, read_land_of

# --- terraces ---


def knolls(n: int = 400) -> np.ndarray:
    """Hills on cells of 1 m, up to 25 degrees steep, by a known function."""
    east, south = np.meshgrid(*2 * [np.arange(n) + 0.5])
    return (100 + 25 * np.sin(east / 90) + 18 * np.cos(south / 70) + 0.03 * east).astype("f4")


@pytest.mark.parametrize("step_m", [1.0, 0.5])
def test_whole_metres_on_cells_of_a_metre_are_smoothed_within_half_a_step(step_m):
    true = knolls()
    stairs = (np.round(true / step_m) * step_m).astype(np.float32)
    found, exact_m, notes = terraces.smoothed(stairs, step_m=step_m, cell_m=1.0, file="d")
    assert np.abs(found - stairs).max() <= step_m / 2 + 1e-4
    inner = slice(40, -40), slice(40, -40)
    was = np.abs(slope_deg(stairs, 1.0) - slope_deg(true, 1.0))[inner].mean()
    now = np.abs(slope_deg(found, 1.0) - slope_deg(true, 1.0))[inner].mean()
    assert was > 2.0
    assert now < was / 3
    assert exact_m == 10.0 * step_m
    assert [note.code for note in notes] == ["W-TERRACE-01"]


def test_heights_that_are_not_in_steps_stay_as_they_are():
    true = knolls(100)
    assert terraces.step_of(true.astype(float)) == 0.0
    found, exact_m, notes = terraces.smoothed(true, step_m=0.0, cell_m=1.0, file="d")
    assert found is true
    assert (exact_m, notes) == (1.0, ())


def test_whole_metres_on_wide_cells_do_no_harm_and_stay():
    """On cells of 30 m a step of a metre is a rise of 3 %: less than the error of such heights."""
    coarse = np.round(knolls()[::30, ::30])
    found, _, notes = terraces.smoothed(coarse, step_m=1.0, cell_m=30.0, file="d")
    assert found is coarse
    assert notes == ()


def test_unknown_ground_stays_unknown_and_pulls_nothing():
    stairs = np.round(knolls(200))
    stairs[50:80, 50:80] = np.nan
    found, _, _ = terraces.smoothed(stairs, step_m=1.0, cell_m=1.0, file="d")
    assert np.array_equal(np.isnan(found), np.isnan(stairs))
    assert np.nanmax(np.abs(found - stairs)) <= 0.5 + 1e-4


def test_feet_are_steps_as_well(tmp_path):
    """Whole feet on cells of 1 m: the step is 0.3 m."""
    feet = np.round(knolls(300) / 0.3048).astype(np.float32)
    path = raster(tmp_path / "d.tif", feet, cell_m=1.0, unit="ft")
    _, facts, _, notes = elevation(path, Grid(CRS, LEFT, TOP, 1.0, 300, 300))
    assert "W-TERRACE-01" in [note.code for note in notes]
    assert facts.cell_m == pytest.approx(3.048)


@pytest.mark.skipif(not (DATA / "somerset-uk").exists(), reason="real data are not here")
def test_the_terraced_combe_is_no_longer_too_steep():
    """somerset-uk: 18.8 % of the cells over 25 degrees as stairs, 1.5 % smoothed."""
    import rasterio

    with rasterio.open(DATA / "somerset-uk" / "dtm_1m_whole_metres.tif") as source:
        stairs = source.read(1)[400:1000, 400:1000].astype(np.float32)
    assert terraces.step_of(stairs.astype(float)) == 1.0
    found, _, _ = terraces.smoothed(stairs, step_m=1.0, cell_m=1.0, file="d")
    was, now = (float((slope_deg(z, 1.0) > 25.0).mean()) for z in (stairs, found))
    assert was > 0.1
    assert now < was / 5
    assert float((slope_deg(found, 1.0) == 0.0).mean()) < 0.05


# --- streams against valleys ---

VALLEY = Grid(CRS, 500_000.0, 4_800_000.0, 5.0, 120, 120)


def valley() -> np.ndarray:
    """A valley along the middle, falling to the south."""
    x, y = VALLEY.xy(*np.indices(VALLEY.shape))
    return (100 + 0.15 * np.abs(x - 500_300.0) + 0.02 * (y - 4_799_400.0)).astype(np.float32)


@pytest.mark.parametrize("off_m", [0.0, 12.0, -25.0, 40.0])
def test_the_offset_of_a_stream_is_measured(off_m):
    line = LineString([(500_300 + off_m, 4_799_950), (500_300 + off_m, 4_799_450)])
    found = stream_offset([line], valley(), grid=VALLEY)
    assert found.median_m == pytest.approx(abs(off_m), abs=VALLEY.cell_size_m)


# 20 m of elevation cells, whose error is 3 m: the sides rise by `side` metres per metre.
@pytest.mark.parametrize(("side", "draws"), [(0.02, False), (0.1, True)])
def test_a_valley_flatter_than_the_error_of_the_elevations_draws_nothing(side, draws):
    """A flood plain with 1.5 m of relief, 30 m elevations: five spots of five on guessed lines."""
    x, y = VALLEY.xy(*np.indices(VALLEY.shape))
    ground = 100 + side * np.abs(x - 500_300.0) + 0.005 * (y - 4_799_400.0)
    role = np.full(VALLEY.shape, CoverRole.TREE, dtype=np.int8)
    middle = box(500_150, 4_799_550, 500_450, 4_799_850)
    land = fake_land(grid=VALLEY, height=ground, vectors={}, role=role, parcel_shape=middle)
    land = replace(land, dem_cell_m=20.0)
    found = judge_land(land, Protocol()).ground
    assert found.layers["distance_to_valley_m"].min() == 0.0  # floods go by every line
    assert np.isfinite(found.layers["distance_to_quiet_valley_m"]).any() == draws
    assert ("A-VALLEY-01" in {note.code for note in found.notes}) == (not draws)


def test_forks_do_not_make_a_deep_valley_too_short():
    """Lines end at every junction: none of three pieces alone is four cells long."""
    pieces = [
        LineString([(500_300, 4_799_700 - 60 * n), (500_300, 4_799_640 - 60 * n)]) for n in range(3)
    ]
    given = {"grid": VALLEY, "source_cell_m": 30.0, "error_m": 3.0}
    assert lines_that_show(pieces[:1], valley(), **given) == []
    assert sum(line.length for line in lines_that_show(pieces, valley(), **given)) == 180.0


def test_a_stream_on_a_slope_has_no_valley_in_reach():
    line = LineString([(500_500, 4_799_900), (500_500, 4_799_500)])
    found = stream_offset([line], valley(), grid=VALLEY)
    assert found.median_m == found.reach_m


def test_ponds_and_short_lines_are_not_measured():
    pond = LineString([(500_300, 4_799_700), (500_330, 4_799_700)]).buffer(20)
    short = LineString([(500_300, 4_799_700), (500_300, 4_799_690)])
    assert stream_offset([pond, short], valley(), grid=VALLEY) is None


@pytest.mark.parametrize(("off_m", "told"), [(0.0, False), (60.0, True)])
def test_past_a_cell_no_height_above_water_is_told(off_m, told, tmp_path):
    land = clean(tmp_path)
    east, south = np.meshgrid(*2 * [(np.arange(60) + 0.5) * 5.0])
    land.dem((200 + 0.12 * np.abs(east - 150) + 0.03 * (300 - south)).astype(np.float32))
    stream = LineString([(LEFT + 150 + off_m, TOP - 5), (LEFT + 150 + off_m, TOP - 295)])
    frame(stream, name=["brook"]).to_file(tmp_path / "water.gpkg")
    land.set("layers.water", "water.gpkg")
    (tmp_path / "p.toml").write_text(PROTOCOL)
    result = site_parcel(inputs_of(land), load_protocol(tmp_path / "p.toml"))
    assert ("height_above_water_m" not in result.layers) == told
    assert ("W-OFFSET-01" in [note.code for note in result.notes]) == told
    said = " ".join(text for spot in result.spots for text in spot.cautions)
    assert not (told and "above the water" in said)


# --- flood zones for water ---


def water_note(tmp_path, *areas, code):
    """The question about the water layer, with cover of one code; "" for none."""
    n = 60
    land = clean(tmp_path).cover(np.full((n, n), code, dtype=np.uint8), cell_m=5.0)
    frame(*areas, name=[""] * len(areas)).to_file(tmp_path / "water.gpkg")
    land.set("layers.water", "water.gpkg")
    return [n.text for n in read_land_of(land).notes if n.code == "W-WATER-01"]


ALL_OF_IT = box(LEFT, TOP - 300, LEFT + 300, TOP)


def test_water_that_the_land_cover_calls_dry_is_asked_about(tmp_path):
    """Flood zones given as water closed 38 ha of range land: 0 spots, and no word of it."""
    (text,) = water_note(tmp_path, ALL_OF_IT, code=71)
    assert "flood zones" in text
    assert "100\u00a0%" in text


@pytest.mark.parametrize(
    ("area", "code"),
    [
        (ALL_OF_IT, 11),  # open water to the cover, too
        (ALL_OF_IT, 95),  # a marsh
        (box(LEFT + 100, TOP - 160, LEFT + 160, TOP - 100), 71),  # a pond the cover may miss
    ],
)
def test_lakes_marshes_and_small_ponds_are_not_asked_about(area, code, tmp_path):
    assert water_note(tmp_path, area, code=code) == []


# --- wide cells are told ---


@pytest.mark.parametrize(("size_m", "told"), [(5.0, False), (14.0, False), (15.0, True)])
def test_cover_of_three_grid_cells_is_told(size_m, told, tmp_path):
    n = int(400 / size_m)
    land = clean(tmp_path).cover(codes(n, n, size_m), cell_m=size_m)
    texts = [note.text for note in read_land_of(land).notes if note.code == "W-COARSE-01"]
    assert bool(texts) == told
    if told:
        assert texts[0].startswith("Woods and fields are mapped in squares of 15 m (49 ft)")


def test_a_dem_of_82_m_is_told(tmp_path):
    path = raster(tmp_path / "d.tif", relief(30, 30, 82.0), cell_m=82.0)
    _, _, _, notes = elevation(path, Grid(CRS, LEFT, TOP, 30.0, 60, 60))
    (text,) = [note.text for note in notes if note.code == "W-COARSE-01"]
    assert "squares of 82 m (269 ft)" in text


# --- mutants that survived ---


def test_the_most_frequent_class_counts_where_cover_is_finer(tmp_path):
    """Cells of 1 m on a grid of 5 m: 13 of 25 are woods, but not the one in the middle."""
    tile = np.full((5, 5), 81, dtype=np.uint8)
    tile.ravel()[[0, 1, 2, 3, 4, 5, 9, 10, 14, 15, 19, 20, 24]] = 41
    assert (tile == 41).sum() == 13
    assert tile[2, 2] == 81
    land = clean(tmp_path).cover(np.tile(tile, (60, 60)), cell_m=1.0)
    assert (read_land_of(land).role == CoverRole.TREE).mean() > 0.99


def test_a_chosen_place_shuts_nothing_out(tmp_path):
    text = "lat,lon,state,radius_m\n{},chosen,40\n{},ruled out,40\n"
    land = clean(tmp_path)
    here = gpd.GeoSeries.from_xy([LEFT + 120, LEFT + 180], [TOP - 150, TOP - 150], crs=CRS)
    there = [f"{p.y},{p.x}" for p in here.to_crs(4326)]
    (tmp_path / "v.csv").write_text(text.format(*there))
    found = read_land_of(land.set("survey.visited", "v.csv"))
    assert [round(point.x - LEFT) for point, _ in found.ruled_out] == [180]
