"""No-go facts of the invented sample land, and that no spot stands in any no-go ground."""

from __future__ import annotations

import csv
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from siting.grid import Grid
from siting.ground.no_go import no_go_bits
from siting.ground.quiet import people_cover, quietness
from siting.pipeline import site_parcel
from siting.read.land import read_parcel
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from siting.types import CoverRole, NoGo
from siting.words.spot.no_go import REASONS, labels_of
from tests.fake_result import GRID, fake_land, layers
from tests.sample_run import sample_result

SAMPLE = Path(__file__).parents[1] / "sample_rasters"


@pytest.fixture(scope="module")
def result():
    return sample_result()


def facts() -> list[dict[str, str]]:
    with (SAMPLE / "no_go_facts.csv").open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("fact", facts(), ids=lambda f: f["rule"] + " " + f["what"][:20])
def test_ten_facts_hold(result, fact):
    row, col = result.land.grid.rowcol(float(fact["easting"]), float(fact["northing"]))
    bits = NoGo(int(result.no_go[row, col]))
    assert NoGo[fact["rule"].upper()] in bits, f"{fact['what']}: {bits}"


def test_at_least_ten_rules_are_among_the_facts():
    assert len({fact["rule"] for fact in facts()}) >= 10


def test_no_spot_stands_in_any_no_go_ground(result):
    assert len(result.spots) >= 5
    for spot in result.spots:
        assert result.no_go[spot.row, spot.col] == 0
        for name in ("buildings", "feeders"):
            away = result.land.vectors[name].distance(shapely.Point(spot.easting, spot.northing))
            assert away.min() >= 50.0


def test_spots_keep_their_spacing(result):
    place = np.array([(s.easting, s.northing) for s in result.spots])
    away = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    assert away[np.triu_indices(len(place), 1)].min() >= Protocol().candidates.spacing_m - 1e-6


def test_the_circles_of_two_spots_do_not_overlap(result):
    """Spots 60 m apart with circles of 40 m, widened by the trials."""
    place = np.array([(s.easting, s.northing) for s in result.spots])
    radius = np.array([s.search_radius_m for s in result.spots])
    away = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    room = away - radius[:, None] - radius
    assert room[np.triu_indices(len(place), 1)].min() >= -1e-6
    assert len(result.spots) == Protocol().candidates.spots
    assert [s.rank for s in sorted(result.spots, key=lambda s: -s.score)] == list(range(1, 11))


def test_every_reason_has_words():
    assert list(REASONS) == list(NoGo)
    assert labels_of(int(NoGo.ROAD | NoGo.LIVESTOCK)) == ("too near a road", "livestock")


def test_a_point_or_line_of_the_owner_keeps_its_distance_and_is_told(result, tmp_path):
    """A bee hive marked as a point must not be lost without a word."""
    spot = result.spots[0]
    place = shapely.Point(spot.easting, spot.northing)
    line = shapely.LineString(
        [(spot.easting + 60, spot.northing), (spot.easting + 90, spot.northing)]
    )
    gpd.GeoDataFrame(geometry=[place, line], crs=result.land.grid.crs).to_file(
        tmp_path / "own.gpkg"
    )
    inputs = load_inputs(SAMPLE / "inputs.toml", {"layers": {"no_go": str(tmp_path / "own.gpkg")}})
    again = site_parcel(inputs, Protocol(), read_parcel(inputs))
    row, col = np.nonzero(again.no_go & NoGo.USER)
    east, north = again.land.grid.xy(row, col)
    away = shapely.distance(shapely.points(east, north), shapely.union_all([place, line]))
    assert NoGo.USER in NoGo(int(again.no_go[spot.row, spot.col]))
    assert 18.0 < away.max() <= 20.01
    assert any("2 of the owner's no-go shapes" in note.text for note in again.notes)


