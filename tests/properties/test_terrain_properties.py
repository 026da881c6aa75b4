"""Laws of slope and aspect, and of distances, that hold for every piece of ground."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import ndimage

from siting.grid import Grid
from siting.ground.distance import distance_to, distance_to_cells, within
from siting.ground.terrain import aspect_deg, slope_deg

CELL_M = 10.0
WORST_M = CELL_M * 2**0.5
# Heights in steps of an eighth: sums of them are exact in binary numbers.
heights = st.integers(-800, 40_000).map(lambda n: n / 8)
ground = hnp.array_shapes(min_dims=2, max_dims=2, min_side=3, max_side=9).flatmap(
    lambda shape: hnp.arrays(np.float64, shape, elements=heights)
)


def same(first, second, tolerance: float) -> None:
    assert np.array_equal(np.isnan(first), np.isnan(second))
    assert np.nanmax(np.abs(first - second), initial=0.0) <= tolerance


def same_direction(first, second, slope, tolerance: float) -> None:
    """Directions modulo 360, where the ground is not so flat that rounding decides."""
    clear = slope > 0.05
    turn = np.abs((first[clear] - second[clear] + 180.0) % 360.0 - 180.0)
    assert np.max(turn, initial=0.0) <= tolerance


@settings(deadline=None)
@given(ground, st.integers(-3000, 3000))
def test_a_higher_datum_changes_nothing(dem, step):
    """Heights are taken from the lowest cell, so float32 keeps their differences."""
    same(slope_deg(dem, CELL_M), slope_deg(dem + step, CELL_M), 0.0)


@settings(deadline=None)
@given(ground, st.sampled_from([0.25, 0.5, 2.0, 4.0]))
def test_heights_and_cells_scaled_together_change_nothing(dem, factor):
    same(slope_deg(dem, CELL_M), slope_deg(dem * factor, CELL_M * factor), 1e-4)


@settings(deadline=None)
@given(ground, st.integers(1, 3))
def test_turning_the_ground_turns_its_aspect(dem, quarters):
    turned = np.rot90(dem, quarters)
    slope = slope_deg(dem, CELL_M)
    same(np.rot90(slope, quarters), slope_deg(turned, CELL_M), 1e-3)
    # A quarter turn to the left on the page takes 90 degrees off every direction.
    expected = (np.rot90(aspect_deg(dem, CELL_M), quarters) - 90.0 * quarters) % 360.0
    same_direction(expected, aspect_deg(turned, CELL_M), np.rot90(slope, quarters), 0.2)


@settings(deadline=None)
@given(ground)
def test_mirroring_the_ground_mirrors_its_aspect(dem):
    slope = slope_deg(dem, CELL_M)
    same(slope[:, ::-1], slope_deg(dem[:, ::-1], CELL_M), 1e-3)
    expected = (-aspect_deg(dem, CELL_M)[:, ::-1]) % 360.0
    same_direction(expected, aspect_deg(dem[:, ::-1], CELL_M), slope[:, ::-1], 0.2)


@settings(deadline=None)
@given(st.floats(-2, 2), st.floats(-2, 2), st.floats(0, 3000), st.floats(0.5, 30))
def test_a_plane_has_its_own_slope_and_aspect(east, north, base, cell_m):
    y, x = np.mgrid[0:6, 0:6] * cell_m
    dem = base + east * x - north * y
    # The heights themselves are held to a part in 8 million of the plane's relief.
    slope = np.degrees(np.arctan(np.hypot(east, north)))
    assert slope_deg(dem, cell_m)[1:-1, 1:-1] == pytest.approx(slope, abs=2e-3)
    if slope > 0.1:
        true = np.degrees(np.arctan2(-east, -north)) % 360.0
        found = aspect_deg(dem, cell_m)[1:-1, 1:-1]
        assert np.max(np.abs((found - true + 180.0) % 360.0 - 180.0)) < 0.2


@settings(deadline=None)
@given(ground, st.data())
def test_a_missing_cell_hides_exactly_the_ring_around_it(dem, data):
    row = data.draw(st.integers(0, dem.shape[0] - 1))
    col = data.draw(st.integers(0, dem.shape[1] - 1))
    holed = dem.copy()
    holed[row, col] = np.nan
    border = np.ones(dem.shape, dtype=bool)
    border[1:-1, 1:-1] = False
    hole = np.zeros(dem.shape, dtype=bool)
    hole[row, col] = True
    ring = ndimage.binary_dilation(hole, np.ones((3, 3), dtype=bool))
    assert np.array_equal(np.isnan(slope_deg(holed, CELL_M)), border | ring)
    # Without the lowest cell all heights are taken from another; the slopes must not move.
    clear = ~(border | ring)
    left, right = slope_deg(dem, CELL_M)[clear], slope_deg(holed, CELL_M)[clear]
    assert np.max(np.abs(left - right), initial=0.0) < 1e-3


@settings(deadline=None)
@given(ground)
def test_slopes_and_aspects_keep_their_range(dem):
    slope, aspect = slope_deg(dem, CELL_M), aspect_deg(dem, CELL_M)
    known = np.isfinite(slope)
    assert ((slope[known] >= 0) & (slope[known] < 90)).all()
    told = aspect[np.isfinite(aspect)]
    assert ((told >= 0) & (told < 360)).all()


# --- distances ---

GRID = Grid("EPSG:32617", 0.0, 200.0, CELL_M, 20, 20)
places = st.tuples(st.floats(1, 199), st.floats(1, 199))
points = st.lists(places, min_size=1, max_size=6)


def brute(shapes) -> np.ndarray:
    """Distance from every cell's centre to the nearest shape, one by one."""
    row, col = np.mgrid[0:20, 0:20]
    centres = shapely.points(*GRID.xy(row, col))
    return np.min([shapely.distance(centres, shape) for shape in shapes], axis=0)


