"""The way in: Tobler's speeds, ways with known answers, water, closed and steep ground."""

from __future__ import annotations

import math

import networkx as nx
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, box

from siting.grid import Grid
from siting.settings.protocol import WalkRules
from siting.types import CoverRole
from siting.walk.network import (
    STEPS,
    all_steps,
    build_net,
    nearest_cell,
    step_cost_s,
    tobler_km_per_h,
    ways_of,
)
from siting.walk.route import Start, find_start, find_walks, walk_remarks
from siting.words.notes import notes_of
from siting.words.spot.card import climb_known_m, climb_words
from tests.fake_result import CRS, fake_land, frame

ON_PATH = WalkRules(off_path_factor=1.0)
ALL = box(0, 0, 1000, 1000)


def flat_land(height=None, vectors=None, *, size=60, cell=5.0, role=None, parcel=None):
    grid = Grid(CRS, 0.0, size * cell, cell, size, size)
    height = np.full(grid.shape, 100.0) if height is None else height
    role = np.full(grid.shape, CoverRole.GRASS, dtype=np.int8) if role is None else role
    shape = box(0, 0, size * cell, size * cell) if parcel is None else parcel
    return fake_land(grid=grid, height=height, vectors=vectors or {}, parcel_shape=shape, role=role)


def one(land, start, target, rules=ON_PATH):
    return find_walks(land, start=Start(*start, "given"), targets=[target], rules=rules)[0]


@pytest.mark.parametrize(
    ("rise", "speed"),
    [
        # Tobler 1993, values of the published formula.
        (0.0, 5.036742),
        (-0.05, 6.0),
        (0.05, 4.228129),
        (0.1, 3.549332),
        (-0.1, 5.036742),
        (0.2, 2.501172),
        (-0.2, 3.549332),
        (0.5, 0.875255),
    ],
)
def test_speed_is_toblers(rise, speed):
    assert float(tobler_km_per_h(rise)) == pytest.approx(speed, abs=1e-6)


def test_off_path_speed_is_three_fifths():
    factor = WalkRules().off_path_factor
    assert factor * float(tobler_km_per_h(0.0)) == pytest.approx(3.022045, abs=1e-6)


def test_flat_ground_straight_line():
    walk = one(flat_land(), (52.5, 152.5), (252.5, 152.5))
    assert walk.length_m == pytest.approx(200.0)
    minutes = 200 / (5036.742 / 60)
    assert walk.minutes_there == pytest.approx(minutes, rel=1e-6)
    assert walk.minutes_back == pytest.approx(minutes, rel=1e-6)
    assert len(walk.line.coords) == 2


def test_plane_uphill_and_downhill_differ():
    # A plane that rises 0.1 m per metre to the east: Tobler's 3.549332 up, 5.036742 km/h down.
    height = np.tile(100 + 0.1 * (np.arange(60) * 5 + 2.5), (60, 1))
    walk = one(flat_land(height), (52.5, 152.5), (252.5, 152.5))
    assert walk.minutes_there == pytest.approx(200 / (3549.332 / 60), rel=1e-5)
    assert walk.minutes_back == pytest.approx(200 / (5036.742 / 60), rel=1e-5)
    assert walk.climb_m == pytest.approx(20.0, abs=1e-3)
    assert walk.drop_m == 0.0
    assert walk.steepest_deg == pytest.approx(math.degrees(math.atan(0.1)), abs=1e-3)


def test_north_is_up():
    # The plane rises to the north; rows run south. A sign error would swap there and back.
    height = np.tile((100 - 0.1 * (np.arange(60) * 5 + 2.5))[:, None], (1, 60))
    walk = one(flat_land(height), (152.5, 52.5), (152.5, 252.5))
    assert walk.minutes_there > walk.minutes_back
    assert walk.climb_m == pytest.approx(20.0, abs=1e-3)


@settings(deadline=None, max_examples=25)
@given(angle=st.floats(0, 2 * math.pi), reach=st.floats(40, 140))
def test_at_most_2_75_percent_longer_than_straight(angle, reach):
    # Grid-distance bound of 16 neighbours: 1 / cos(atan(1/2) / 2) = 1.027486 (geometry).
    target = (150 + reach * math.cos(angle), 150 + reach * math.sin(angle))
    walk = one(flat_land(), (152.5, 152.5), target)
    straight = math.dist((152.5, 152.5), target)
    assert walk.length_m >= straight - 1e-6
    assert walk.length_m <= straight * 1.0275 + 5.0
    # Ends are snapped to cell centres: at most half a cell's diagonal each.
    limit = straight * 1.027486 + 2 * 3.54
    assert walk.minutes_there <= limit / (5036.742 / 60) + 1e-6


