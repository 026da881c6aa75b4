"""Properties 19 to 21: a raised eye, symmetric sight, and terrain off the line."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from siting.grid import Grid
from siting.ground.view import ElevationGrid, in_sight, profiles, screened, skyline

N = 24
CELL = 5.0
GRID = Grid("EPSG:32617", 0.0, N * CELL, CELL, N, N)
heights = arrays(np.float64, (N, N), elements=st.floats(0, 40, width=32))
inside = st.floats(2 * CELL, (N - 2) * CELL)
bearings = arrays(np.float64, 8, elements=st.floats(0, 359.9))


def one(value: float) -> np.ndarray:
    return np.array([value])


@settings(deadline=None)
@given(
    dem=heights, x=inside, y=inside, azimuth=bearings, low=st.floats(0.1, 5), more=st.floats(0, 5)
)
def test_19_raising_the_eye_hides_nothing(
    dem: np.ndarray, x: float, y: float, azimuth: np.ndarray, low: float, more: float
) -> None:
    seen = []
    for eye in (low, low + more):
        rays = profiles(
            ElevationGrid(dem, GRID),
            (one(x), one(y)),
            azimuth_deg=azimuth,
            distance_m=np.arange(2.0, 60.0, 2.0),
            eye_height_m=eye,
        )
        # A hair of height keeps rounding of equal angles out of the comparison.
        seen.append(in_sight(rays, target_height_m=0.5 + (1e-6 if eye > low else 0.0)))
    assert not (seen[0] & ~seen[1]).any()


@settings(deadline=None)
@given(dem=heights, ends=arrays(np.float64, (5, 4), elements=inside), height=st.floats(0, 10))
def test_20_sight_is_symmetric_at_equal_heights(
    dem: np.ndarray, ends: np.ndarray, height: float
) -> None:
    ground, a, b = ElevationGrid(dem, GRID), ends[:, :2], ends[:, 2:]
    there = screened(a, b, ground=ground, place_height_m=height, other_height_m=height)
    back = screened(b, a, ground=ground, place_height_m=height, other_height_m=height)
    assert there.tolist() == back.tolist()


@settings(deadline=None)
@given(dem=heights, x=inside, y=inside, raised=st.floats(0, 100))
def test_21_terrain_behind_changes_nothing_ahead(
    dem: np.ndarray, x: float, y: float, raised: float
) -> None:
    east = np.arange(20.0, 161.0, 10.0)
    before = skyline(ElevationGrid(dem, GRID), (one(x), one(y)), azimuth_deg=east).horizon_deg
    changed = dem.copy()
    # Cells whose centres lie more than a cell west of the eye cannot touch a ray to the east.
    changed[:, : max(int(x / CELL - 1.5), 0)] += raised
    after = skyline(ElevationGrid(changed, GRID), (one(x), one(y)), azimuth_deg=east).horizon_deg
    assert np.array_equal(before, after)


@settings(deadline=None)
@given(dem=heights, quarter=st.integers(1, 3), row=st.integers(8, 15), col=st.integers(8, 15))
def test_turning_the_land_turns_the_skyline(
    dem: np.ndarray, quarter: int, row: int, col: int
) -> None:
    azimuth = np.arange(0, 360, 15.0)
    place = np.zeros((N, N))
    place[row, col] = 1
    row2, col2 = np.argwhere(np.rot90(place, -quarter))[0]
    x, y = GRID.xy(np.array([row, row2]), np.array([col, col2]))
    look = {"azimuth_deg": azimuth, "max_distance_m": 30.0}
    still = skyline(ElevationGrid(dem, GRID), (x[:1], y[:1]), **look)
    turned = skyline(ElevationGrid(np.rot90(dem, -quarter), GRID), (x[1:], y[1:]), **look)
    # rot90 by -1 turns clockwise: what was seen at azimuth A is then seen at A + 90. The rays
    # stop short of the edge, where rounding decides whether the last cell is still inside.
    rolled = np.roll(still.horizon_deg, quarter * 6, axis=1)
    np.testing.assert_allclose(turned.horizon_deg, rolled, atol=1e-3)
