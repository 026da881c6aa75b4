"""The list put to the test: what is shaken, and what is said."""

from __future__ import annotations

import itertools
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
from shapely import Point

from siting.grid import Grid
from siting.scoring.candidates import Points
from siting.scoring.combine import combine
from siting.scoring.shaken.draws import Shaken
from siting.scoring.shaken.index import _near
from siting.scoring.stability import draw_shifts
from siting.scoring.trials import (
    assess_stability,
    elevation_error_m,
    stated_line_errors_m,
    trial_remark,
)
from siting.settings.protocol import Protocol
from siting.settings.protocol_score import Scoring
from siting.settings.protocol_travel import StabilityRules
from siting.types import Candidate, CoverRole, NoGo
from siting.words.notes import notes_of
from tests.fake_result import fake_land

GRID = Grid("EPSG:32617", 0.0, 600.0, 5.0, 120, 120)
CURVES = {"flat": Protocol().conditions.flat.curve}
CALM = {"missed_spread": 0.0, "line_error_m": 0.0, "misread_share": 0.0, "error_medium_m": 0.0}


def places_at(*cells):
    out = []
    for row, col in cells:
        easting, northing = GRID.xy(row, col)
        out.append(Candidate(row, col, float(easting), float(northing), 1.0, 1))
    return out


CELLS = ((20, 20), (60, 80), (100, 30))


def bumps(heights, cells=CELLS, wide_m=12.0):
    """A membership with a bump of each height at each place."""
    row, col = np.indices(GRID.shape)
    out = np.zeros(GRID.shape, dtype=np.float32)
    for height, (r, c) in zip(heights, cells, strict=True):
        away = np.hypot(row - r, col - c) * GRID.cell_size_m
        out = np.maximum(out, np.float32(height) * np.clip(1 - away / wide_m, 0, 1))
    return out.astype(np.float32)


def shaken(parts, weights, *, spreads=0.0, dem_slope=0.0, no_go=None, elevation_error=0.0):
    slope = np.full(GRID.shape, dem_slope, dtype=np.float32)
    east_m = (np.indices(GRID.shape)[1] * GRID.cell_size_m).astype(np.float32)
    return Shaken(
        grid=GRID,
        memberships=parts,
        no_go=np.zeros(GRID.shape, dtype=np.uint16) if no_go is None else no_go,
        dem=dem_slope * east_m,
        view_slope_deg=np.degrees(np.arctan(slope)),
        funnel_ratio=None,
        heading_score=None,
        clear_of_role=np.ones(len(CoverRole)),
        role=np.full(GRID.shape, int(CoverRole.TREE), dtype=np.int8),
        weights=weights,
        spreads=dict.fromkeys(weights, spreads),
        curves=CURVES,
        steep_deg=20.0,
        cover_error_m=0.0,
        elevation_error_m=elevation_error,
        map_cell_m=GRID.cell_size_m,
    )


def tried(land, **changes):
    return assess_stability(
        places_at(*CELLS),
        land,
        shown=3,
        spacing_m=60.0,
        least_radius_m=10.0,
        scoring=Scoring(),
        rules=StabilityRules(**{"first": 1, **changes}),
    )


def test_nothing_shaken_gives_the_list_itself():
    found = tried(shaken({"trail": bumps((1.0, 0.8, 0.6))}, {"trail": 0.5}), **CALM)
    assert [place.share_first for place in found] == [1.0, 0.0, 0.0]
    assert [place.radius_m for place in found] == [10.0] * 3
    assert found[0].low == found[0].high == pytest.approx(np.exp(0.5), rel=1e-5)


def test_moved_lines_widen_the_circle_and_move_with_the_place():
    """A trail 8 m off on each axis: the best position follows it, so the place stays first."""
    land = shaken({"trail": bumps((1.0, 0.5, 0.4))}, {"trail": 0.5})
    (first, *_) = tried(land, **{**CALM, "line_error_m": 8.0})
    assert first.share_among > 0.75
    # 80 % of a two-dimensional normal lie within 1.79 standard deviations: 14 m, in steps of 5
    assert 15.0 <= first.radius_m <= 20.0


def test_ratios_drawn_within_their_intervals_make_equals_a_toss_up():
    parts = {"trail": bumps((1.0, 0.0, 0.0)), "edge": bumps((0.0, 1.0, 0.0))}
    land = shaken(parts, {"trail": 0.41, "edge": 0.4}, spreads=0.3)
    first, second, third = tried(land, **CALM)
    assert 0.4 < first.share_first < 0.6
    assert 0.4 < second.share_first < 0.6
    assert third.share_first == 0.0
    assert first.word in ("toss-up", "fair")


def test_elevation_error_makes_steep_places_doubtful():
    """Ground just under the limit of 20 degrees drops out of about half of the trials."""
    parts = {"trail": bumps((1.0, 0.0, 0.0))}
    land = shaken(parts, {"trail": 0.5}, dem_slope=np.tan(np.radians(19.9)), elevation_error=1.0)
    (first, *_) = tried(land, **CALM)
    assert 0.25 < first.share_first < 0.75