@settings(deadline=None)
@given(points)
def test_distance_to_points_is_that_of_brute_force(given_places):
    shapes = [shapely.Point(place) for place in given_places]
    found = distance_to(shapes, grid=GRID)
    away = found - brute(shapes)
    # The nearest touched cell decides what is measured to. Each of the two centres on the way may
    # lie half a diagonal off: at most the square root of 2 of a cell too far.
    assert away.min() > -1e-3
    assert away.max() < WORST_M


@settings(deadline=None)
@given(st.lists(places, min_size=2, max_size=6, unique=True))
def test_distance_to_a_line_is_that_of_brute_force(corners):
    line = shapely.LineString(corners)
    away = distance_to([line], grid=GRID) - brute([line])
    assert away.min() > -1e-3
    assert away.max() < WORST_M


@settings(deadline=None)
@given(points)
def test_neighbours_differ_by_their_own_distance_at_most(given_places):
    found = distance_to([shapely.Point(place) for place in given_places], grid=GRID)
    # True distances differ by a cell at most; to that the choice of the point adds its own.
    assert np.abs(np.diff(found, axis=0)).max() <= CELL_M + WORST_M
    assert np.abs(np.diff(found, axis=1)).max() <= CELL_M + WORST_M


@settings(deadline=None)
@given(points, places)
def test_another_source_never_takes_ground_farther_away(given_places, more):
    few = [shapely.Point(place) for place in given_places]
    before = distance_to(few, grid=GRID)
    after = distance_to([*few, shapely.Point(more)], grid=GRID)
    assert (after - before).max() < WORST_M
    assert (brute([*few, shapely.Point(more)]) - brute(few)).max() <= 0


@settings(deadline=None)
@given(hnp.arrays(np.bool_, (9, 9)), st.integers(0, 8), st.integers(0, 8))
def test_distance_to_cells_follows_the_same_laws(cells, row, col):
    before = distance_to_cells(cells, cell_size_m=CELL_M)
    more = cells.copy()
    more[row, col] = True
    after = distance_to_cells(more, cell_size_m=CELL_M)
    assert after[row, col] == 0.0
    if before is not None:
        assert (after <= before + 1e-4).all()
        assert np.abs(np.diff(before, axis=0)).max() <= CELL_M + 1e-3


@settings(deadline=None)
@given(points, st.floats(0, 90))
def test_a_set_back_is_the_distance_to_the_true_shape(given_places, distance_m):
    shapes = [shapely.Point(place).buffer(3.0) for place in given_places]
    near, true = within(shapes, distance_m=distance_m, grid=GRID), brute(shapes)
    # A round set-back is drawn with straight pieces: up to 0.1 % short.
    assert near[true < distance_m * 0.998 - 0.02].all()
    assert not near[true > distance_m + 0.02].any()
