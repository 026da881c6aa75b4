"""Saddles, corners, strips and funnels on built land, with noise, at 2, 10 and 30 m."""

from types import SimpleNamespace

import numpy as np
import pytest
from shapely import box

from siting.grid import Grid
from siting.ground.neighbourhood import counts_at, disc_of, peaks
from siting.ground.shapes import found
from siting.ground.shapes.landforms import funnels, saddles
from siting.ground.shapes.woodland import field_corners, narrow_woods
from siting.lengths import compass_word
from siting.types import CoverRole

CELLS_M = (2.0, 10.0, 30.0)
WIDTH_M = 1800.0


class Land:
    """A square of 1800 m about (0, 0) with x to the east and y to the north, metres."""

    def __init__(self, cell_m):
        n = round(WIDTH_M / cell_m)
        row, col = np.indices((n, n))
        self.cell = cell_m
        self.x = (col + 0.5) * cell_m - WIDTH_M / 2
        self.y = WIDTH_M / 2 - (row + 0.5) * cell_m
        self.grid = Grid("EPSG:32617", -WIDTH_M / 2, WIDTH_M / 2, cell_m, n, n)

    def noise(self, metres, seed=0):
        return np.random.default_rng(seed).normal(size=self.x.shape) * metres

    def cover(self, base, *patches):
        role = np.full(self.x.shape, int(base), dtype=np.int8)
        for where, kind in patches:
            role[where] = kind
        return role


@pytest.fixture(params=CELLS_M, ids=lambda m: f"{m:g}m")
def land(request):
    return Land(request.param)


def near(features, kind, east, north, *, within):
    """The features of a kind within a distance of a place."""
    return [
        f
        for f in features
        if f.kind == kind and np.hypot(f.easting - east, f.northing - north) <= within
    ]


def ridge(land, *, along_east=True):
    """A ridge 80 m high with a saddle 56 m lower in its middle."""
    across, along = (land.y, land.x) if along_east else (land.x, land.y)
    return 80 * np.exp(-((across / 150) ** 2)) * (1 - 0.7 * np.exp(-((along / 120) ** 2)))


@pytest.mark.parametrize("along_east", [True, False])
def test_saddle_in_a_ridge(land, along_east):
    dem = ridge(land, along_east=along_east) + land.noise(0.3)
    (saddle,) = saddles(dem, grid=land.grid)
    assert np.hypot(saddle.easting, saddle.northing) <= max(15.0, land.cell)
    sides = "east and west" if along_east else "north and south"
    assert saddle.words == f"saddle between rises to the {sides}"


def test_saddle_away_from_the_middle_is_where_it_was_put(land):
    """A swapped axis or a shift by a cell cannot pass."""
    moved = Land(land.cell)
    moved.x, moved.y = moved.x - 300, moved.y - 210
    (saddle,) = saddles(ridge(moved) + moved.noise(0.3), grid=moved.grid)
    assert np.hypot(saddle.easting - 300, saddle.northing - 210) <= max(15.0, land.cell)


@pytest.mark.parametrize(
    "shape",
    [
        lambda land: 0.2 * land.x,
        lambda land: 80 * np.exp(-(land.x**2 + land.y**2) / 300**2),
        lambda land: -80 * np.exp(-(land.x**2 + land.y**2) / 300**2),
        lambda land: 60 * np.exp(-((land.y / 150) ** 2)),
        lambda land: -60 * np.exp(-((land.y / 150) ** 2)) + 0.03 * land.x,
        lambda land: 0.0 * land.x,
    ],
    ids=["plane", "hill", "bowl", "crest", "valley", "flat"],
)
def test_no_saddle_where_there_is_none(land, shape):
    assert saddles(shape(land) + land.noise(0.5), grid=land.grid) == []


def test_missing_ground_gives_no_saddle_and_no_fault(land):
    dem = ridge(land)
    dem[np.abs(land.x) < 100] = np.nan
    assert near(saddles(dem, grid=land.grid), "saddle", 0, 0, within=100) == []
    assert saddles(np.full_like(dem, np.nan), grid=land.grid) == []


def test_corners_of_a_square_field(land):
    field = (np.abs(land.x) < 300) & (np.abs(land.y) < 300)
    corners = field_corners(land.cover(CoverRole.TREE, (field, CoverRole.CROP)), grid=land.grid)
    assert len(corners) == 4
    for east in (-300, 300):
        for north in (-300, 300):
            (corner,) = near(corners, "field corner", east, north, within=1.5 * land.cell)
            assert corner.strength == pytest.approx(1.0, abs=0.15)
    assert "woods on two sides" in corners[0].words


def test_corners_of_a_square_wood(land):
    wood = (np.abs(land.x) < 300) & (np.abs(land.y) < 300)
    corners = field_corners(land.cover(CoverRole.GRASS, (wood, CoverRole.TREE)), grid=land.grid)
    assert {corner.kind for corner in corners} == {"woods corner"}
    assert len(corners) == 4