def test_agrees_with_networkx_on_rough_ground():
    rng = np.random.default_rng(5)
    height = 100 + np.cumsum(rng.normal(0, 0.3, (18, 18)), axis=1)
    role = np.full((18, 18), CoverRole.GRASS, dtype=np.int8)
    role[9, 2:16] = CoverRole.WATER
    land = flat_land(height, size=18, role=role)
    rules = WalkRules(steep_deg=45)
    walk = one(land, (42.5, 77.5), (47.5, 7.5), rules)
    # The same net built by hand, cell by cell, and searched by another library; the slope of
    # the outermost cells is not known, so they are closed.
    wet = role == CoverRole.WATER
    wet[[0, -1], :] = wet[:, [0, -1]] = True
    graph = nx.DiGraph()
    for row in range(18):
        for col in range(18):
            for d_row, d_col in STEPS:
                _join(graph, height, wet, (row, col), (d_row, d_col))
    seconds = nx.dijkstra_path_length(graph, (2, 8), (16, 9))
    assert walk.minutes_there == pytest.approx(seconds / 60, rel=1e-6)


def test_the_comparison_finds_planted_faults():
    # Swapped axes or a wrong sign of the rise give other times, beyond the tolerance above.
    height = np.tile(100 + 0.15 * (np.arange(60) * 5 + 2.5), (60, 1))
    right = one(flat_land(height), (52.5, 152.5), (252.5, 192.5)).minutes_there
    for planted in (height.T, height[:, ::-1]):
        wrong = one(flat_land(planted), (52.5, 152.5), (252.5, 192.5)).minutes_there
        assert wrong != pytest.approx(right, rel=0.02)


def _join(graph, height, wet, cell, step):
    head = (cell[0] + step[0], cell[1] + step[1])
    if not (0 <= head[0] < 18 and 0 <= head[1] < 18):
        return
    # Every cell that the straight step passes through or touches with its inside.
    line = LineString([cell, head])
    for row in range(min(cell[0], head[0]), max(cell[0], head[0]) + 1):
        for col in range(min(cell[1], head[1]), max(cell[1], head[1]) + 1):
            square = box(row - 0.5, col - 0.5, row + 0.5, col + 0.5)
            if wet[row, col] and square.intersects(line):
                return
    run = 5 * math.hypot(*step)
    rise = (np.float32(height[head]) - np.float32(height[cell])) / run
    graph.add_edge(cell, head, weight=run / (0.6 * 6 * math.exp(-3.5 * abs(rise + 0.05)) / 3.6))


def test_goes_round_a_pond_and_never_through():
    pond = box(100, 20, 140, 280)
    land = flat_land(vectors={"water": frame(pond)})
    walk = one(land, (52.5, 152.5), (252.5, 152.5))
    assert not walk.line.intersects(pond)
    assert walk.length_m > 300


def test_a_bridge_opens_the_pond():
    pond = box(100, 0, 140, 300)
    land = flat_land(vectors={"water": frame(pond)})
    assert one(land, (52.5, 152.5), (252.5, 152.5)) is None
    road = LineString([(0, 200), (300, 200)])
    land = flat_land(vectors={"water": frame(pond), "roads": frame(road)})
    walk = one(land, (52.5, 152.5), (252.5, 152.5))
    assert (
        shapely.intersection(walk.line, pond).hausdorff_distance(
            LineString([(100, 200), (140, 200)])
        )
        < 10
    )


def test_stream_is_crossed_at_the_log():
    brook = LineString([(150, 0), (150, 300)])
    vectors = {"water": frame(brook), "crossings": frame(Point(150, 250))}
    walk = one(flat_land(vectors=vectors), (52.5, 152.5), (252.5, 152.5))
    assert (walk.known_crossings, walk.unknown_crossings) == (1, 0)
    assert walk.line.intersection(brook).distance(Point(150, 250)) <= 8


def test_a_path_over_the_stream_counts_as_known():
    brook = LineString([(150, 0), (150, 300)])
    vectors = {
        "water": frame(brook),
        "trails": frame(LineString([(100, 62), (200, 62)])),
    }
    walk = one(flat_land(vectors=vectors), (52.5, 152.5), (252.5, 152.5))
    assert (walk.known_crossings, walk.unknown_crossings) == (1, 0)


