"""What every output says holds for the place and the season, over lands that differ in both."""

from __future__ import annotations

import re

import pytest

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
