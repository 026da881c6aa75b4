"""What a spot is called: in full, in a letter, and on the screen of a small receiver."""

from __future__ import annotations

import math

from siting import criteria
from siting.ground.shapes.feature_order import MIDDLE, side_of
from siting.lengths import about, compass_word, is_close
from siting.spot_parts import PlaceName
from siting.types import CoverRole, Feature, Land, Spot
from siting.words.spot.reasons import wide_words

_LONGEST = 30
# What ground is called to which nothing mapped draws animals.
_AREA = "Area to look over"
_GROUND: dict[int, str] = {
    CoverRole.TREE: "In the woods",
    CoverRole.SHRUB: "In the brush",
    CoverRole.GRASS: "On grassland",
    CoverRole.CROP: "In a field",
    CoverRole.PASTURE: "On grassland",
    CoverRole.WETLAND: "On wet ground",
    CoverRole.PARK: "In a park",
    CoverRole.ORCHARD: "In an orchard",
}


def place_name(feature: Feature, easting: float, northing: float, *, radius_m: float) -> PlaceName:
    """What a spot is called by the feature it serves; beyond the radius with how far and where to.

    Examples
    --------
    >>> gap = Feature("saddle", 100.0, 220.0, 1.0, "saddle between two knolls", "saddle")
    >>> full_name(place_name(gap, 100.0, 216.0, radius_m=15.0))
    'Saddle between two knolls'
    >>> full_name(place_name(gap, 100.0, 200.0, radius_m=15.0))
    'Saddle between two knolls, about 20 m (70 ft) to the north'
    """
    east, north = feature.easting - easting, feature.northing - northing
    metres = math.hypot(east, north)
    bearing = math.degrees(math.atan2(east, north)) % 360
    aside = ""
    if not is_close(metres, radius_m):
        aside = f"{about(metres, radius_m)} to the {compass_word(bearing)}"
    return PlaceName(_capital(feature.words), feature.side, aside, feature.short)


def ground_name(land: Land, spot: Spot) -> PlaceName:
    """What grows where a spot serves no feature, or that a camera may stand there, and the side."""
    grows = _GROUND.get(int(land.role[spot.row, spot.col]), "Ground open to a camera")
    words = _AREA if spot.plain else grows
    return PlaceName(words, side_of(spot.easting, spot.northing, land=land.parcel_shape))


def kind_name(land: Land, spot: Spot) -> PlaceName | None:
    """The kind of place a spot is and its side, where it is of a kind; how near, if not beside it.

    Of what lies anywhere within a wide error the name says so: "water within about 80 m (260 ft)".
    """
    how = criteria.known_at(spot.kind, spot.measures) if spot.kind else ""
    wide = wide_words(spot, cover_cell_m=land.cover_cell_m)
    label = criteria.label_known(spot.kind, how=how) if wide else ""
    what, comma, rest = label.partition(", ")
    words = f"{what} {wide}{comma}{rest}" if label else criteria.place_label(spot.kind, how=how)
    words = words or spot.kind
    if not words:
        return None
    side = side_of(spot.easting, spot.northing, land=land.parcel_shape)
    return PlaceName(_capital(words), side, short=label)


def full_name(place: PlaceName) -> str:
    """A name with all its parts.

    Examples
    --------
    >>> full_name(PlaceName("Crossing", side="middle"))
    'Crossing, near the middle of the land'
    """
    return ", ".join(part for part in (place.what, _side(place.side), place.aside) if part)


def letter_name(place: PlaceName) -> str:
    """A name within a sentence: how far a spot lies from its feature matters on the ground only."""
    named = ", ".join(part for part in (place.what, _side(place.side)) if part)
    return f"{named[:1].lower()}{named[1:]}"


def short_name(label: str, place: PlaceName) -> str:
    """At most 30 characters: the rank and what the place is, shortened by meaning before it is cut.

    Examples
    --------
    >>> corner = PlaceName("Corner of the field, woods all round", "south-east", "", "field corner")
    >>> short_name("04", corner)
    '04 Field corner SE'
    >>> short_name("02", PlaceName("Log over the brook", aside="11 m (36 ft) to the east"))
    '02 Log over the brook'
    """
    # Shortened by meaning first: how far off matters least on a screen that shows the map.
    without = PlaceName(place.what, place.side)
    for words in (full_name(place), full_name(without)):
        if len(whole := f"{label} {' '.join(words.split())}".strip()) <= _LONGEST:
            return whole
    what = " ".join(place.what.split())
    head = _capital(place.short) if place.short else what.partition(",")[0]
    side = f" {_letters(place.side)}" if place.side else ""
    room = _LONGEST - len(side)
    return f"{_cut(f'{label} {head}', room, least=len(label))}{side}"


def _side(side: str) -> str:
    if not side:
        return ""
    return "near the middle of the land" if side == MIDDLE else f"in the {side} of the land"


def _letters(side: str) -> str:
    return "mid" if side == MIDDLE else "".join(part[0].upper() for part in side.split("-"))


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _cut(words: str, room: int, *, least: int) -> str:
    if len(words) <= room:
        return words
    # One character more, so that a word which just fits is kept whole.
    cut = words[: room + 1].rpartition(" ")[0]
    # Within a word where else only the rank were left: a bare number names nothing.
    return cut if len(cut) > least else words[:room].rstrip()
