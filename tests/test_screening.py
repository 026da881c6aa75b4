"""Roads and buildings behind a hill count as farther away."""

import numpy as np
import pytest
import shapely

from siting.grid import Grid
from siting.ground.distance import distance_to
from siting.ground.screening import felt_distance
from siting.ground.view import ElevationGrid

GRID = Grid("EPSG:32617", 0.0, 600.0, 5.0, 120, 120)
EAST, NORTH = GRID.xy(*np.indices(GRID.shape))
ROAD = shapely.LineString([(5, 300), (595, 300)])
WALL = np.where(np.abs(NORTH - 400) < 12, 20.0, 0.0).astype(np.float32)
# Nearer to the sides one could look past the end of the wall, if it had one on the map.
MIDDLE = np.abs(EAST - 300) < 80


def felt(dem, *, shapes=(ROAD,), factor=2.0, reach_m=250.0, inside=None):
    plain = distance_to(list(shapes), grid=GRID)
    everywhere = np.ones(GRID.shape, dtype=bool)
    got = felt_distance(
        plain,
        list(shapes),
        ground=ElevationGrid(dem, GRID),
        inside=everywhere if inside is None else inside,
        factor=factor,
        animal_height_m=1.0,
        height_m=2.0,
        reach_m=reach_m,
    )
    return plain, got


def test_on_flat_ground_nothing_is_hidden():
    plain, got = felt(np.zeros(GRID.shape, dtype=np.float32))
    np.testing.assert_allclose(got, plain, rtol=1e-6)


def test_a_track_beside_the_camera_counts_by_its_distance_and_not_by_the_points_along_it():
    slanted = shapely.LineString([(3, 220), (590, 371)])
    plain, got = felt(np.zeros(GRID.shape, dtype=np.float32), shapes=(slanted,), reach_m=50.0)
    near = (plain > 5) & (plain < 20)
    np.testing.assert_allclose(got[near], plain[near], rtol=1e-6)


def test_behind_a_long_wall_the_road_counts_twice_as_far():
    plain, got = felt(WALL)
    behind = MIDDLE & (NORTH > 425) & (NORTH < 480)
    np.testing.assert_allclose(got[behind], 2 * plain[behind], rtol=0.01)
    before = (NORTH > 335) & (NORTH < 380)
    np.testing.assert_allclose(got[before], plain[before], rtol=1e-6)
    south = (NORTH < 265) & (NORTH > 100)
    np.testing.assert_allclose(got[south], plain[south], rtol=1e-6)


def test_at_the_end_of_a_wall_the_part_that_is_seen_counts():
    short = np.where(EAST < 300, WALL, 0.0)
    plain, got = felt(short)
    row, col = (int(v) for v in GRID.rowcol(270.0, 450.0))
    # 30 m along and 38 m across to the wall's end: the road is seen 191 m away, not at 150 m
    assert got[row, col] == pytest.approx(191, abs=20)
    row, col = (int(v) for v in GRID.rowcol(180.0, 440.0))
    assert got[row, col] == pytest.approx(2 * plain[row, col], rel=0.01)


def test_beyond_reach_and_outside_nothing_changes():
    inside = EAST < 200
    plain, got = felt(WALL, reach_m=160.0, inside=inside)
    same = (plain >= 160) | ~inside
    np.testing.assert_array_equal(got[same], plain[same])
    assert (got[~same] > plain[~same] * 1.5).any()


def test_factor_one_and_no_shapes():
    plain, got = felt(WALL, factor=1.0)
    np.testing.assert_array_equal(got, plain)
    nothing = np.full(GRID.shape, np.inf, dtype=np.float32)
    same = felt_distance(
        nothing,
        [],
        ground=ElevationGrid(WALL, GRID),
        inside=np.ones(GRID.shape, dtype=bool),
        factor=2.0,
        animal_height_m=1.0,
        height_m=2.0,
        reach_m=100.0,
    )
    np.testing.assert_array_equal(same, nothing)


def test_many_houses_are_judged_on_fewer_places():
    houses = [
        shapely.box(x, y, x + 10, y + 10) for x in range(0, 600, 30) for y in range(0, 300, 30)
    ]
    plain, got = felt(WALL, shapes=houses, reach_m=200.0)
    behind = MIDDLE & (NORTH > 430) & (NORTH < 470)
    assert (got[behind] > 1.5 * plain[behind]).all()
