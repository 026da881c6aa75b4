"""Land to which nothing mapped draws animals: areas to look over, and no place is named."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString

from siting.batch.jobs import options_of, parcel_row
from siting.batch.survey.assign import assign
from siting.batch.survey.assign_program import Option
from siting.commands import summary
from siting.notes import head_and_gaps
from siting.pipeline import site_land
from siting.report.files.deployments import deployments_csv
from siting.report.files.gpx import gpx
from siting.report.page.data import page_data
from siting.report.page.land_drawn import land_drawn
from siting.report.page.window import ground_window
from siting.report.paper.sheet import field_sheet
from siting.report.shared.facts import spot_facts
from siting.scoring.candidates import with_rivals, worth_listing
from siting.settings.inputs import SurveyInput
from siting.settings.load import load_protocol
from siting.settings.protocol import CandidateRules, Protocol
from siting.settings.protocol_assign import AssignRules
from siting.spot_parts import PlaceStability
from siting.types import Candidate, CoverRole, Scores
from siting.words.notes import nothing_known
from siting.words.office.letters import letter_sentence, limit_of
from siting.words.spot.doubt import begin_at, start_words
from siting.words.spot.reasons import NOTHING_DRAWS, NOTHING_KNOWN, PEOPLE_LIKELY
from tests.fake_result import GRID, fake_land, frame
from tests.map_result import fake_walk

QUICK = "[stability]\ndraws = 0\n"


def run(protocol: Protocol, *, woods: bool):
    """A level meadow; with `woods`, those begin along its western side."""
    role = np.full(GRID.shape, CoverRole.GRASS, dtype=np.int8)
    if woods:
        role[:, :30] = CoverRole.TREE
    level = np.full(GRID.shape, 300.0, dtype=np.float32)
    return site_land(fake_land(height=level, vectors={}, role=role), protocol)


@pytest.fixture(scope="module")
def protocol(tmp_path_factory):
    path = tmp_path_factory.mktemp("rules") / "protocol.toml"
    path.write_text(QUICK)
    return load_protocol(path)


@pytest.fixture(scope="module")
def meadow(protocol):
    return run(protocol, woods=False)


def test_where_something_draws_animals_plain_ground_is_not_listed(protocol):
    """Fifteen of the thirty misses on real land were bare fields below places with a reason."""
    found = run(protocol, woods=True)
    assert not found.plain
    assert 0 < len(found.spots) < 10
    for spot in found.spots:
        assert spot.attraction >= protocol.candidates.least_attraction
        assert spot.why != NOTHING_DRAWS
        assert spot.easting < 540150 + 75  # all along the edge, none in the open field


def test_a_bare_meadow_has_areas_and_no_place(meadow, protocol):
    assert meadow.plain
    assert 0 < len(meadow.spots) <= protocol.candidates.areas
    for spot in meadow.spots:
        assert spot.plain
        assert spot.why == NOTHING_DRAWS
        assert (spot.kind, spot.name, spot.stability) == ("", "", None)
        assert spot.extent.kind == "area"
        assert spot.extent.area_m2 > 5000
        assert spot.aim.span_deg == 45.0
    grounds = [spot.extent.ground for spot in meadow.spots]
    overlap = shapely.area(shapely.union_all(grounds))
    assert overlap == pytest.approx(sum(shapely.area(g) for g in grounds))


def test_the_warning_stands_first(meadow):
    head, _ = head_and_gaps(meadow.notes)
    assert head[0].code == "W-PLAIN-01"
    assert "so none is named" in head[0].text


def test_every_output_says_area_and_none_says_spot_1_first(meadow, protocol, tmp_path):
    facts = spot_facts(meadow)
    said = summary(meadow, tmp_path / "map.html")
    assert "no spot" in said.splitlines()[0]
    assert "times plain ground" not in said
    sheet = field_sheet(meadow, facts, protocol=protocol, survey=SurveyInput())
    assert "Start with spot 1" not in sheet
    assert "best first" not in sheet
    assert "Start with the area that is easiest to reach" in sheet
    assert "dashed circle" not in sheet
    cover = sheet[: sheet.index("<figcaption")]
    assert cover.count('class="search"') >= len(facts)  # "the marked areas" are marked
    places = gpx(meadow, facts)
    assert "Area to look over" in places
    assert "Spot 1:" not in places
    drawn = land_drawn(meadow.land, meadow.scores, meadow.no_go, window=ground_window(meadow))
    data = page_data(meadow, protocol=protocol, drawn=drawn)
    assert data["plain"]
    assert "no spot" in data["found"]
    assert all(spot["title"].startswith("Area to look over") for spot in data["spots"])
    json.dumps(data)


def test_a_planned_deployment_may_lie_anywhere_in_its_area(meadow, protocol):
    facts = spot_facts(meadow)
    text = deployments_csv(meadow, facts, survey=SurveyInput(), camera=protocol.camera)
    first = next(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))
    uncertain_m = int(first["coordinateUncertainty"])
    middle = shapely.Point(facts[0].spot.easting, facts[0].spot.northing)
    assert facts[0].spot.extent.ground.within(middle.buffer(uncertain_m + 1.0))


def test_the_letter_praises_no_place(meadow, protocol):
    limit = limit_of(meadow, rules=protocol.no_go)
    assert limit.problem == "few_draws"
    said = letter_sentence(meadow, limit=limit, firm=None, scant_share=0.05)
    assert "no place there stands out" in said
    # The same sentence stands in the letter that plans no camera this season.
    assert "we would like to look" not in said
    assert "best" not in said
    assert "suit" not in said


def option(parcel: str, cell: str, **known) -> Option:
    given = {"spot": 1, "lon": 10.0, "lat": 50.0, "score": 0.99, "kind": "other"}
    return Option(cell=cell, parcel=parcel, **(given | known))


def test_a_parcel_with_a_reason_comes_before_one_without():
    """Though the bare field has the higher index: nothing is wrong with it, no more."""
    bare = option("P01", "C1", plain=True)
    edge = option("P02", "C1", score=0.9, kind="edge")
    [choice] = assign([bare, edge], cells=["C1"], rules=AssignRules()).cells
    assert choice.chosen.parcel == "P02"
    assert NOTHING_KNOWN in choice.traded
    assert "priority" not in choice.traded
    assert choice.reserves[0].parcel == "P01"


def test_a_bare_parcel_is_proposed_with_a_word(meadow, protocol):
    row = parcel_row(meadow, protocol)
    [choice] = assign(options_of(row), cells=["C1"], rules=AssignRules()).cells
    assert NOTHING_KNOWN in choice.reason
    assert NOTHING_KNOWN in choice.because
    assert row["top"][0]["where"].startswith("an area to look over")


def test_the_sheet_claims_no_order_that_the_page_does_not(meadow):
    """Read line by line: "Start with spot 1" of ten toss-ups with one index, and of none."""
    tossed = PlaceStability(0.1, 0.3, 5, 300, "toss-up")
    one = replace(meadow.spots[0], plain=False, why=("Water close by.",), stability=tossed)
    firm = replace(one, stability=replace(tossed, word="firm"))
    other = replace(one, rank=2)
    far = replace(one, rank=6, score=0.1)  # beyond those that the trials asked about
    said = start_words([one, other, far])
    assert said.startswith("These maps cannot rank spots 1 to 2: any of them may be the best.")
    assert said.endswith("Start with the one that is easiest to reach.")
    # Toss-ups of other indexes: ten of them were led by "Go to spot 1 first, its index is highest".
    assert "spots 1 to 2" in start_words([one, replace(other, score=0.1), far])
    walks = [replace(s, walk=fake_walk(s, minutes_there=m)) for s, m in ((one, 9.0), (other, 4.0))]
    assert start_words(walks).endswith("Start with spot 2: it has the shortest walk.")
    assert start_words([firm, firm]) == "Start with spot 1."
    assert start_words([one]) == "Start with spot 1."
    assert start_words([]) == ""
    assert start_words(meadow.spots[:1]) == "There is one area to look over."


def test_of_areas_the_nearest_comes_first_whatever_their_index(meadow):
    """They have no order: letter, table and cell begin with the one that page and sheet name."""
    far, near = meadow.spots[0], replace(meadow.spots[1], score=0.1)
    areas = [replace(s, walk=fake_walk(s, minutes_there=m)) for s, m in ((far, 9.0), (near, 4.0))]
    assert start_words(areas) == f"Start with area {near.rank}: it has the shortest walk."
    assert begin_at(areas).rank == near.rank
    assert start_words([far, near]) == "Start with the area that is easiest to reach."


def test_a_short_list_is_tried_against_plain_ground(meadow):
    """Three places of half the index of plain ground were "firm": there were no others."""
    land, index = meadow.land, meadow.scores.total
    places = [Candidate(row, 60, *map(float, GRID.xy(row, 60)), 0.5, 0) for row in (40, 60)]
    tried = with_rivals(places, index, meadow.no_go == 0, land=land, spacing_m=60.0)
    assert tried[:2] == places
    assert len(tried) > 7
    many = places * 10
    assert with_rivals(many, index, meadow.no_go == 0, land=land, spacing_m=60.0) == many


def listable(attraction, total, boundary_m, **rules):
    """Where `worth_listing` lets a place be listed, on one row of ground open to a camera."""
    arrays = [np.array([values], dtype=np.float64) for values in (attraction, total, boundary_m)]
    scores = Scores({}, arrays[0], arrays[0], arrays[1], {})
    allowed = np.ones((1, len(attraction)), dtype=bool)
    kept = worth_listing(scores, allowed, arrays[2], rules=CandidateRules(**rules))
    return list(kept[0])


def test_half_of_a_weak_reason_is_no_place():
    """A passage alone, of 1.6 times the traffic by our model: nobody would go for that."""
    assert listable([1.06, 1.1, 1.3, 1.0], [0.7, 0.8, 0.8, 0.5], [99.0] * 4) == [
        False, True, True, False,
    ]  # fmt: skip


def test_a_reason_on_ground_so_poor_that_plain_ground_beats_it_is_no_place():
    """A brush edge on a slope of 16 degrees, and grass between houses, lay below plain ground."""
    plain = [1.0] * 20
    kept = listable([*plain, 1.15, 1.15], [*([0.55] * 19), 0.9, 0.64, 0.54], [99.0] * 22)
    assert kept == [False] * 20 + [True, False]


def test_places_keep_off_the_boundary_where_the_parcel_has_others():
    """Places 10 to 12 m from the fence were those that a field hand would think twice about."""
    assert listable([1.3, 1.3], [1.0, 0.9], [11.0, 16.0]) == [False, True]
    # A parcel with none farther inside is better served by one on its fence than by no place.
    assert listable([1.3, 1.3], [1.0, 0.9], [11.0, 12.0]) == [True, True]


BROOK = LineString([(540120, 4820600), (540180, 4820300), (540130, 4820000)])
PATH = LineString([(540100, 4820200), (540500, 4820220)])


def in_a_park(protocol: Protocol, *, woods: bool = False, use: str = "", crossing: bool = False):
    """A lawn along a brook; with `woods`, those grow about the brook's northern half."""
    role = np.full(GRID.shape, CoverRole.PARK, dtype=np.int8)
    if woods:
        role[:60, :45] = CoverRole.TREE
    vectors = {"water": frame(BROOK, kind=["brook"], name=[""])}
    if use:
        vectors["trails"] = frame(PATH, use=[use], kind=[""], name=[""])
    if crossing:
        vectors["crossings"] = frame(shapely.Point(540150, 4820150), kind=["log"], name=[""])
    level = np.full(GRID.shape, 300.0, dtype=np.float32)
    return site_land(fake_land(height=level, vectors=vectors, role=role), protocol)