def test_stream_without_a_crossing_is_told():
    brook = LineString([(150, 0), (150, 300)])
    walk = one(flat_land(vectors={"water": frame(brook)}), (52.5, 152.5), (252.5, 152.5))
    assert (walk.known_crossings, walk.unknown_crossings) == (0, 1)
    # The detour worth making is no time on foot.
    assert walk.minutes_there == pytest.approx(200 / (5036.742 / 60), rel=1e-6)


def test_a_short_detour_is_made_before_wading():
    # The brook ends at 200: the way round it is shorter than the detour worth making.
    brook = LineString([(150, 0), (150, 200)])
    walk = one(flat_land(vectors={"water": frame(brook)}), (52.5, 152.5), (252.5, 152.5))
    assert walk.unknown_crossings == 0
    assert not walk.line.intersects(brook)
    rules = WalkRules(off_path_factor=1.0, crossing_detour_min=0.0)
    straight = one(flat_land(vectors={"water": frame(brook)}), (52.5, 152.5), (252.5, 152.5), rules)
    assert straight.unknown_crossings == 1


def test_closed_ground_is_not_entered():
    pasture = box(100, 60, 140, 300)
    for layer in ("livestock", "no_go", "buildings"):
        walk = one(flat_land(vectors={layer: frame(pasture)}), (52.5, 152.5), (252.5, 152.5))
        inside = walk.line.intersection(pasture).length
        assert inside < 5, (layer, inside)


def test_steep_ground_is_not_entered():
    # A scarp from south to north with a gap of 20 m; the step up of 12 m is 50 degrees by Horn.
    height = np.full((60, 60), 100.0)
    height[:, 30:] += 12
    height[10:16, 30:] = 100 + 12 * np.arange(30) / 29
    walk = one(flat_land(height), (52.5, 152.5), (252.5, 152.5))
    assert walk.steepest_deg <= 25
    crossing = walk.line.intersection(LineString([(150, 0), (150, 300)]))
    assert 215 < crossing.y < 255
    height[10:16, 30:] = 112  # the gap closed
    assert one(flat_land(height), (52.5, 152.5), (252.5, 152.5)) is None


def test_a_trail_draws_the_walk():
    trail = LineString([(50, 152.5), (150, 190), (255, 152.5)])
    land = flat_land(vectors={"trails": frame(trail)})
    on = one(land, (52.5, 152.5), (252.5, 152.5), WalkRules())
    off = one(flat_land(), (52.5, 152.5), (252.5, 152.5), WalkRules())
    assert on.minutes_there < off.minutes_there
    assert on.line.hausdorff_distance(trail) < 10
    assert off.minutes_there == pytest.approx(200 / (3022.045 / 60), rel=1e-6)


def test_ground_outside_the_parcel_is_a_last_resort():
    # A parcel in the shape of a U: straight across the gap is outside.
    parcel = box(0, 0, 300, 300) - box(100, 60, 200, 300)
    walk = one(flat_land(parcel=parcel), (52.5, 150), (252.5, 150))
    assert walk.outside_m == 0
    near = one(flat_land(parcel=parcel), (52.5, 150), (252.5, 150), WalkRules(outside_factor=1.0))
    assert near.outside_m > 80


def test_coarse_and_fine_cells_agree():
    # The search runs on cells of about 5 m, whatever the grid: 1 m and 5 m within 3 %.
    fine = flat_land(np.tile(100 + 0.1 * (np.arange(300) + 0.5), (300, 1)), size=300, cell=1.0)
    coarse = flat_land(np.tile(100 + 0.1 * (np.arange(60) * 5 + 2.5), (60, 1)))
    a, b = (one(land, (52.5, 152.5), (252.5, 192.5)) for land in (fine, coarse))
    assert a.minutes_there == pytest.approx(b.minutes_there, rel=0.03)
    net = build_net(fine, ways_of(fine), points=[(50, 50)], rules=WalkRules())
    assert net.grid.cell_size_m == 5.0


def test_no_data_is_not_walked():
    height = np.full((60, 60), 100.0)
    height[10:, 28:32] = np.nan
    walk = one(flat_land(height), (52.5, 152.5), (252.5, 152.5))
    assert walk.line.bounds[3] > 245


def test_start_is_the_given_way_in():
    land = fake_land()
    start = find_start(land, toward=(540300, 4820280))
    assert start == Start(540200.0, 4820062.0, "given")


