"""Features where mapped shapes meet, on drawings whose answer can be seen."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.grid import Grid
from siting.ground.shapes.feature_order import KINDS, apart, feature_for_spot, in_order
from siting.ground.shapes.features import (
    Named,
    called,
    forks,
    known_crossings,
    meetings,
    pond_ends,
    woods_edges,
)
from siting.types import CoverRole, Feature


def line(*points, called="the trail"):
    return Named(shapely.LineString(points), called)


def places(features):
    return [(f.easting, f.northing) for f in features]


def test_names_from_the_layer():
    assert called("Mill Brook", "brook", otherwise="stream") == "Mill Brook"
    assert called("  Old\n road ", "", otherwise="trail") == "Old road"
    assert called("", "Cart Track", otherwise="trail") == "the cart track"
    assert called("", "", otherwise="trail") == "the trail"


def test_trail_meets_brook():
    track = line((0, 0), (100, 0), called="the cart track")
    brook = line((40, -50), (40, 50), called="the brook")
    (crossing,) = meetings([track], [brook], kind="stream crossing")
    assert crossing == Feature(
        "stream crossing",
        40.0,
        0.0,
        1.0,
        "where the cart track meets the brook",
        "the cart track x the brook",
    )
    assert meetings([track], [line((0, 5), (100, 5))], kind="stream crossing") == []
    assert meetings([], [brook], kind="stream crossing") == []


def test_trail_along_the_brook_counts_by_the_ends_of_the_stretch():
    track = line((0, 20), (0, 0), (100, 0), (100, 20))
    brook = line((-50, 0), (150, 0))
    assert places(meetings([track], [brook], kind="stream crossing")) == [(0, 0), (100, 0)]


def test_meetings_nearer_than_the_spacing_are_one():
    zigzag = line((0, -1), (5, 1), (10, -1), (60, -1), (65, 1))
    found = meetings([zigzag], [line((-50, 0), (150, 0))], kind="stream crossing")
    assert len(found) == 2


def test_brook_enters_pond():
    pond = Named(shapely.box(0, 0, 50, 20), "the pond")
    brook = line((25, 100), (25, 10), called="the brook")
    found = meetings([brook], [pond], kind="inflow")
    assert places(found) == [(25, 20)]
    assert found[0].words == "where the brook meets the pond"


def test_forks_of_drawn_trails():
    main = line((0, 0), (200, 0), called="the cart track")
    joined = line((50, 0), (50, 80), called="the deer path")
    short_of_it = line((120, 5), (120, 80), called="the deer path")
    apart_from_it = line((160, 30), (160, 80), called="the deer path")
    found = forks([main, joined, short_of_it, apart_from_it])
    assert places(found) == [(50, 0), (120, 0)]
    assert found[0].words == "where the cart track meets the deer path"


def test_fork_of_one_trail_and_a_crossing():
    cross = [line((-50, 0), (50, 0)), line((0, -50), (0, 50))]
    (fork,) = forks(cross)
    assert (fork.easting, fork.northing) == (0, 0)
    assert fork.words == "fork of the trail"


def test_a_bend_and_a_continued_trail_are_no_forks():
    assert forks([line((0, 0), (50, 0), (50, 50))]) == []
    assert forks([line((0, 0), (50, 0)), line((50, 0), (100, 20))]) == []
    assert forks([line((0, 0), (50, 0)), line((53, 0), (100, 20))]) == []
    assert forks([]) == []


def test_junction_of_two_streams():
    brook = line((0, 0), (200, 0), called="Mill Brook")
    run = line((80, 90), (80, 0), called="the stream")
    (junction,) = forks([brook, run], kind="stream junction")
    assert (junction.kind, junction.easting, junction.northing) == ("stream junction", 80, 0)
    assert junction.words == "where Mill Brook meets the stream"


def test_ends_of_a_pond():
    pond = Named(shapely.affinity.scale(shapely.Point(500, 100).buffer(10), 5, 2), "the pond")
    east, west = sorted(pond_ends([pond], least_m2=100.0, most_m2=3e5), key=lambda f: -f.easting)
    assert (east.words, west.words) == ("east end of the pond", "west end of the pond")
    assert (east.easting, west.easting) == (550, 450)
    assert east.northing == pytest.approx(100, abs=1e-6)


@pytest.mark.parametrize(
    "shape",
    [shapely.Point(0, 0).buffer(30), shapely.box(0, 0, 9, 4), shapely.box(0, 0, 4000, 900)],
    ids=["round", "puddle", "lake"],
)
def test_ponds_without_ends(shape):
    assert pond_ends([Named(shape, "the pond")], least_m2=100.0, most_m2=3e5) == []


def test_trail_enters_the_woods():
    role = np.full((40, 60), int(CoverRole.CROP), dtype=np.int8)
    role[:, 30:] = CoverRole.TREE
    role[:, 45:47] = CoverRole.GRASS  # a gap of 20 m is no field
    grid = Grid("EPSG:32617", 1000, 2000, 10.0, 40, 60)
    trail = line((1000, 1800), (1590, 1800), called="the cart track")
    (entry,) = woods_edges([trail], role, kind="trail at woods edge", grid=grid)
    assert (entry.easting, entry.northing) == (1300, 1800)
    assert entry.words == "where the cart track enters the woods"
    off_the_map = line((-500, 1800), (-400, 1800))
    assert woods_edges([off_the_map], role, kind="trail at woods edge", grid=grid) == []


def test_known_crossings_keep_their_words():
    log = Named(shapely.Point(3, 4), "the fallen log")
    assert known_crossings([log]) == [Feature("known crossing", 3.0, 4.0, 1.0, "the fallen log")]


def test_one_thing_is_told_once():
    drawn = Feature("known crossing", 0, 0, 1.0, "the ford")
    computed = Feature("stream crossing", 15, 0, 1.0, "where the track meets the brook")
    other = Feature("stream crossing", 45, 0, 1.0, "where the path meets the brook")
    assert in_order([computed, drawn, other]) == (other, drawn)


def test_order_is_fixed_and_the_corner_of_a_point_goes():
    tip = Feature("woods point", 0, 0, 1.0, "")
    corner = Feature("woods corner", 30, 30, 1.0, "")
    far = Feature("woods corner", 300, 30, 1.0, "")
    crossing = Feature("stream crossing", 900, 900, 0.2, "")
    want = (crossing, tip, far)
    assert in_order([far, corner, tip, crossing]) == want
    assert in_order([tip, crossing, corner, far]) == want


def test_a_spot_serves_the_strongest_feature_for_its_distance():
    near = Feature("trail fork", 10, 0, 0.6, "near")
    strong = Feature("stream crossing", 20, 0, 1.0, "strong")
    features = in_order([near, strong])
    assert feature_for_spot(features, 0, 0, reach_m=40) is strong
    assert feature_for_spot(features, 0, 0, reach_m=15) is near
    assert feature_for_spot(features, 500, 0, reach_m=40) is None


spots = st.builds(
    Feature,
    kind=st.sampled_from(KINDS),
    easting=st.integers(0, 300).map(float),
    northing=st.integers(0, 300).map(float),
    strength=st.sampled_from([0.5, 0.8, 1.0]),
    words=st.just("w"),
)


@settings(deadline=None)
@given(st.lists(spots, max_size=15), st.randoms(use_true_random=False))
def test_order_does_not_depend_on_the_order_of_the_layers(features, random):
    shuffled = list(features)
    random.shuffle(shuffled)
    assert in_order(shuffled) == in_order(features)


@settings(deadline=None)
@given(st.lists(spots, max_size=15), st.floats(1, 200))
def test_features_kept_apart_are_apart_and_none_is_lost_without_a_neighbour(features, spacing):
    kept = apart(features, spacing_m=spacing)
    at = np.array(places(kept)).reshape(-1, 2)
    away = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    assert (away[~np.eye(len(at), dtype=bool)] >= spacing).all()
    for feature in features:
        gaps = np.hypot(*(at - [feature.easting, feature.northing]).T)
        assert gaps.min() < spacing


@settings(deadline=None, max_examples=50)
@given(st.permutations(range(4)), st.integers(0, 1))
def test_forks_do_not_depend_on_the_order_or_sense_of_drawing(order, flip):
    drawn = [
        [(0, 0), (200, 0)],
        [(50, 0), (50, 80)],
        [(120, 5), (120, 80)],
        [(150, -50), (150, 50)],
    ]
    trails = [line(*(drawn[k][::-1] if flip else drawn[k])) for k in order]
    assert sorted(places(forks(trails))) == [(50, 0), (120, 0), (150, 0)]