def test_no_place_is_named_on_a_lawn_where_people_are_likely(protocol):
    """Five of six places of two parks were mown grass beside a stream, one of them 50 m off."""
    found = in_a_park(protocol)
    assert found.plain
    [head] = [note for note in found.notes if note.code == "W-PLAIN-01"]
    assert "away from parks, lawns and verges" in head.text
    assert found.spots
    for spot in found.spots:
        # "Does not stand out" would be false beside the brook.
        assert spot.why == PEOPLE_LIKELY
    assert "parks" not in nothing_known(2)


def test_the_woods_of_a_park_keep_their_places(protocol):
    found = in_a_park(protocol, woods=True)
    assert not found.plain
    assert found.spots
    for spot in found.spots:
        assert found.land.role[spot.row, spot.col] == CoverRole.TREE


@pytest.mark.parametrize("drawn", [{"use": "game"}, {"use": "quiet"}, {"crossing": True}])
def test_who_says_that_animals_pass_there_is_believed(drawn, protocol):
    """A garden is a lawn to the land cover: its owner knows the track across it."""
    found = in_a_park(protocol, **drawn)
    assert not found.plain
    way = PATH if "use" in drawn else shapely.Point(540150, 4820150)
    for spot in found.spots:
        assert way.distance(shapely.Point(spot.easting, spot.northing)) <= 15.0


@pytest.mark.parametrize("use", ["unknown", "busy"])
def test_a_path_that_nobody_spoke_for_names_no_place_on_a_lawn(use, protocol):
    assert in_a_park(protocol, use=use).plain