def test_start_is_the_nearest_road_point_else():
    vectors = {"roads": frame(LineString([(0, -40), (300, -10)]))}
    land = flat_land(vectors=vectors, parcel=box(0, 20, 300, 300), size=60)
    assert find_start(land, toward=(100, 100)) is None  # the road lies off the ground that was read
    vectors = {"roads": frame(LineString([(0, 2), (300, 12)]))}
    land = flat_land(vectors=vectors, parcel=box(0, 20, 300, 300), size=60)
    start = find_start(land, toward=(100, 100))
    assert start.kind == "road"
    assert (start.easting, start.northing) == pytest.approx((300, 12))
    notes = notes_of(walk_remarks(start, [], way_in_given=False))
    assert "permission" not in notes[0].text
    assert "do not know whether you may stop there" in notes[0].text


def test_start_where_a_road_enters_the_parcel():
    vectors = {"roads": frame(LineString([(0, 100), (300, 100)]))}
    land = flat_land(vectors=vectors, parcel=box(50, 20, 250, 280))
    assert find_start(land, toward=(240, 200)) == Start(250.0, 100.0, "road")
    assert find_start(land, toward=(60, 200)) == Start(50.0, 100.0, "road")


def test_no_way_in_and_no_road():
    assert find_start(flat_land(), toward=(10, 10)) is None
    assert walk_remarks(None, [], way_in_given=False)[0].code == "W-WALK-01"


def test_notes_name_the_spots():
    start = Start(0, 0, "given")
    walk = one(flat_land(), (52.5, 152.5), (252.5, 152.5))
    assert walk_remarks(start, [walk, walk], way_in_given=True) == ()
    said = notes_of(walk_remarks(start, [walk, None, None], way_in_given=True))
    texts = [note.text for note in said]
    assert texts == [
        "No route on foot that avoids water, steep ground and closed ground was found to "
        "spots 2 and 3."
    ]


def test_same_in_same_out():
    land = fake_land()
    start = find_start(land, toward=(540300, 4820280))
    targets = [(540297.5, 4820277.5), (540442.5, 4820297.5)]
    first, second = (
        find_walks(land, start=start, targets=targets, rules=WalkRules()) for _ in range(2)
    )
    assert first == second
    assert [w.line.wkt for w in first] == [w.line.wkt for w in second]


def test_order_of_targets_does_not_matter():
    land = fake_land()
    start = find_start(land, toward=(540300, 4820280))
    targets = [(540297.5, 4820277.5), (540442.5, 4820297.5)]
    there = find_walks(land, start=start, targets=targets, rules=WalkRules())
    swapped = find_walks(land, start=start, targets=targets[::-1], rules=WalkRules())
    assert there == swapped[::-1]


def test_no_step_slips_through_a_wall_of_one_cell():
    # A wall that runs diagonally, cells touching only at corners: the classic leak.
    role = np.full((60, 60), CoverRole.GRASS, dtype=np.int8)
    np.fill_diagonal(role, CoverRole.WATER)
    land = flat_land(role=role)
    net = build_net(land, ways_of(land), points=[(150, 150)], rules=WalkRules())
    steps = all_steps(net)
    assert steps.tail.size > 16 * 40 * 40
    rows, cols = np.divmod(np.stack([steps.tail, steps.head]), net.grid.n_cols)
    side = np.sign(rows - cols)
    assert (side[0] == side[1]).all()


def test_every_step_has_its_way_back():
    land = fake_land()
    net = build_net(land, ways_of(land), points=[(540300, 4820300)], rules=WalkRules())
    steps = all_steps(net)
    pairs = set(zip(steps.tail.tolist(), steps.head.tolist(), strict=True))
    assert {(head, tail) for tail, head in pairs} == pairs
    cost = step_cost_s(net, steps, ways=ways_of(land), rules=WalkRules())
    assert np.isfinite(cost).all()
    assert (cost > 0).all()


def test_spot_far_from_any_free_cell_has_no_walk():
    role = np.full((60, 60), CoverRole.GRASS, dtype=np.int8)
    role[:, 30:] = CoverRole.WATER
    land = flat_land(role=role)
    assert one(land, (52.5, 152.5), (252.5, 152.5)) is None
    net = build_net(land, ways_of(land), points=[(150, 150)], rules=WalkRules())
    assert nearest_cell(net, (252.5, 152.5), usable=net.free) is None


@pytest.mark.parametrize(
    ("climb_m", "error_m", "said", "in_table"),
    [(12.4, 0.2, "12 m (39 ft)", 12), (11.0, 3.0, "", 0), (47.0, 3.0, "about 50 m", 50)],
)
def test_a_climb_is_no_finer_than_its_elevations(climb_m, error_m, said, in_table):
    """Issue 14: a climb was given to the metre from elevations in cells of 82 m."""
    found = climb_words(climb_m, error_m)
    assert found.startswith(said)
    assert bool(found) == bool(said)
    assert round(climb_known_m(climb_m, error_m)) == in_table
