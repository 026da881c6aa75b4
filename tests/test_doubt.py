"""Where to begin: mapped reasons come before worked-out ones and trails that nobody knows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, Point

from siting.batch.jobs import parcel_row
from siting.batch.output.columns import PARCELS, ParcelRow
from siting.batch.rows import best_spot
from siting.ground.distance import cells_covered
from siting.ground.peopled import (
    animal_trails,
    away_from_people,
    people_note,
    quiet_ratio,
    through_parks,
    valley_layers,
)
from siting.notes import head_and_gaps
from siting.pipeline import site_land
from siting.read.vector.ruled_out import taken_with
from siting.scoring.stability import FAIR
from siting.settings.load import load_protocol
from siting.settings.protocol import Protocol
from siting.settings.protocol_field import DecisionRules
from siting.spot_parts import PlaceName, PlaceStability
from siting.types import CoverRole, Feature
from siting.words.office.letters import Limit, because_words, letter_sentence
from siting.words.spot.doubt import asked_index, begin_at, doubt_of, stability_words, start_words
from tests.fake_result import GRID, PARCEL, fake_land, fake_result, frame
from tests.map_result import fake_walk
from tests.web.node import run_module

WEIGHTS = {"water": np.log(1.3), "valley": np.log(1.1), "funnel": np.log(1.1), "feature": 0.1}
FORK = Feature("trail fork", 0.0, 0.0, 1.0, "fork of the trail")
SADDLE = Feature("saddle", 0.0, 0.0, 1.0, "saddle between two knolls")


def gully(role: int):
    """A straight gully through ground of one kind of cover, draining well over 10 ha."""
    row, col = np.mgrid[0 : GRID.n_rows, 0 : GRID.n_cols]
    height = 300.0 + 0.5 * np.abs(col - 60) + 0.1 * (120 - row)
    cover = np.full(GRID.shape, role, dtype=np.int8)
    return fake_land(height=height[::-1], vectors={}, role=cover)


@pytest.mark.parametrize(
    ("role", "plain"),
    [(CoverRole.PARK, True), (CoverRole.PASTURE, False)],
)
def test_what_was_worked_out_names_no_place_on_park_grass(role, plain, tmp_path):
    """A park of 6 ha from rasters alone: both places, "firm", were lawns beside a guessed line."""
    (tmp_path / "p.toml").write_text("[stability]\ndraws = 20\n")
    found = site_land(gully(role), load_protocol(tmp_path / "p.toml"))
    assert found.plain is plain
    assert ("A-PARK-01" in {note.code for note in found.notes}) is plain
    if plain:
        return
    for spot in found.spots:
        assert spot.doubt == "derived"
        assert spot.stability.word != "firm"
    assert "Nothing that is on a map speaks for spot 1" in start_words(found.spots) or (
        "cannot rank" in start_words(found.spots)
    )


def test_a_valley_line_through_a_park_still_warns_of_floods():
    """Only its draw is gone: water runs through a park as anywhere."""
    land = gully(CoverRole.PARK)
    line = LineString([(540300, 4820000), (540300, 4820600)])
    found = valley_layers([line], [line], land)
    assert found["distance_to_valley_m"].min() < 5.0
    assert np.isinf(found["distance_to_quiet_valley_m"]).all()
    half = land.role.copy()
    half[:60] = CoverRole.TREE
    quiet = valley_layers([line], [line], replace(land, role=half))["distance_to_quiet_valley_m"]
    assert quiet[20, 60] < 5.0
    assert np.isinf(quiet[58, 60])  # beside the park, within the error of the cover


def test_paths_through_a_wood_among_lawns_are_peoples():
    """Parks of 3 to 10 ha: forks of paths in a wood of 1 ha led the list, 6 and 9 m from them."""
    row, col = np.mgrid[0 : GRID.n_rows, 0 : GRID.n_cols]
    middle = (np.abs(row - GRID.n_rows // 2) < 12) & (np.abs(col - GRID.n_cols // 2) < 12)
    east, north = GRID.xy(GRID.n_rows // 2, GRID.n_cols // 2)
    path = LineString([(east - 40, north), (east + 40, north)])

    def drawing(around, use="unknown"):
        cover = np.where(middle, CoverRole.TREE, around).astype(np.int8)
        trails = frame(path)
        trails["use"] = use
        land = fake_land(vectors={"trails": trails}, role=cover)
        return len(animal_trails(land)), len(through_parks(land))

    assert drawing(CoverRole.PARK) == (0, 1)
    assert drawing(CoverRole.BUILT) == (0, 1)
    assert drawing(CoverRole.PASTURE) == (1, 0)
    assert drawing(CoverRole.PARK, use="quiet") == (1, 0)  # somebody has said who walks there


@pytest.mark.parametrize(("lawn", "told"), [(0.9, True), (0.6, True), (0.4, False)])
@pytest.mark.parametrize("kind", [CoverRole.PARK, CoverRole.BUILT])
def test_land_that_is_mostly_gardens_and_houses_says_so_first(lawn, told, kind):
    """10 ha, 86 % gardens and houses: "61 % open to a camera", and no word of people."""
    inside = cells_covered([PARCEL], grid=GRID)
    role = np.full(GRID.shape, CoverRole.TREE, dtype=np.int8)
    rows = np.flatnonzero(inside.any(axis=1))
    role[: rows[0] + round(lawn * rows.size)] = kind
    notes = people_note(fake_land(vectors={}, role=role))
    assert ("W-PEOPLE-01" in {note.code for note in notes}) == told
    if told:
        assert head_and_gaps(notes)[0][0].code == "W-PEOPLE-01"


def test_passages_and_saddles_on_the_ground_of_people_go_and_others_stay():
    land = gully(CoverRole.PARK)
    ratio = np.full(GRID.shape, 1.8, dtype=np.float32)
    assert (quiet_ratio(ratio, land) == 1.0).all()
    assert (quiet_ratio(ratio, gully(CoverRole.TREE)) == ratio).all()
    here = {"easting": 540300.0, "northing": 4820300.0}
    found = [replace(SADDLE, **here), replace(FORK, **here)]
    assert away_from_people(found, land) == found[1:]
    assert away_from_people(found, gully(CoverRole.GRASS)) == found


@pytest.mark.parametrize(
    ("parts", "feature", "measures", "doubt"),
    [
        ({"valley": 1.0, "funnel": 1.0}, None, {}, "derived"),
        ({"valley": 1.0, "water": 1.0}, None, {}, ""),
        ({"water": 0.3, "funnel": 1.0}, None, {}, "derived"),  # 1.08 of it is on a map
        ({"feature": 1.0}, SADDLE, {}, "derived"),
        ({"feature": 1.0}, FORK, {}, ""),
        ({"water": 1.0}, None, {"distance_to_unknown_trail_m": 74.0}, "use"),
        ({"water": 1.0}, None, {"distance_to_unknown_trail_m": 76.0}, ""),
    ],
)
def test_what_a_spot_depends_on(parts, feature, measures, doubt):
    found = doubt_of(parts, measures, feature, weights=WEIGHTS, protocol=Protocol())
    assert found == doubt


def test_a_doubt_is_said_beside_how_sure_it_is():
    sure = PlaceStability(0.7, 0.95, 5, 300, FAIR)
    assert "never called firm" not in stability_words(sure)
    assert "We do not know who uses the trail" in stability_words(sure, "use")
    assert "is on no map" in stability_words(sure, "derived")


def spots_by(*rows):
    """Spots of (index, doubt, word, lowest index of the trials, minutes on foot or None)."""
    one = fake_result().spots[0]
    out = []
    for n, (score, doubt, word, low, minutes) in enumerate(rows, start=1):
        sure = PlaceStability(0.5, 0.7, 5, 300, word, 15.0, low, score)
        spot = replace(one, rank=n, score=score, doubt=doubt, stability=sure, walk=None)
        walk = None if minutes is None else fake_walk(spot, minutes_there=minutes)
        out.append(replace(spot, walk=walk))
    return out


def test_an_unknown_trail_is_not_the_first_to_go_to_where_another_is_as_good():
    """A trail of unknown use, 1.4 times plain ground, led the list: "Go to spot 1 first"."""
    first, second = (1.4, "use", "fair", 1.0, None), (1.1, "", "fair", 0.9, None)
    said = start_words(spots_by(first, second))
    assert said.startswith("Start with spot 2. Spot 1 has the higher index, but we do not know who")
    # Beyond what the trials put in reach it would be the worse place.
    alone = start_words(spots_by(first, (0.9, "", "fair", 0.8, None)))
    assert alone.startswith("Find out first who uses the trail near spot 1")
    assert start_words(spots_by(second, first)) == "Start with spot 1."
    guessed = start_words(spots_by((1.4, "derived", "fair", 1.0, None)))
    assert guessed.startswith("Nothing that is on a map speaks for spot 1")


def test_of_toss_ups_one_without_an_open_question_is_begun_with():
    tossed = [(1.2, "use", "toss-up", 1.0, 3.0), (1.2, "", "toss-up", 1.0, 9.0)]
    said = start_words(spots_by(*tossed))
    assert said.endswith(
        "Start with spot 2: it has the shortest walk of those with no open question."
    )
    both = [(*row[:1], "use", *row[2:]) for row in tossed]
    assert start_words(spots_by(*both)).endswith("Start with spot 1: it has the shortest walk.")


def test_what_is_asked_for_is_what_the_sheet_begins_with():
    """The assignment took spot 1, the highest index; page and sheet said to begin elsewhere."""
    rng = np.random.default_rng(8)
    for _ in range(200):
        scores = np.sort(rng.choice([1.0, 1.1, 1.2, 1.4], size=rng.integers(1, 7)))[::-1]
        spots = spots_by(
            *(
                (
                    float(score),
                    str(rng.choice(["", "use", "derived"])),
                    str(rng.choice(["fair", "toss-up"])),
                    float(score - rng.choice([0.05, 0.2, 0.4, np.nan])),
                    None,
                )
                for score in scores
            )
        )
        asked = max(spots, key=lambda spot: asked_index(spot, spots))
        assert bool(asked.doubt) == bool(begin_at(spots).doubt)


def test_a_letter_names_the_spot_that_the_page_begins_with():
    """It called a trail of unknown use "the best", where the page sent to the stream first."""
    spots = spots_by((1.4, "use", "fair", 1.0, None), (1.3, "", "fair", 1.1, None))
    names = [PlaceName(text, "", "", "") for text in ("fork of the trail", "the stream")]
    spots = [replace(s, place=n) for s, n in zip(spots, names, strict=True)]
    result = replace(fake_result(), spots=tuple(spots))

    def said(result):
        limit = Limit("none", "nothing much", float("nan"))
        return letter_sentence(result, limit=limit, firm=None, scant_share=0.05)

    assert "The first to look at is spot 2: the stream" in said(result)
    assert "would suit a camera well" in said(result)
    # The table beside the letter gave the trail's place, index and heading.
    row = parcel_row(result, Protocol())
    assert (row["best_score"], best_spot(row)["spot"]) == (1.3, 2)
    best = {c.name: c.cell(ParcelRow(row, "", "")) for c in PARCELS if c.name.startswith("best_")}
    assert best["best_spot"] == 2
    assert best["best_score"] == 1.3
    assert best["best_lon_deg"] == round(spots[1].lon, 6)
    alone = said(replace(result, spots=(spots[0],)))
    asked = "though we do not know who uses the trail there: fork of the trail"
    assert f"The place is spot 1, {asked}" in alone
    assert "suit a camera well" not in alone
    # Where the office asks for it all the same, the desk's letter says so.
    assert because_words("animals use the trail", "use") == (
        "animals use the trail, though we do not know who uses the trail there"
    )
    assert because_words("animals use the trail", "") == "animals use the trail"
    assert because_words("", "use") == ""


def test_the_page_begins_where_the_sheet_does():
    """web/model/choice.js against words/spot/doubt.py, on lists drawn at random."""
    rng = np.random.default_rng(3)
    lists = []
    for _ in range(120):
        scores = np.sort(rng.choice([1.0, 1.1, 1.2, 1.4], size=rng.integers(1, 7)))[::-1]
        rows = [
            (
                float(score),
                str(rng.choice(["", "use", "derived"])),
                str(rng.choice(["fair", "toss-up"])),
                float(score - rng.choice([0.05, 0.2, 0.4])),
                float(rng.integers(1, 30)) if rng.random() < 0.7 else None,
            )
            for score in scores
        ]
        lists.append(spots_by(*rows))
    data = [
        [
            {
                "n": s.rank, "index": s.score, "tenths": round(10 * s.score), "doubt": s.doubt,
                "sure": s.stability.word, "low": s.stability.low, "plain": False,
                "walk": {"there_min": s.walk.minutes_there} if s.walk else None,
            }
            for s in spots
        ]
        for spots in lists
    ]  # fmt: skip
    body = "return data.map((spots) => m.beginAt(spots, { among: 5 }));"
    got = run_module("model/choice.js", body, data)
    for spots, found in zip(lists, got, strict=True):
        said, n = start_words(spots), found["spot"]["n"]
        assert ("cannot rank" in said) == (found["alike"] > 1)
        assert ("no open question" in said) == found["sure"]
        assert ("has the higher index" in said) == (found["passed"] is not None)
        if "Start with spot" in said:
            assert f"Start with spot {n}" in said


def test_people_on_a_trail_take_the_other_spots_on_it():
    """ "Go to spot 2 next" after people were met at spot 1 sent to the same trail, 200 m on."""
    trail = LineString([(0, 0), (500, 0)])
    vectors = {"trails": frame(trail, LineString([(0, 300), (500, 300)]))}
    spots = [Point(10, 5), Point(210, 20), Point(210, 45), Point(10, 290)]
    rules = DecisionRules()
    assert taken_with(spots[0], spots, vectors, rules) == [0, 1]
    assert taken_with(spots[2], spots, vectors, rules) == []  # no trail within reach of it
    assert taken_with(spots[3], spots, vectors, rules) == [3]
    assert taken_with(spots[0], spots, {}, rules) == []
    assert shapely.distance(trail, spots[1]) <= rules.people_m
