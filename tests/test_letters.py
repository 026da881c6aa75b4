"""What limits a parcel most, in words that can go into a letter."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from siting.batch.jobs import firm_count, parcel_row
from siting.criteria import attractors, conditions
from siting.settings.protocol import Protocol
from siting.spot_parts import PlaceName, PlaceStability
from siting.types import NoGo, Spot
from siting.words.office.letters import closed_shares, letter_sentence, limit_of, problems, where
from siting.words.spot.names import full_name, ground_name, letter_name
from siting.words.spot.no_go import REASONS
from tests.fake_result import FIRM, fake_result, fake_spot, frame

RULES = Protocol().no_go
SCANT = 0.05


def with_closed(result, reason: NoGo, share: float, *, spots=()):
    """The result with this share of the parcel's cells closed for one reason."""
    no_go = np.where(result.no_go & NoGo.OUTSIDE, NoGo.OUTSIDE, 0).astype(np.uint16)
    inside = np.argwhere(no_go == 0)
    for row, col in inside[: round(share * len(inside))]:
        no_go[row, col] = reason
    return replace(result, no_go=no_go, spots=tuple(spots), usable_share=1.0 - share)


@pytest.fixture
def result():
    return fake_result()


@pytest.mark.parametrize(
    ("share", "words"),
    [(1.0, "nearly all"), (0.91, "nearly all"), (0.7, "most"), (0.52, "about half")],
)
def test_how_much_in_words(result, share, words):
    limit = limit_of(with_closed(result, NoGo.STEEP, share), rules=RULES)
    assert limit.words == f"{words} of it is steeper than 20 degrees"
    assert limit.problem == "steep"
    assert limit.share == pytest.approx(share, abs=0.001)


@pytest.mark.parametrize("reason", [r for r in NoGo if r is not NoGo.OUTSIDE])
def test_every_reason_has_words_and_a_name(result, reason):
    limit = limit_of(with_closed(result, reason, 0.95), rules=RULES)
    assert limit.words.startswith("nearly all of it ")
    assert limit.problem in problems()
    assert reason in REASONS


def test_the_road_that_takes_most_is_named(result):
    """A major road (100 m) along the south side against a track (10 m) through the middle."""
    from shapely import LineString

    roads = frame(
        LineString([(540000, 4820110), (540600, 4820110)]),
        LineString([(540000, 4820300), (540600, 4820300)]),
        **{"class": ["major", "track"]},
    )
    land = replace(result.land, vectors={**result.land.vectors, "roads": roads})
    closed = with_closed(replace(result, land=land), NoGo.ROAD, 0.95)
    assert limit_of(closed, rules=RULES).words == (
        "nearly all of it lies within 100 m (330 ft) of a major road"
    )
    only_track = replace(land, vectors={**land.vectors, "roads": roads.iloc[[1]]})
    closed = with_closed(replace(result, land=only_track), NoGo.ROAD, 0.95)
    assert limit_of(closed, rules=RULES).words.endswith("10 m (33 ft) of a drive or track")


def test_shares_are_of_the_parcel_alone():
    """By hand: four cells inside, one of them with two reasons."""
    no_go = np.array([[1, 8, 8 + 256], [0, 0, 1 + 8]], dtype=np.uint16)
    assert closed_shares(no_go) == {NoGo.WATER: 0.5, NoGo.STEEP: 0.25}


def test_a_good_parcel_has_no_problem(result):
    best = replace(fake_spot(1, land=result.land), score=1.5, attraction=1.6)
    limit = limit_of(with_closed(result, NoGo.WATER, 0.1, spots=[best]), rules=RULES)
    assert limit.problem == "none"
    assert limit.words.startswith("a little of it is water")


@pytest.mark.parametrize("weak", list(conditions()))
def test_the_weakest_condition_is_told(result, weak):
    parts = {**dict.fromkeys(conditions(), 0.9), "trail": 0.9, weak: 0.2}
    best = replace(fake_spot(1, land=result.land), score=0.6, attraction=1.6, memberships=parts)
    assert limit_of(with_closed(result, NoGo.WATER, 0.1, spots=[best]), rules=RULES).problem == weak


def test_little_that_draws_animals(result):
    best = replace(fake_spot(1, land=result.land), score=0.3, attraction=0.1)
    limit = limit_of(with_closed(result, NoGo.WATER, 0.1, spots=[best]), rules=RULES)
    assert (limit.problem, limit.words) == (
        "few_draws",
        "little on it is known to draw animals",
    )


def sentence(result, spots: list[Spot], *, closed=0.1, firm=None) -> str:
    changed = with_closed(result, NoGo.LIVESTOCK, closed, spots=spots)
    return letter_sentence(
        changed, limit=limit_of(changed, rules=RULES), firm=firm, scant_share=SCANT
    )


def test_nothing_suits_well_where_no_road_or_house_was_mapped(result):
    """Read line by line on real land: seven places "would suit a camera well", quiet not judged."""
    good = [replace(fake_spot(1, land=result.land), score=1.5, attraction=1.6)] * 2
    assert "how quiet" not in sentence(result, good)
    known = {n: v for n, v in result.land.vectors.items() if n not in ("roads", "buildings")}
    unknown = replace(result, land=replace(result.land, vectors=known))
    said = sentence(unknown, good)
    assert "well; how quiet it is there we do not know. The best is spot 1: " in said


