"""Cautions: which apply where, and that each defers to a local rule and claims nothing."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from shapely import LineString

from siting.settings.protocol import CautionRules, VisitRules, WalkRules
from siting.types import CoverRole
from siting.walk.route import find_start, find_walks
from siting.words.cautions import (
    FIRST,
    GENERAL,
    Nearby,
    all_cautions,
    nearby,
    parcel_cautions,
    spot_cautions,
    texts,
)
from siting.words.mapped import mapped
from siting.words.office.service_interval import visit_plan
from tests.fake_result import CRS, fake_land, frame

# A caution hands over to somebody who knows: one of these must be in it.
DEFERS = (
    "local ",
    "ask the ",
    "ask that owner",
    "health authority",
    "weather service",
    "owner's",
    "your organisation's rules",
    "licensed",
    "if in doubt",
)
# No sentence may claim any of this.
CLAIMS = re.compile(
    r"\b(safe|safely|safety|legal|legally|lawful|allowed|permitted|harmless)\b", re.I
)


def topics(cautions):
    return [caution.topic for caution in cautions]


@pytest.mark.parametrize("caution", all_cautions(), ids=lambda c: c.topic)
def test_every_caution_defers_and_claims_nothing(caution):
    assert any(phrase in caution.text.lower() for phrase in DEFERS), caution.text
    assert not CLAIMS.search(caution.text), caution.text
    assert caution.text.endswith(".")


def test_the_standing_sentence_defers():
    assert "Local law" in FIRST
    assert "if in doubt, do not go" in FIRST
    assert not CLAIMS.search(FIRST)


def test_the_wording_test_can_fail():
    assert CLAIMS.search("This slope is safe.")
    assert not any(phrase in "wear bright orange." for phrase in DEFERS)


def test_always_there():
    always = topics(parcel_cautions([]))
    assert always == [
        "permission",
        "hunting",
        "animals",
        "alone",
        "weather",
        "tools",
        "trees",
        "people",
        "bait",
    ]


@pytest.mark.parametrize("role", list(CoverRole))
def test_ticks_where_plants_grow(role):
    plants = {"TREE", "SHRUB", "GRASS", "PASTURE", "WETLAND", "PARK", "ORCHARD", "UNKNOWN"}
    assert ("ticks" in topics(parcel_cautions([role]))) == (role.name in plants)


def test_nothing_near_adds_nothing():
    assert spot_cautions(Nearby(), rules=CautionRules()) == ()


@pytest.mark.parametrize(
    ("field", "inside", "outside", "topic"),
    [
        ("tree_m", 10.1, 10.0, "post"),
        ("water_m", 30.0, 30.1, "water"),
        ("livestock_m", 100.0, 100.1, "livestock"),
        ("boundary_m", 30.0, 30.1, "boundary"),
        ("road_m", 100.0, 100.1, "road"),
        ("people_m", 100.0, 100.1, "people"),
        ("slope_deg", 15.0, 14.9, "steep"),
        ("walk_slope_deg", 15.0, 14.9, "steep"),
        ("crossings", 1, 0, "crossing"),
        ("outside_m", 5.0, 0.0, "neighbour"),
    ],
)
def test_each_caution_at_its_limit(field, inside, outside, topic):
    rules = CautionRules()
    assert topics(spot_cautions(Nearby(**{field: inside}), rules=rules)) == [topic]
    assert spot_cautions(Nearby(**{field: outside}), rules=rules) == ()


def test_a_crossing_beside_water_is_one_sentence():
    both = spot_cautions(Nearby(crossings=1, water_m=5.0), rules=CautionRules())
    assert topics(both) == ["crossing_water"]
    assert "Cross only on a dry, firm bridge, log or stones, never through water" in both[0].text
    assert "choose another spot" in both[0].text


def test_what_belongs_to_a_spot_is_not_general():
    own = spot_cautions(
        Nearby(
            water_m=1.0, livestock_m=1.0, boundary_m=1.0, road_m=1.0, slope_deg=40.0, crossings=2,
            outside_m=9.0,
        ),
        rules=CautionRules(),
    )  # fmt: skip
    assert len(own) == 6
    assert not GENERAL & set(texts(own))
    assert set(texts(parcel_cautions([CoverRole.TREE]))) == GENERAL


def test_distances_to_the_true_shapes():
    # The layers of the invented parcel: brook x = 300..310, pasture from x = 400, road y = 60.
    land = fake_land()
    near = nearby(mapped(land), place=(540380, 4820400), slope_deg=4.0)
    assert near.livestock_m == pytest.approx(20.0)
    assert near.road_m == pytest.approx(340.0)
    assert near.boundary_m == pytest.approx(100.0)
    assert near.people_m == pytest.approx(math.hypot(40, 275))
    # Distance to the line from (300, 600) to (310, 300), by hand.
    assert near.water_m == pytest.approx((80 * 300 - 200 * 10) / math.hypot(10, 300))
    assert (near.slope_deg, near.crossings, near.outside_m) == (4.0, 0, 0.0)


def test_layers_that_were_not_given_are_far_away():
    land = mapped(fake_land(vectors={"trails": frame(crs=CRS)}))
    near = nearby(land, place=(540380, 4820400))
    assert (near.water_m, near.livestock_m, near.road_m, near.people_m) == (math.inf,) * 4


def test_only_busy_trails_bring_people():
    line = LineString([(540380, 4820300), (540380, 4820500)])
    for use, metres in (("busy", 10.0), ("game", math.inf)):
        land = fake_land(vectors={"trails": frame(line, use=[use])})
        assert nearby(mapped(land), place=(540390, 4820400)).people_m == metres


def test_unknown_slope_counts_as_steep():
    near = nearby(mapped(fake_land(vectors={})), place=(540300, 4820300), slope_deg=math.nan)
    assert topics(spot_cautions(near, rules=CautionRules())) == ["steep"]


def test_a_valley_line_is_no_water_but_has_its_own_caution():
    """Field test A1: what is worked out from the elevations is never called water."""
    stream = LineString([(540380, 4820300), (540380, 4820500)])
    near = nearby(mapped(fake_land(vectors={}), [stream]), place=(540390, 4820400))
    assert near.water_m == math.inf
    assert near.valley_m == 10.0
    (caution,) = spot_cautions(near, rules=CautionRules())
    assert caution.topic == "valley"
    assert "not mapped" in caution.text


def test_the_walk_adds_its_own():
    land = fake_land()
    start = find_start(land, toward=(540442.5, 4820297.5))
    walk = find_walks(land, start=start, targets=[(540442.5, 4820297.5)], rules=WalkRules())[0]
    near = nearby(mapped(land), place=(540442.5, 4820297.5), walk=walk)
    assert near.crossings == walk.known_crossings + walk.unknown_crossings == 1
    assert near.walk_slope_deg == walk.steepest_deg


def test_texts_are_the_sentences():
    assert texts(parcel_cautions([]))[0].startswith("Permission: the boundary")


def test_visit_plan_by_hand():
    # 50 x 2 = 100 pictures a day; 8000 MB / 4 MB = 2000 pictures = 20 days;
    # 1000 / 100 = 10 days of pictures and 40 days of waiting: 1 / (1/10 + 1/40) = 8 days.
    plan = visit_plan(
        VisitRules(
            triggers_per_day=50.0,
            pictures_per_trigger=2.0,
            picture_mb=4.0,
            card_gb=8.0,
            battery_pictures=1000.0,
            battery_days=40.0,
        )
    )
    assert plan.pictures_per_day == 100
    assert plan.card_pictures == 2000
    assert plan.days_to_full_card == 20
    assert plan.days_to_flat_battery == pytest.approx(8.0)
    assert plan.check_after_days == 8
    assert plan.sums == (
        "Pictures a day: 50 triggers × 2 pictures = 100.",
        "Card full: 8 GB ÷ 4 MB = 2,000 pictures; ÷ 100 a day = about 20 days.",
        (
            "Batteries flat: 1,000 pictures ÷ 100 a day = 10 days; waiting alone 40 days; "
            "both together about 8 days."
        ),
    )


def test_visit_is_never_later_than_usual_nor_less_than_a_day():
    assert visit_plan(VisitRules(pictures_per_trigger=3.0)).check_after_days == 14
    # Ten pictures a trigger, our default: 40 x 10 = 400 a day; 6,000 / 400 = 15 days of pictures
    # and 120 of waiting: 1 / (1/15 + 1/120) = 13.3 days, the earliest of all.
    assert visit_plan(VisitRules()).check_after_days == 13
    assert visit_plan(VisitRules(card_gb=0.1)).check_after_days == 1


def test_small_cards_as_the_guideline_counts():
    # Alberta Remote Camera Steering Committee 2024, 7.1.2: 8,000-20,000 images on 4 GB,
    # that is 0.2 to 0.5 MB an image.
    for picture_mb, images in ((0.5, 8000), (0.2, 20000)):
        plan = visit_plan(VisitRules(card_gb=4.0, picture_mb=picture_mb))
        assert plan.card_pictures == pytest.approx(images)


def test_a_walk_along_a_road_is_told_of_traffic():
    """The road of the invented parcel runs at y = 60 m; a drive is no road with traffic."""
    road = LineString([(540000, 4820060), (540600, 4820060)])
    along = LineString([(540020, 4820062), (540200, 4820062), (540200, 4820300)])
    across = LineString([(540200, 4820060), (540200, 4820300)])
    start = find_start(fake_land(), toward=(540200, 4820300))
    rules = WalkRules()
    for kind, line, told in (
        ("major", along, True),
        ("minor", along, True),
        ("minor", across, False),
        ("track", along, False),
    ):
        land = fake_land(vectors={"roads": frame(road, **{"class": [kind]})})
        (walk,) = find_walks(fake_land(), start=start, targets=[(540200, 4820300)], rules=rules)
        near = nearby(mapped(land), place=(540200, 4820300), walk=replace(walk, line=line))
        assert ("road" in topics(spot_cautions(near, rules=CautionRules()))) is told, kind