def test_a_pond_that_only_the_land_cover_knows_keeps_its_set_back():
    grid = Grid("EPSG:32617", 540000.0, 4820600.0, 2.0, 120, 120)
    role = np.full(grid.shape, CoverRole.GRASS, dtype=np.int8)
    role[50:60, 50:70] = CoverRole.WATER
    east, north = grid.xy(*np.indices(grid.shape))
    land = fake_land(
        grid=grid, vectors={}, role=role, parcel_shape=shapely.box(540010, 4820370, 540230, 4820590)
    )
    pond = shapely.box(540100, 4820480, 540140, 4820500)
    away = shapely.distance(shapely.points(east, north), pond)
    rules = Protocol().no_go
    bits = no_go_bits(land, slope_deg=np.zeros(grid.shape), role=role, rules=rules)
    wet = (bits & NoGo.WATER) > 0
    # the corners of a pond of cells are rounded off by less than half a cell
    np.testing.assert_array_equal(wet[away < rules.water_m - 0.5], True)
    np.testing.assert_array_equal(wet[away > rules.water_m + 0.5], False)


def test_height_above_water_is_told_against_the_bed_and_not_the_bank(result):
    """A spot on the bank stands above the lowest ground near it, by the elevations themselves."""
    grid, dem = result.land.grid, result.land.dem
    near = [s for s in result.spots if s.measures["distance_to_water_m"] < 10]
    assert near
    for spot in near:
        reach = int(10 // grid.cell_size_m)
        around = dem[
            spot.row - reach : spot.row + reach + 1, spot.col - reach : spot.col + reach + 1
        ]
        want = dem[spot.row, spot.col] - np.nanmin(around)
        assert spot.measures["height_above_water_m"] == pytest.approx(float(want), abs=1e-3)


def by_built_cover(**layers) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Metres to a built-up strip in the west, which cells it closes, and how quiet they are."""
    role = np.full(GRID.shape, CoverRole.GRASS, dtype=np.int8)
    role[:, 28:34], role[:, 60:64] = CoverRole.BUILT, CoverRole.PARK
    land = fake_land(height=np.full(GRID.shape, 300.0), vectors=layers, role=role)
    slope = np.zeros(GRID.shape)
    bits = no_go_bits(land, slope_deg=slope, role=role, rules=Protocol().no_go)
    people, _ = quietness(land, people_cover(land), Protocol().disturbance)
    # The parcel is wider than the strip: only ground east of it, within the parcel, is looked at.
    easting, _ = GRID.xy(*np.indices(GRID.shape))
    return easting - (GRID.left + 34 * GRID.cell_size_m), bits, people.get("quietness")


def test_built_cover_keeps_its_distance_where_houses_are_not_mapped():
    """Field test A13: nine spots stood within 65 m of a built pixel, and nothing was said."""
    away_m, bits, quiet = by_built_cover()
    set_back_m = Protocol().no_go.built_cover_m
    closed = (bits & NoGo.BUILT_COVER) > 0
    half_m = GRID.cell_size_m / 2.0
    assert closed[(away_m > 0) & (away_m < set_back_m - half_m)].all()
    assert not closed[(away_m > set_back_m + half_m)].any()
    row = GRID.n_rows // 2
    near, far = (int(np.argmin(np.abs(away_m[row] - metres))) for metres in (40.0, 300.0))
    assert quiet[row, near] < 0.7 < quiet[row, far]


def test_a_park_is_not_closed_though_people_are_likely():
    """Field test A13: a park came out "100 % built, 0 spots"."""
    away_m, bits, quiet = by_built_cover()
    park = (away_m > 130.0) & (away_m < 150.0)
    assert not ((bits & NoGo.BUILT_COVER) > 0)[park].any()
    assert (quiet[park] <= 0.5 + 1e-6).all()


def test_mapped_houses_and_roads_take_the_place_of_built_cover():
    mapped = {name: shapes for name, shapes in layers().items() if name in ("roads", "buildings")}
    away_m, bits, _ = by_built_cover(**mapped)
    closed = (bits & NoGo.BUILT_COVER) > 0
    assert not closed[away_m > 0].any()