def test_a_set_back_moves_with_its_map():
    """A place 3 m from closed water is closed itself in some of the trials, never when still."""
    no_go = np.zeros(GRID.shape, dtype=np.uint16)
    no_go[20, 21:] = int(NoGo.WATER)
    land = shaken({"trail": bumps((1.0, 0.4, 0.3), wide_m=4.0)}, {"trail": 0.5}, no_go=no_go)
    (still, *_) = tried(land, **CALM)
    (moved, *_) = tried(land, **{**CALM, "line_error_m": 6.0})
    assert still.share_first == 1.0
    assert moved.share_first < 0.95


def test_the_same_seed_gives_the_same():
    land = shaken({"trail": bumps((1.0, 0.9, 0.8))}, {"trail": 0.5}, spreads=0.2)
    assert tried(land) == tried(land)
    assert tried(land, seed=2) != tried(land)


def test_no_trials_say_nothing():
    assert tried(shaken({"trail": bumps((1, 1, 1))}, {"trail": 0.5}), draws=0) == ()


def test_every_point_belongs_to_the_nearest_place():
    row, col = np.array([20, 20]), np.array([20, 28])
    points = Points.around(row, col, grid=GRID, reach_m=45.0)
    away = np.hypot(points.row[:, None] - row, points.col[:, None] - col)
    np.testing.assert_array_equal(away.argmin(axis=1), points.place)
    assert (away.min(axis=1) * GRID.cell_size_m <= 45.0).all()
    np.testing.assert_array_equal(points.row[points.first], row)


def test_shifts_have_the_stated_error_and_are_alike_for_neighbours():
    drawn = draw_shifts(
        np.array([0.0, 10.0, 900.0]),
        np.zeros(3),
        error_m=5.0,
        alike_m=75.0,
        n_draws=8000,
        rng=np.random.default_rng(1),
    )
    assert drawn.std(axis=0) == pytest.approx(np.full((3, 2), 5.0), rel=0.03)
    alike = np.corrcoef(drawn[:, :, 0].T)
    assert alike[0, 1] > 0.98
    assert abs(alike[0, 2]) < 0.05


def test_the_ratio_that_turns_the_list_is_named():
    parts = {"trail": np.float32([0.8, 0.0, 0.0]), "edge": np.float32([0.0, 0.8, 0.1])}
    judged = combine(parts, weights={"trail": 0.41, "edge": 0.40}, scoring=Scoring())
    remark = trial_remark(
        judged,
        shown=2,
        land=shaken({}, {}),
        scoring=Scoring(),
        rules=StabilityRules(),
    )
    assert (
        '(spot 2) if the ratio of "game trail or quiet path" were 1.48 instead of 1.51'
        in notes_of([remark])[0].text
    )
    lead = combine({"trail": np.float32([1.0, 0.3])}, weights={"trail": 0.4}, scoring=Scoring())
    calm = trial_remark(
        lead, shown=2, land=shaken({}, {}), scoring=Scoring(), rules=StabilityRules()
    )
    assert "No single ratio" in notes_of([calm])[0].text


@pytest.mark.parametrize(("cell_m", "error_m"), [(1.0, 0.2), (10.0, 1.0), (30.0, 3.0)])
def test_error_goes_by_the_cells_of_the_file(cell_m, error_m):
    assert elevation_error_m(cell_m, StabilityRules()) == error_m


def test_a_stated_error_of_a_layer_is_what_its_map_is_moved_by():
    """Issue 14: streams known to 20 m were shaken by the 5 m that stand for all lines."""
    exact = shaken({"water": bumps((1.0, 0.9, 0.8), wide_m=60.0)}, {"water": 0.5})
    rough = replace(exact, line_error_m={"water": 20.0})
    (near, *_), (far, *_) = (tried(land, **CALM) for land in (exact, rough))
    assert near.radius_m == 10.0
    assert far.radius_m >= 25.0


def test_stated_errors_come_from_the_layers():
    def layer(*errors):
        return gpd.GeoDataFrame({"error_m": errors}, geometry=[Point(0, 0)] * len(errors))

    vectors = {"water": layer(20.0, np.nan), "trails": layer(np.nan), "buildings": layer(3.0)}
    found = stated_line_errors_m(fake_land(vectors=vectors), StabilityRules(line_error_m=5.0))
    assert found == {"water": 20.0, "roads": 3.0, "crossings": pytest.approx(np.hypot(20.0, 5.0))}
    assert stated_line_errors_m(fake_land(vectors={}), StabilityRules()) == {}


def test_every_cell_that_a_map_may_be_read_at_is_found_also_at_the_edge():
    """Only the part of the land around the points is looked at; beyond the land the nearest cell
    is read."""
    land, reach = shaken({"trail": bumps((1.0, 1.0, 1.0))}, {"trail": 1.0}), 4
    at_edge = np.array([40, 118, 119]), np.array([60, 2, 119])
    points = Points.around(*at_edge, grid=GRID, reach_m=10.0)
    at, slot, cells = _near(points, land, reach)
    row, col = np.nonzero(cells)
    assert slot.shape[0] < GRID.n_rows
    for down, right in itertools.product((-reach, 0, reach), repeat=2):
        there = slot[
            np.clip(at.row + down, 0, slot.shape[0] - 1),
            np.clip(at.col + right, 0, slot.shape[1] - 1),
        ]
        np.testing.assert_array_equal(row[there], np.clip(points.row + down, 0, GRID.n_rows - 1))
        np.testing.assert_array_equal(col[there], np.clip(points.col + right, 0, GRID.n_cols - 1))
