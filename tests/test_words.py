"""Sentences of a spot: lengths that agree, what leads a card, names, one sentence to a file."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point

from siting.commands import summary
from siting.lengths import NO_BREAK, length, percent, points, whole_minutes
from siting.report.page.layers import layers_data
from siting.report.shared.facts import spot_facts
from siting.spot_parts import PlaceStability
from siting.types import CoverRole, Feature, Note
from siting.words.notes import layers_together
from siting.words.spot.doubt import stability_words, surer_below
from siting.words.spot.names import full_name, kind_name, short_name
from siting.words.spot.reasons import field_checks, pulled_down, why
from siting.words.spot.spots import bearing_to
from tests.fake_result import fake_result, with_details

MEASURES = {
    "distance_to_trail_m": 4.0,
    "distance_to_feature_m": 9.0,
    "funnel_ratio": 1.44,
}


@given(st.floats(0, 999.4))
def test_the_same_metres_never_stand_beside_other_feet(metres):
    shown, feet = re.fullmatch(r"(\d+) m \((\d+) ft\)", length(metres)).groups()
    # 1 ft is 0.3048 m exactly (international yard and pound agreement, 1959).
    exact = int(shown) / 0.3048
    assert abs(int(feet) - exact) <= (5.0 if metres >= 50 else 0.5) + 1e-9


def test_lengths_by_hand():
    assert {length(metres) for metres in (9.6, 9.9, 10.4)} == {"10 m (33 ft)"}
    assert length(128.0) == "130 m (430 ft)"
    assert length(1449.0) == "1.4 km (0.9 mi)"


def test_shares_points_and_minutes_have_one_form():
    assert percent(0.748) == f"75{NO_BREAK}%"
    assert points(0.935) == round(93.5)
    assert [whole_minutes(m) for m in (0.0, 5.0, 5.01)] == [1, 5, 6]
    told = pulled_down({"view": 0.4}, {"clear_share": 0.57}, radius_m=15.0)
    assert told == (f"Plants may block the view: about 57{NO_BREAK}% of it is likely to be clear.",)


def test_the_shape_of_the_land_never_leads():
    parts = {"feature": 1.0, "trail": 0.9, "funnel": 0.8}
    weights = {"feature": 1.0, "trail": 0.6, "funnel": 0.5}
    said = why(parts, weights, MEASURES, radius_m=3.0)
    assert said[0] == "A game trail or quiet path about 4 m (13 ft) away."
    assert "By our model, animals that cross the land pass here 1.4 times as often" in said[1]
    assert said[2].startswith("The shape of the land may lead animals past a place")
    assert len(why(parts, weights, MEASURES, radius_m=3.0, named=True)) == 2  # the name says it
    only = why({"feature": 1.0}, weights, MEASURES, radius_m=3.0, named=True)
    assert len(only) == 1  # nothing else speaks for it


@pytest.mark.parametrize(
    ("bearing", "words"), [(None, "away"), (2.0, "to the north"), (224.0, "to the south-west")]
)
def test_why_tells_the_way_to_the_trail_where_it_is_known(bearing, words):
    way = {"distance_to_trail_m": bearing, "distance_to_water_m": 90.0}
    said = why({"trail": 0.9}, {"trail": 1.0}, MEASURES, radius_m=3.0, bearings_deg=way)
    assert said == (f"A game trail or quiet path about 4 m (13 ft) {words}.",)


def test_what_is_nearer_than_the_maps_can_tell_is_close_by():
    """Field test A7: "Water 21 m" stood beside "look within 70 m"."""
    measures = {"distance_to_water_m": 21.0}
    said = {
        radius: why({"water": 1.0}, {"water": 1.0}, measures, radius_m=radius)[0]
        for radius in (5.0, 15.0, 25.0, 70.0)
    }
    assert said == {
        5.0: "Water about 21 m (69 ft) away.",
        15.0: "Water about 20 m (70 ft) away.",
        25.0: "Water close by.",
        70.0: "Water somewhere within about 70 m (230 ft).",
    }


@pytest.mark.parametrize(
    ("kind", "radius_m", "cover_cell_m", "title", "short"),
    [
        ("water", 20.0, 10.0, "Beside water", "01 Beside water N"),
        ("water", 80.0, 10.0, "Water within about 80 m (260 ft)", "01 Water N"),
        ("edge", 30.0, 100.0, "Forest-field edge within about 100 m (330 ft)",
         "01 Forest-field edge N"),
        ("valley", 80.0, 10.0, "Valley line within about 80 m (260 ft), may be dry",
         "01 Valley line, may be dry N"),
        # What is no distance has no error of one.
        ("funnel", 80.0, 100.0, "Narrow passage by our model",
         "01 Narrow passage by our N"),
    ],
)  # fmt: skip
def test_a_title_is_no_surer_than_its_reason(kind, radius_m, cover_cell_m, title, short):
    """ "Beside water" stood above "Water somewhere within about 70 m"."""
    result = fake_result()
    spot = replace(
        result.spots[0],
        kind=kind, name="", place=None, search_radius_m=radius_m, stability=None,
        northing=result.land.parcel_shape.bounds[3] - 5.0,
        measures={"distance_to_water_m": 12.0, "distance_to_edge_m": 12.0, "funnel_ratio": 2.0,
                  "distance_to_quiet_valley_m": 12.0},
    )  # fmt: skip
    land = replace(result.land, cover_cell_m=cover_cell_m)
    place = kind_name(land, spot)
    assert full_name(place) == f"{title}, in the north of the land"
    assert short_name("01", place) == short


def test_an_edge_is_no_nearer_than_the_squares_it_was_mapped_in():
    """Cover in squares of 100 m: "The edge between forest and field close by." was too much."""
    measures = {"distance_to_edge_m": 59.0, "distance_to_water_m": 20.0}

    def said(name, cover_cell_m):
        return why({name: 1.0}, {name: 1.0}, measures, radius_m=30.0, cover_cell_m=cover_cell_m)[0]

    far = "The edge between forest and field somewhere within about 100 m (330 ft)."
    assert said("edge", 100.0) == far
    assert said("edge", 10.0).endswith("about 60 m (200 ft) away.")
    # A stream was drawn; the cover has nothing to do with it.
    assert said("water", 100.0) == "Water close by."


def test_a_flood_caution_has_its_line_among_what_to_check():
    """A card warned of floods and said "look for flood marks", and its list did not."""

    def asked(**known):
        found = field_checks(
            role=CoverRole.PASTURE, measures={"distance_to_water_m": 90.0}, dem_cell_m=30.0,
            search_radius=30.0, error_m=30.0, **known,
        )  # fmt: skip
        return any("flood marks" in line for line in found)

    assert asked(flood=True)
    assert not asked()


def test_two_spots_of_one_name_are_told_apart(tmp_path):
    """Four of five were "Edge of brush or reeds", two of them on the same side."""
    result = fake_result()
    spots = [replace(s, place=None, name="", kind="edge") for s in result.spots[:2]]
    spots[0] = replace(spots[0], easting=540130.0, northing=4820250.0)
    spots[1] = replace(spots[1], easting=540130.0, northing=4820340.0)
    first, second = spot_facts(replace(result, spots=tuple(spots)))
    assert second.title == f"{first.title}, about 90 m (300 ft) to the north of spot 1"
    # The terminal showed the reason alone, five times the same.
    said = summary(replace(result, spots=tuple(spots)), tmp_path / "map.html").splitlines()
    assert said[2].endswith(f"{second.title}. {second.why[0]}")


def test_a_less_sure_place_above_a_surer_one_says_why():
    """A list read fair, fair, firm, firm from the top, like a mistake."""
    sure = PlaceStability(0.5, 0.8, 5, 300, "fair")
    spots = [
        replace(s, stability=replace(sure, word=word))
        for s, word in zip(fake_result().spots, ("fair", "fair", "firm", "firm"), strict=True)
    ]
    assert [surer_below(spot, spots) for spot in spots] == [[3, 4], [3, 4], [], []]
    assert "spots 3 and 4 below are surer" in stability_words(sure, surer=[3, 4])
    assert "spot 3 below is surer" in stability_words(sure, surer=[3])
    assert "The list goes" not in stability_words(sure)


def test_a_trail_of_unknown_use_is_said_first_and_both_ways():
    """Field test A3: public walking paths at 1 to 13 m gave 92 points, "firm", without a word."""
    parts, weights = {"trail": 0.6, "water": 1.0}, {"trail": 0.6, "water": 0.9}
    measures = {"distance_to_trail_m": 20.0, "distance_to_water_m": 20.0}
    quiet = why(parts, weights, measures, radius_m=5.0)
    assert quiet[0].startswith("Water")
    assumed = why(parts, weights, measures | {"distance_to_unsure_trail_m": 20.0}, radius_m=5.0)
    assert "We do not know who uses it" in assumed[0]
    assert "many people" in assumed[0]
    assert "quiet" not in " ".join(assumed)


@pytest.mark.parametrize("bearing", [0.0, 37.0, 90.0, 135.0, 180.0, 251.0, 270.0, 359.0])
def test_the_way_to_a_thing_is_that_in_which_its_distance_falls(bearing):
    east, north = 60 * np.sin(np.radians(bearing)), 60 * np.cos(np.radians(bearing))
    row, col = np.mgrid[0:5, 0:5]
    distance = np.hypot((col - 2) * 5.0 - east, (2 - row) * 5.0 - north)
    found = bearing_to(distance, (2, 2), cell_size_m=5.0)
    # Differences over 10 m of a circle of 60 m: 5/60 to the third is a twentieth of a degree.
    assert abs((found - bearing + 180.0) % 360.0 - 180.0) < 0.2


def test_no_way_is_told_between_two_things_at_the_rim_or_beside_the_unknown():
    between = np.abs(np.abs(np.arange(-4.0, 5.0)) - 4.0)[None].repeat(9, axis=0) * 5.0
    assert bearing_to(between, (4, 4), cell_size_m=5.0) is None
    assert bearing_to(between, (4, 2), cell_size_m=5.0) == 270.0
    assert bearing_to(between, (0, 2), cell_size_m=5.0) is None
    between[3, 2] = np.inf
    assert bearing_to(between, (4, 2), cell_size_m=5.0) is None


@pytest.mark.parametrize(
    ("name", "title"),
    [
        ("", "Stream crossing, near the middle of the land"),
        ("lower gap by the oak", "lower gap by the oak"),
    ],
)
def test_a_kind_has_a_capital_and_a_given_name_stays(name, title):
    base = fake_result()
    changed = replace(base, spots=(replace(base.spots[0], name=name),))
    assert spot_facts(changed)[0].title == title


def test_ask_calls_things_by_their_short_names():
    base = with_details(fake_result())
    spot = base.spots[0]
    found = Feature("saddle", spot.easting, spot.northing, 1.0, "saddle between two knolls")
    rows = layers_data(replace(base, features=(found,)), grid=base.land.grid)
    short = {row["key"]: row["short"] for row in rows}
    assert short["features"] == "Feature"
    assert all("tap to" not in words for words in short.values())


def test_empty_layers_of_a_file_are_one_sentence():
    def empty(file, name):
        return Note("W-LAYER-01", "warning", "", {"file": file, "layer": name})

    other = Note("W-COARSE-01", "warning", "The land cover is coarse.")
    told = layers_together(
        [empty("a.gpkg", "roads"), other, empty("a.gpkg", "feeders"), empty("b.shp", "trails")]
    )
    assert [note.text for note in told] == [
        "a.gpkg (roads, feeders) has nothing on or around this land.",
        other.text,
        "b.shp (trails) has nothing on or around this land.",
    ]


def test_land_without_a_tree_has_words_for_it():
    """A layer with nothing in it lies at an infinite distance, which is no length to print."""
    said = pulled_down({"strap": 0.3}, {"distance_to_tree_m": float("inf")}, radius_m=15.0)
    assert said == ("The maps show no trees here or anywhere around: bring a post.",)
    some = pulled_down({"strap": 0.3}, {"distance_to_tree_m": 60.0}, radius_m=15.0)
    assert some[0].startswith("The nearest trees")


def test_a_terminal_gets_plain_spaces():
    from siting.commands import _plain

    assert _plain(f"85{NO_BREAK}% of it\x1b[2J\n") == "85 % of it\ufffd[2J\n"


def test_a_reason_is_measured_to_the_thing_that_counted():
    """A faint landform close by counts a little; the next plain one may lie far off."""
    weights = {"feature": 0.14, "water": 0.26}
    measures = {"felt_feature_m": 20.4, "distance_to_feature_m": 260.0, "distance_to_water_m": 10.0}
    said = why({"feature": 0.55, "water": 1.0}, weights, measures, radius_m=30.0)
    assert said == ("Water close by.",)
    near = measures | {"distance_to_feature_m": 12.0}
    assert len(why({"feature": 0.55, "water": 1.0}, weights, near, radius_m=30.0)) == 2


@pytest.mark.parametrize(
    ("held", "measures", "words"),
    [
        ({"funnel": 0.1}, {"funnel_ratio": 1.16}, "On these maps this place does not stand out"),
        (
            {"funnel": 0.5},
            {"funnel_ratio": 1.4},
            "pass here 1.4 times as often as nearby",
        ),
        ({"water": 0.2}, {"distance_to_water_m": 80.0}, "Water about 80 m"),
        (
            {"water": 0.0},
            {"distance_to_water_m": 400.0},
            "On these maps this place does not stand out",
        ),
    ],
)
def test_a_faint_passage_is_no_reason_and_nothing_is_praised(held, measures, words):
    said = why(held, {"funnel": 0.1, "water": 0.26}, measures, radius_m=15.0)
    assert len(said) == 1
    assert words in said[0]
    assert "good" not in said[0]


def test_the_map_s_trees_are_not_all_trees():
    said = pulled_down({"strap": 0.0}, {"distance_to_tree_m": 320.0}, radius_m=30.0)
    assert said[0].startswith("The nearest trees on the map are about 320 m")
    assert "look for a single one" in said[0]


def test_an_area_has_its_acres_in_plain_words():
    from siting.spot_parts import Extent
    from siting.words.spot.extents import extent_words

    def words(area_m2):
        return extent_words(Extent("area", Point(), 0.0, area_m2, "", Point()), radius_m=30.0)

    assert "0.3 ha (0.7 acres)" in words(3000.0)
    assert "0.4 ha (1 acre)" in words(4000.0)
    assert "2.7 ha (7 acres)" in words(27_000.0)