def test_straight_and_round_edges_have_no_corner(land):
    half = land.x < 0
    assert field_corners(land.cover(CoverRole.CROP, (half, CoverRole.TREE)), grid=land.grid) == []
    disc = np.hypot(land.x, land.y) < 400
    assert field_corners(land.cover(CoverRole.CROP, (disc, CoverRole.TREE)), grid=land.grid) == []


def test_a_lake_is_no_field(land):
    lake = (np.abs(land.x) < 300) & (np.abs(land.y) < 300)
    assert field_corners(land.cover(CoverRole.TREE, (lake, CoverRole.WATER)), grid=land.grid) == []


def test_strip_and_point_of_woods(land):
    north, south = land.y > 400, land.y < -400
    strip = np.abs(land.x) < 30
    point = (np.abs(land.x - 420) < 30) & (land.y > 0)
    lone = (np.abs(land.x + 450) < 30) & (np.abs(land.y) < 100)
    role = land.cover(
        CoverRole.CROP, *((part, CoverRole.TREE) for part in (north, south, strip, point, lone))
    )
    woods = narrow_woods(role, grid=land.grid)
    assert sorted(f.kind for f in woods) == ["woods point", "woods strip"]
    assert near(woods, "woods strip", 0, 0, within=1.5 * land.cell + 5)
    assert near(woods, "woods point", 420, 0, within=1.5 * land.cell + 30)


def test_woods_that_run_off_what_is_known_are_neither_strip_nor_point(land):
    """Field test A4: a "point of woods" 13 m from the raster's edge, another on its corner."""
    strip = np.abs(land.x) < 30
    role = land.cover(CoverRole.CROP, (land.y > 400, CoverRole.TREE), (strip, CoverRole.TREE))
    assert narrow_woods(role, grid=land.grid) == []
    role[land.y < -300] = CoverRole.UNKNOWN  # the edge of the known, well inside the array
    assert narrow_woods(role, grid=land.grid) == []


def test_the_rim_of_the_known_makes_woods_neither_narrow_nor_cornered(land):
    """A raster that ends in the woods, aslant, in a hole, or in the corner of a field."""
    field = (np.abs(land.x) < 300) & (np.abs(land.y) < 300)
    for unknown in (land.x + land.y > 500, (np.abs(land.x - 420) < 90) & (land.y > 250)):
        role = land.cover(CoverRole.TREE, (field, CoverRole.CROP), (unknown, CoverRole.UNKNOWN))
        assert narrow_woods(role, grid=land.grid) == []
        corners = {(round(f.easting, -2), round(f.northing, -2)) for f in
                   field_corners(role, grid=land.grid)}  # fmt: skip
        assert corners == {(-300, -300), (-300, 300), (300, -300)}


def test_narrow_woods_stand_between_open_ground_or_are_not_named(land):
    """Field test A6: 15 of 22 "narrow woods between open ground" had brush around."""
    ends = ((land.y > 400, CoverRole.TREE), (land.y < -400, CoverRole.TREE))
    strip = (np.abs(land.x) < 30, CoverRole.TREE)
    east = (land.x > 0, CoverRole.SHRUB)
    water = (land.x > 0, CoverRole.WATER)
    for base, *sides in ((CoverRole.SHRUB,), (CoverRole.CROP, east), (CoverRole.CROP, water)):
        assert narrow_woods(land.cover(base, *sides, *ends, strip), grid=land.grid) == []
    spit = (np.abs(land.x) < 30) & (land.y > 0), CoverRole.TREE
    for base in (CoverRole.SHRUB, CoverRole.WATER):
        assert narrow_woods(land.cover(base, ends[0], spit), grid=land.grid) == []


def test_cover_too_coarse_for_a_shape_gives_none():
    """A disc of 60 m holds one cell of 100 m: whatever it shows is the shape of the cells."""
    land = Land(10.0)
    field = (np.abs(land.x) < 300) & (np.abs(land.y) < 300)
    role = land.cover(CoverRole.TREE, (field, CoverRole.CROP))
    assert len(field_corners(role, source_cell_m=30.0, grid=land.grid)) == 4
    assert field_corners(role, source_cell_m=100.0, grid=land.grid) == []
    joined = land.cover(CoverRole.CROP, (np.abs(land.y) > 400, CoverRole.TREE),
                        (np.abs(land.x) < 30, CoverRole.TREE))  # fmt: skip
    assert len(narrow_woods(joined, source_cell_m=30.0, grid=land.grid)) == 1
    assert narrow_woods(joined, source_cell_m=100.0, grid=land.grid) == []
    assert saddles(ridge(land), source_cell_m=82.0, grid=land.grid) == []


def test_whole_woods_and_bare_land_have_no_strip(land):
    assert narrow_woods(land.cover(CoverRole.TREE), grid=land.grid) == []
    assert narrow_woods(land.cover(CoverRole.CROP), grid=land.grid) == []
    wood = (np.abs(land.x) < 300) & (np.abs(land.y) < 300)
    assert narrow_woods(land.cover(CoverRole.CROP, (wood, CoverRole.TREE)), grid=land.grid) == []


