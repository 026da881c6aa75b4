"""Skyline, line of sight and screening on ground with known answers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from siting.grid import Grid
from siting.ground.view import (
    ElevationGrid,
    coarser,
    drop_m,
    elevation_at,
    in_sight,
    profiles,
    screened,
    skyline,
)

CRS = "EPSG:32617"
AZIMUTHS = np.arange(0, 360, 2.5)


def make(function, *, cell: float = 10.0, n: int = 101, dtype: str = "f8") -> ElevationGrid:
    """Ground z = f(east, north) with the origin at the centre of the middle cell."""
    half = n // 2
    grid = Grid(CRS, -(half + 0.5) * cell, (half + 0.5) * cell, cell, n, n)
    east = (np.arange(n) - half) * cell
    x, y = np.meshgrid(east, -east)
    return ElevationGrid((function(x, y) + 0 * x).astype(dtype), grid)


def at(*values: float) -> np.ndarray:
    return np.array(values, dtype=float)


def test_elevations_between_cells_are_bilinear() -> None:
    plane = make(lambda x, y: 100 + 0.1 * x - 0.2 * y)
    x, y = at(3.0, -47.2, 0.0), at(8.0, 99.9, 0.0)
    assert elevation_at(plane, (x, y)) == pytest.approx(100 + 0.1 * x - 0.2 * y)
    assert np.isnan(elevation_at(plane, (at(600.0), at(0.0))))[0]


def test_drop_by_curvature_and_refraction() -> None:
    """Curvature drop d^2/D (D = 12 740 km in the table): published to four decimals."""
    table = {100: 0.0008, 500: 0.0196, 1000: 0.0785, 2000: 0.3140, 5000: 1.9623, 10000: 7.8493}
    for distance, expected in table.items():
        # The mean radius here is 6371.0 km where the table has 6370: 0.02 %.
        assert drop_m(distance, refraction_k=0.0) == pytest.approx(
            expected, abs=5e-5 + 2e-4 * expected
        )
    assert drop_m(1000.0, refraction_k=0.13) == pytest.approx(0.0683, abs=5e-5)
    assert drop_m(1000.0, refraction_k=1 / 7) == pytest.approx(0.0673, abs=5e-5)


def test_step_of_50_m_at_200_m() -> None:
    """atan(50/200) = 14.0362 degrees."""
    step = make(lambda x, y: np.where(x >= 200, 50.0, 0.0))
    found = skyline(
        step, (at(0), at(0)), azimuth_deg=at(90, 270), eye_height_m=0.0, refraction_k=1.0
    ).horizon_deg[0]
    assert found[0] == pytest.approx(14.0362, abs=1e-4)
    assert found[1] == pytest.approx(0.0, abs=1e-4)


def test_cone_from_its_top_and_its_flank() -> None:
    cone = make(lambda x, y: -0.3 * np.hypot(x, y), cell=2.0, n=301)
    slope = math.degrees(math.atan(0.3))
    top = skyline(cone, (at(0), at(0)), azimuth_deg=AZIMUTHS, eye_height_m=0.0, refraction_k=1.0)
    # Between the first cells bilinear weights cut the round cone's top.
    assert top.horizon_deg == pytest.approx(-slope, abs=0.2)
    assert top.horizon_deg[0, ::36] == pytest.approx(-slope, abs=0.04)
    # From the flank, 100 m west of the top: up to the top the angle is the slope itself; at
    # angle a from uphill the first step of one cell shows most: 0.3 (100 - r(2 m)) / 2 m.
    flank = skyline(cone, (at(-100), at(0)), azimuth_deg=AZIMUTHS, eye_height_m=0, refraction_k=1)
    turn = np.radians(AZIMUTHS - 90)
    r = np.sqrt(100**2 - 2 * 100 * 2 * np.cos(turn) + 2**2)
    expected = np.degrees(np.arctan(0.3 * (100 - r) / 2))
    assert flank.horizon_deg[0] == pytest.approx(expected, abs=0.1)


def test_crater_from_its_bottom() -> None:
    """A flat floor, sides of 0.2 from 200 m out, a rim at 500 m: atan(60 / 500) all round."""
    crater = make(lambda x, y: np.clip(0.2 * (np.hypot(x, y) - 200), 0, 60), cell=5.0, n=241)
    found = skyline(crater, (at(0), at(0)), azimuth_deg=AZIMUTHS, eye_height_m=0.0)
    # Beyond 320 m steps are 10 m: 10 / 500 of the tangent at most.
    assert found.horizon_deg == pytest.approx(math.degrees(math.atan(60 / 500)), abs=0.15)


def test_dip_of_the_horizon_of_a_sea_like_plain() -> None:
    """Eye 2 m: the horizon is 5411.8 m away with k = 0.13, and dips by 4 / 5411.8."""
    plain = make(lambda x, y: 0 * x, cell=30.0, n=401)
    found = skyline(plain, (at(0), at(0)), azimuth_deg=at(0, 90), eye_height_m=2.0)
    assert found.horizon_deg == pytest.approx(-math.degrees(4 / 5411.8), abs=2e-4)
    assert np.all(found.reach_m > 5411)


def test_far_elevations_take_over_where_the_near_ones_end() -> None:
    near = make(lambda x, y: 0 * x, cell=2.0, n=201)
    far = make(lambda x, y: np.where(x >= 3000, 300.0, 0.0), cell=30.0, n=301)
    alone = skyline(near, (at(0), at(0)), azimuth_deg=at(90), eye_height_m=0.0)
    both = skyline(near, (at(0), at(0)), azimuth_deg=at(90, 270), far=far, eye_height_m=0.0)
    assert alone.reach_m[0, 0] == pytest.approx(200, abs=4)
    assert alone.horizon_deg[0, 0] == pytest.approx(0.0, abs=0.01)
    assert both.reach_m[0].min() > 4000
    assert both.horizon_deg[0, 0] == pytest.approx(math.degrees(math.atan(0.1)), abs=0.15)
    assert both.horizon_deg[0, 1] == pytest.approx(0.0, abs=0.01)


def test_a_ray_ends_at_missing_elevations() -> None:
    ground = make(lambda x, y: np.where(x >= 300, 100.0, 0.0))
    ground.dem[:, 50 + 20] = np.nan
    found = skyline(ground, (at(0), at(0)), azimuth_deg=at(90, 270), eye_height_m=0.0)
    assert found.reach_m[0, 0] == pytest.approx(190, abs=11)
    assert found.horizon_deg[0, 0] == pytest.approx(0.0, abs=0.01)
    assert found.reach_m[0, 1] == pytest.approx(500, abs=11)


def test_a_place_without_elevation_sees_nothing() -> None:
    found = skyline(make(lambda x, y: 0 * x), (at(9999.0), at(0.0)), azimuth_deg=AZIMUTHS)
    assert np.isnan(found.horizon_deg).all()
    assert not found.reach_m.any()


def test_grid_north_is_turned_to_true_north() -> None:
    """Where grid north bears 3 degrees, a hill due grid east bears 93 degrees."""
    step = make(lambda x, y: np.where((x >= 200) & (np.abs(y) < 8), 50.0, 0.0), cell=2.0, n=251)
    bearings = np.arange(80, 101, 1.0)
    found = skyline(step, (at(0), at(0)), azimuth_deg=bearings, convergence_deg=3.0).horizon_deg[0]
    assert bearings[found > 5].mean() == pytest.approx(93.0)


def test_coarser_averages_what_is_known() -> None:
    ground = make(lambda x, y: x, n=5, cell=1.0)
    ground.dem[0, 0] = np.nan
    blocks = coarser(ground, 2)
    # Blocks are counted from the origin: the first row and column stand alone.
    assert ground.grid.before(2) == (0, 1)
    assert blocks.grid.shape == blocks.dem.shape == (3, 3)
    assert blocks.dem[0].tolist() == pytest.approx([-2.0, -0.5, 1.5])
    assert coarser(ground, 1) is ground


WALL = make(lambda x, y: np.where(x == 100, 3.0, 0.0), cell=10.0)


@pytest.mark.parametrize(("distance", "lowest"), [(110, 3.2), (150, 4.0), (200, 5.0), (300, 7.0)])
def test_line_of_sight_over_a_wall(distance: float, lowest: float) -> None:
    """1 m eye, 3 m wall at 100 m: what can be seen begins at 1 + 2 d / 100."""
    ray = profiles(
        WALL,
        (at(0), at(0)),
        azimuth_deg=at(90),
        distance_m=np.arange(10, distance + 1, 10.0),
        eye_height_m=1.0,
    )
    assert in_sight(ray, target_height_m=lowest + 0.01)[0, 0, -1]
    assert not in_sight(ray, target_height_m=lowest - 0.01)[0, 0, -1]


def test_brush_blocks_the_view_behind_it() -> None:
    flat = make(lambda x, y: 0 * x, cell=1.0)
    ray = profiles(
        flat, (at(0), at(0)), azimuth_deg=at(0), distance_m=np.arange(1, 21.0), eye_height_m=0.45
    )
    brush = np.zeros((1, 1, 20))
    brush[0, 0, 6] = 1.0
    seen = in_sight(ray, target_height_m=0.5, obstacle_m=brush)[0, 0]
    assert seen.tolist() == [True] * 7 + [False] * 13
    assert in_sight(ray, target_height_m=0.5)[0, 0].all()


def test_nothing_is_in_sight_beyond_missing_elevations() -> None:
    ground = make(lambda x, y: 0 * x, cell=1.0)
    ground.dem[:, 50 + 10] = np.nan
    ray = profiles(
        ground, (at(0), at(0)), azimuth_deg=at(90), distance_m=np.arange(1, 31.0), eye_height_m=0.45
    )
    # The ray ends in the cell before: a point on its far edge already leans on the missing one.
    assert in_sight(ray, target_height_m=0.5)[0, 0].sum() in (8, 9)


def test_a_ridge_screens_a_road_and_a_tall_lorry_is_seen_over_it() -> None:
    ridge = make(lambda x, y: np.where(np.abs(x) < 15, 3.0, 0.0), cell=5.0)
    here, road = np.array([[-100.0, 0.0]]), np.array([[100.0, 0.0], [-150.0, 50.0]])
    assert screened(here, road, ground=ridge).tolist() == [True, False]
    assert screened(here, road, ground=ridge, place_height_m=0.45, other_height_m=9.0).tolist() == [
        False,
        False,
    ]


def test_curvature_hides_a_low_thing_far_away() -> None:
    plain = make(lambda x, y: 0 * x, cell=100.0, n=201)
    here, there = np.array([[-9000.0, 0.0]]), np.array([[9000.0, 0.0]])
    # Two eyes of 1.5 m see each other up to 2 sqrt(2 R 1.5 / 0.87) = 9.4 km.
    assert screened(here, there, ground=plain)[0]
    assert not screened(here, here + np.array([[9000.0, 0.0]]), ground=plain)[0]


def test_screening_does_not_depend_on_the_other_pairs() -> None:
    rng = np.random.default_rng(7)
    ground = make(lambda x, y: rng.normal(size=x.shape), cell=10.0)
    here, there = rng.uniform(-450, 450, (60, 2)), rng.uniform(-450, 450, (60, 2))
    together = screened(here, there, ground=ground)
    alone = [screened(a[None], b[None], ground=ground)[0] for a, b in zip(here, there, strict=True)]
    assert together.tolist() == alone
    assert 0 < together.sum() < 60
