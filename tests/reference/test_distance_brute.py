"""Distances held against the distance to the true geometry, cell by cell, by GEOS."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.ndimage import distance_transform_edt

from siting.grid import Grid
from siting.ground.distance import distance_to, distance_to_border, distance_to_cells, within

GRID = Grid("EPSG:32617", 500_000, 4_800_000, 5.0, 120, 150)


def shapes(seed: int) -> list[shapely.Geometry]:
    rng = np.random.default_rng(seed)
    walk = np.cumsum(rng.normal(0, 22, (40, 2)), axis=0) + np.array([500_300, 4_799_700])
    return [
        shapely.LineString(walk),
        shapely.Point(500_611.3, 4_799_455.7),
        shapely.Point(500_100, 4_799_900).buffer(61).difference(
            shapely.Point(500_100, 4_799_900).buffer(20)
        ),
    ]  # fmt: skip


def brute(geometries: list[shapely.Geometry]) -> np.ndarray:
    row, col = np.indices(GRID.shape)
    east, north = GRID.xy(row, col)
    return shapely.distance(shapely.points(east, north), shapely.union_all(geometries))


@pytest.mark.parametrize("seed", range(5))
def test_distance_to_true_geometry(seed):
    got, want = distance_to(shapes(seed), grid=GRID), brute(shapes(seed))
    off = got - want
    # Never too small (float32: 1e-3 m); too large only where the transform chose a neighbouring
    # piece: below one cell at worst, a twentieth of a cell in the mean.
    assert off.min() > -1e-3
    assert off.max() < GRID.cell_size_m
    assert np.abs(off).mean() < 0.05 * GRID.cell_size_m


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("set_back_m", [0.5, 3.0, 30.0, 100.0])
def test_set_back_is_exact_at_cell_centres(seed, set_back_m):
    got, want = within(shapes(seed), distance_m=set_back_m, grid=GRID), brute(shapes(seed))
    # A buffer of 32 pieces to a quarter circle is 0.03 % short at most.
    sure = np.abs(want - set_back_m) > 0.0005 * set_back_m + 1e-6
    np.testing.assert_array_equal(got[sure], (want < set_back_m)[sure])
    assert sure.mean() > 0.999


@pytest.mark.parametrize("fault", ["mirror", "shift", "unit"])
def test_a_planted_fault_is_seen(fault):
    got, want = distance_to(shapes(0), grid=GRID), brute(shapes(0))
    wrong = {"mirror": got[::-1], "shift": np.roll(got, 1, axis=1), "unit": got / 0.3048}[fault]
    off = wrong - want
    assert off.min() < -1e-3 or off.max() > GRID.cell_size_m


def test_published_example_of_the_transform():
    """The example in scipy's manual; there zeros are targets and distances run between centres."""
    a = np.array(
        [[0, 1, 1, 1, 1], [0, 0, 1, 1, 1], [0, 1, 1, 1, 1], [0, 1, 1, 1, 0], [0, 1, 1, 0, 0]]
    )
    r2, r5 = 2**0.5, 5**0.5
    want = [
        [0, 1, r2, r5, 3],
        [0, 0, 1, 2, 2],
        [0, 1, r2, r2, 1],
        [0, 1, r2, 1, 0],
        [0, 1, 1, 0, 0],
    ]
    np.testing.assert_allclose(distance_transform_edt(a), want)
    ours = distance_to_cells(a == 0, cell_size_m=10.0)
    np.testing.assert_allclose(ours, np.maximum(np.array(want) * 10 - 5, 0), atol=1e-5)


def test_border_runs_between_the_cells():
    left = np.zeros((3, 6), dtype=bool)
    left[:, :2] = True
    far = distance_to_border(left, ~left, cell_size_m=10.0)
    np.testing.assert_allclose(far, np.tile([15, 5, 5, 15, 25, 35], (3, 1)))


def test_nothing_there_is_none_and_not_zero():
    assert distance_to([], grid=GRID) is None
    assert distance_to([shapely.Point(0, 0)], grid=GRID) is None
    assert distance_to_cells(np.zeros((3, 3), dtype=bool), cell_size_m=1.0) is None
