"""What every output says holds for the place and the season, over lands that differ in both."""

from __future__ import annotations

import re

import numpy as np
import pytest

from siting.notes import head_and_gaps
from siting.settings.protocol import CautionRules
from siting.words.spot.reasons import TREE, what_holds
from tests.reader_matrix import PLACES, made

NO_FROST = {
    "tropics, open", "tropics, woods", "south, summer", "desert, heights alone", "desert",
    "north, summer",
}  # fmt: skip


@pytest.mark.parametrize("name", PLACES)
def test_snow_and_ice_are_spoken_of_where_there_may_be_some(name):
    """A sheet for 11 degrees north asked for a snow shovel and warned of ice."""
    found = made(name)
    said = re.findall(r"\b[Ss]now\b|\bice\b", found.whole)
    assert bool(said) == (name not in NO_FROST), said


@pytest.mark.parametrize("name", PLACES)
def test_trees_are_spoken_of_as_far_as_the_maps_know_them(name):
    """The sheet said "tight on a healthy, living tree" for spots whose page said "bring a post"."""
    found = made(name)
    spots = found.result.spots
    posts = [s for s in spots if what_holds(s.measures, s.search_radius_m) != TREE]
    for spot in spots:
        said = " ".join((*spot.pulled_down, *spot.check, *spot.cautions))
        assert ("post" in said.lower()) >= (spot in posts), said
        assert ("Choose a healthy, living tree" in said) == (spot not in posts)
        # No map, no claim: not given is not the same as not there.
        if not found.place.given:
            assert "maps show no tree" not in said
    drawn = any(place.tree_m is None for place in found.result.random_places)
    sheet = found.texts["sheet"]
    assert ("A post and what it takes" in sheet) == bool(posts or drawn)
    assert ("living tree or a firm post" in sheet) == bool(posts or drawn)


@pytest.mark.parametrize("name", PLACES)
def test_no_sentence_tells_the_lens_to_tilt_two_ways(name):
    """Set-up said "never up" where the card said to tilt the lens up with the ground."""
    sheet = made(name).texts["sheet"]
    assert "never up" not in sheet


@pytest.mark.parametrize("name", PLACES)
def test_numbers_read_as_people_write_them(name):
    """Pages said "0.3 ha (1 acres)", "0 spots" and "(15 m (49 ft) is better)"."""
    said = made(name).whole
    assert not re.search(r"\b1 (acres|spots|areas|places|minutes|pictures)\b", said)
    assert not re.search(r"(?<![\d.])0 (spots|areas|places)\b", said)
    assert not re.search(r"\([^()]*\([^()]*\)[^()]*\)", made(name).texts["sheet"])
    # The same land has one size, whoever says it.
    shown = set(re.findall(r"[\d.,]+ (?:ha|m²) \([\d.,]+ (?:acres?|sq ft)\)", said))
    by_size = {}
    for text in shown:
        by_size.setdefault(text.split(" (")[0].removesuffix(".0 ha"), set()).add(text)
    assert all(len(texts) == 1 for texts in by_size.values()), by_size


@pytest.mark.parametrize("name", PLACES)
def test_metres_that_a_volunteer_reads_have_feet_beside_them(name):
    """Warnings on the first screen said "mapped in 30 m squares" and "lie about 57 m from"."""
    found = made(name)
    head, gaps = head_and_gaps(found.result.notes)
    said = [note.text for note in (*head, *gaps)]
    said += [line for s in found.result.spots for line in (*s.why, *s.check, *s.cautions)]
    bare = [line for line in said if re.search(r"\d m\b(?! \(\d+ ft\))", line)]
    assert not bare


@pytest.mark.parametrize("name", PLACES)
def test_ground_is_as_high_as_its_maps_know(name):
    """The sheet gave the ground to the foot from elevations in squares of 30 m."""
    found = made(name)
    for height in re.findall(r"ground at ([^\n]+)", found.texts["sheet"]):
        assert height.startswith("about ") == (found.place.cell_m > 5.0)
    for value in re.findall(r"<ele>|(?<=\n)-?\d+\.\d(?=\n)", found.texts["gpx"]):
        assert found.place.cell_m <= 5.0 or value.endswith(".0")


@pytest.mark.parametrize("name", PLACES)
def test_no_sentence_ends_before_it_has_said_what_it_says(name):
    """The note on the trials was cut behind 400 letters: "were 1.56 instead …"."""
    found = made(name)
    for out in ("page", "sheet", "terminal"):
        assert "…" not in found.texts[out]


@pytest.mark.parametrize("name", PLACES)
def test_a_place_drawn_at_random_faces_away_from_the_sun_of_its_half_of_the_earth(name):
    """At 34 degrees south every place was told to face north, into the midday sun."""
    found = made(name)
    if not found.place.random:
        return
    first, then = ("north", "south") if found.place.lat > 0 else ("south", "north")
    assert found.result.random_places
    assert f"Face {first}, else {then}." in found.texts["page"]
    assert f"Face {first}; if that is blocked, {then};" in found.texts["sheet"]


@pytest.mark.parametrize("name", PLACES)
def test_what_was_not_given_is_given_no_size(name):
    """Without a land cover the guide said "land cover in squares of 2 m"."""
    found = made(name)
    page = found.data
    assert (page["cover_cell_m"] is None) == (not found.place.given)


def test_no_ground_is_said_once_and_areas_have_no_ranks():
    assert "leave no ground on this parcel" in made("town").texts["terminal"]
    assert "scores enough" not in made("town").whole
    assert "best first" not in made("desert").texts["gpx"]


@pytest.mark.parametrize("name", PLACES)
def test_whoever_is_sent_to_water_is_told_to_keep_out_of_it(name):
    """Water of the land cover gave a warning of floods, and none of the bank or of crossing it."""
    for spot in made(name).result.spots:
        near = spot.measures.get("distance_to_water_m", np.inf) <= CautionRules().water_m
        assert any("Banks give way" in line for line in spot.cautions) == near