def test_funnels_are_named_by_what_squeezes_them():
    land = Land(10.0)
    ratio = np.ones(land.x.shape, dtype=np.float32)
    spots = {
        (-500, 0): "narrow passage between the water and a road",
        (0, 300): "level passage through steep",
    }
    spots |= {(500, 0): "narrow passage across", (0, -500): "narrow passage along the water"}
    spots |= {(500, 500): "narrow passage beside a road"}
    water, people = (np.zeros(land.x.shape, dtype=bool) for _ in range(2))
    slope = np.full(land.x.shape, 3.0)
    slope[(np.abs(land.y - 300) < 60) & (np.abs(land.y - 300) > 15)] = 25.0
    for east, north in spots:
        ratio[np.hypot(land.x - east, land.y - north) < 15] = 2.0
    water |= np.hypot(land.x + 540, land.y) < 25
    people |= np.hypot(land.x + 460, land.y) < 25
    water |= np.hypot(land.x - 40, land.y + 500) < 25
    people |= np.abs(land.x - 540) + 1000 * (land.y < 400) < 15
    found = funnels(ratio, slope, water=water, people={"a road": people}, grid=land.grid)
    assert len(found) == len(spots)
    for (east, north), words in spots.items():
        (feature,) = near(found, "funnel", east, north, within=20)
        assert feature.words.startswith(words)


def test_disc_and_counts_by_hand():
    assert disc_of(1.0).sum() == 5
    assert disc_of(2.0).sum() == 13
    mask = np.zeros((5, 5), dtype=bool)
    mask[2, 3] = True
    want = np.zeros((5, 5))
    want[2, 2:5], want[1:4, 3] = 1, 1
    row, col = np.indices(mask.shape).reshape(2, -1)
    got = counts_at(mask, row, col, radius_cells=1.0).reshape(mask.shape)
    np.testing.assert_array_equal(got, want)


def test_peaks_keep_their_distance_and_their_order():
    height = np.zeros((20, 20))
    height[3, 3], height[3, 5], height[15, 2], height[15, 18] = 5, 4, 4, 4
    assert list(peaks(height, least=1.0, spacing_cells=4.0)) == [(3, 3), (15, 2), (15, 18)]
    assert list(peaks(height, least=1.0, spacing_cells=1.0)) == [(3, 3), (3, 5), (15, 2), (15, 18)]


def test_compass_words():
    told = [compass_word(b) for b in (0, 22, 23, 45, 180, 270, 337, 338, 360)]
    assert told[:4] == ["north", "north", "north-east", "north-east"]
    assert told[4:] == ["south", "west", "north-west", "north", "north"]


def test_one_cell_of_wide_cover_is_no_corner_on_finer_cells():
    """Field test A5 again: a single cell of 30 m beside the edge, on a grid of 10 m."""
    grid = Grid("EPSG:32617", 540000.0, 4820000.0, 10.0, 120, 120)
    row, col = np.indices(grid.shape) // 3
    woods = (col < 20) | ((col == 20) & (row == 20))
    role = np.where(woods, CoverRole.TREE, CoverRole.CROP).astype(np.int8)
    assert field_corners(role, grid=grid, source_cell_m=30.0) == []
    # A true corner of many cells stays one.
    role = np.where((col < 20) & (row < 20), CoverRole.TREE, CoverRole.CROP).astype(np.int8)
    found = field_corners(role, grid=grid, source_cell_m=30.0)
    assert [feature.kind for feature in found] == ["woods corner"]


@pytest.mark.parametrize("cell_m", [30.0, 15.0, 10.0])
def test_a_cell_that_stands_out_from_a_straight_edge_is_no_corner(cell_m):
    """A place of 30 m cover was called a corner of the woods after one cell of them."""
    size = int(1200 / cell_m)
    grid = Grid("EPSG:32617", 540000.0, 4820000.0, cell_m, size, size)
    row, col = np.indices(grid.shape) // int(30 / cell_m)

    def corners(woods):
        role = np.where(woods, CoverRole.TREE, CoverRole.CROP).astype(np.int8)
        found = field_corners(role, grid=grid, source_cell_m=30.0, weakest=0.1)
        return [feature.kind for feature in found]

    stub, west = (col == 20) & (row == 20), col < 20
    assert corners(west | stub) == []
    assert corners(west & ~((col == 19) & (row == 20))) == []
    assert corners(west | ((col > 18) & (col < 24) & (row > 16) & (row < 22))) != []
    # A true corner stays one, where it is.
    assert corners(west & (row > 18)) == corners((west & (row > 18)) | stub) == ["woods corner"]


def test_a_ribbon_of_water_cells_is_no_pond(monkeypatch):
    """Pieces of a river one cell of 30 m wide were "the pond" and "the lake" of nine places."""
    ribbon, bent = box(0, 0, 300, 30), box(0, 0, 300, 60).union(box(240, 0, 300, 300))
    pond = box(0, 0, 90, 120)
    monkeypatch.setattr(found, "ponds_of_cells", lambda *_: [ribbon, bent, pond])
    land, rules = SimpleNamespace(cover_cell_m=30.0), SimpleNamespace(lake_ha=5.0)
    named = found._ponds_of_cells(land, SimpleNamespace(role=None), rules)
    assert [(one.shape, one.called) for one in named] == [(pond, "the pond")]