def test_the_sentence_in_every_case(result):
    good = [
        replace(fake_spot(k, land=result.land), score=1.5 - k / 100, attraction=1.6)
        for k in (1, 2, 3)
    ]
    fair = [replace(s, score=1.0, attraction=1.05, memberships={}) for s in good]
    weak = [replace(s, score=0.3, attraction=0.2, memberships={}) for s in good]
    start = "Thank you for offering your land (Hollow farm): "
    assert sentence(result, good, firm=2) == start + (
        "the maps show 3 places that would suit a camera well, 2 of them firm choices. The best "
        "is spot 1: log over the brook."
    )
    assert ", one of them a firm choice. The best is spot 1: " in sentence(result, good, firm=1)
    assert sentence(result, good[:1], firm=1) == start + (
        "the maps show one place that would suit a camera well. The place is spot 1: log over the "
        "brook; there is no second place to go to, so no camera should go up before we have looked "
        "at the place with you."
    )
    assert sentence(result, fair) == start + (
        "the maps show 3 places where a camera could stand, though little on it is known to "
        "draw animals. The best is spot 1: log over the brook."
    )
    assert sentence(result, weak) == start + (
        "the maps show only 3 weak places for a camera, because little on it is known to "
        "draw animals. The best is spot 1: log over the brook."
    )
    assert sentence(result, [], closed=0.96) == start + (
        "from the maps, we would not put a camera there, because nearly all of it is a field "
        "with livestock or lies within 10 m (33 ft) of one; if you know a quiet place that the "
        "maps miss, please tell us."
    )


def test_no_sentence_claims_what_a_map_cannot_know(result):
    for spots in ([], [fake_spot(1, land=result.land)]):
        for closed in (0.0, 0.5, 1.0):
            said = sentence(result, spots, closed=closed).lower()
            assert not re.search(r"\b(safe|legal|allowed|guarantee|certain|will see)\b", said)
            assert said.count(". ") <= 1  # two sentences fit a letter
            assert said.endswith(".")


@pytest.mark.parametrize(
    ("name", "kind", "words"),
    [
        (PlaceName("Saddle between two knolls"), "funnel", "saddle between two knolls"),
        (
            PlaceName("Corner of the field", aside="10 m (33 ft) to the south"),
            "edge",
            "corner of the field",
        ),
        (
            PlaceName("Ford", "north", "1.2 km (0.7 mi) to the north-east"),
            "crossing",
            "ford, in the north of the land",
        ),
        (None, "edge", "where forest meets field"),
        (None, "unknown", "in the woods, near the middle of the land"),
    ],
)
def test_where_a_spot_is(result, name, kind, words):
    full = full_name(name) if name else ""
    spot = replace(fake_spot(1, land=result.land), name=full, place=name, kind=kind)
    assert where(spot, result.land) == words


def test_every_attractor_has_a_place_in_words(result):
    spot = fake_spot(1, land=result.land)
    for kind in attractors():
        plain = letter_name(ground_name(result.land, spot))
        assert where(replace(spot, name="", kind=kind), result.land) != plain


def test_toss_ups_and_lesser_places_are_not_praised_with_the_best(result):
    """Read on farms seen for the first time: "10 places that would suit a camera well", all
    toss-ups of 30 m maps; and 4 places of which one lay at 0.6 of plain ground."""
    good = replace(result.spots[0], score=1.4)
    lesser = replace(good, score=0.6)
    said = sentence(result, [good, lesser, lesser], firm=3)
    assert "one place that would suit a camera well (and 2 more where one could stand)" in said
    assert "3 of them" not in said
    tossed = replace(good, stability=PlaceStability(0.1, 0.2, 5, 300, "toss-up"))
    said = sentence(result, [tossed] * 4, firm=0)
    assert "4 places where a camera could stand, but cannot say which is best" in said
    assert "suit a camera well" not in said
    assert "One of them is spot 1: " in said
    assert "The best is spot 1: " not in said


def test_counting_firm_spots(result):
    spot = fake_spot(1, land=result.land)
    firm, fair = (
        replace(spot, stability=FIRM),
        replace(spot, stability=replace(FIRM, word="fair")),
    )
    assert firm_count((firm, fair, firm)) == 2
    assert firm_count((spot, spot)) is None
    assert firm_count(()) == 0


def test_a_row_is_plain_and_whole(result):
    import json

    row = parcel_row(result, Protocol())
    assert json.loads(json.dumps(row, allow_nan=False)) == row
    assert row["parcel_id"] == "P01"
    assert row["area_ha"] == 16.0  # a square of 400 m
    assert row["best_score"] == 0.8
    assert len(row["top"]) == row["spots"] == 4


def test_a_little_closed_ground_limits_nothing(result):
    good = replace(fake_spot(1, land=result.land), score=1.5, attraction=1.6)
    little = limit_of(with_closed(result, NoGo.STEEP, 0.08, spots=[good]), rules=RULES)
    assert (little.problem, little.words) == ("none", "nothing much")
    more = limit_of(with_closed(result, NoGo.STEEP, 0.12, spots=[good]), rules=RULES)
    assert more.words == "a little of it is steeper than 20 degrees"


def test_a_scant_parcel_is_told_in_its_letter(result):
    good = replace(fake_spot(1, land=result.land), score=1.5, attraction=1.6)
    for share, spots, told in ((0.97, [good] * 2, True), (0.94, [good] * 2, False),
                               (0.2, [good], True)):  # fmt: skip
        said = sentence(result, spots, closed=share)
        assert ("before we have looked at the place with you" in said) == told
    assert "there is no second place to go to" in said
