"""The cautions that apply on a piece of land and at a spot, in plain sentences.

Every sentence refers to a local rule, the owner or a trained person: the program knows a map, not
the place. None of them says that anything is safe or legal.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.settings.protocol_field import CautionRules
from siting.spot_parts import Walk
from siting.types import CoverRole
from siting.words.mapped import Mapped
from siting.words.spot.reasons import TREE_CLOSE_M

FIRST = (
    "These notes are general. Local law, permits, the landowner's instructions and the advice of "
    "licensed or trained people come first; if in doubt, do not go."
)
"""The sentence above every list of cautions."""


@dataclass(frozen=True)
class Caution:
    """One hazard or courtesy: a topic for grouping, and the sentence to print."""

    topic: str
    text: str


@dataclass(frozen=True)
class Nearby:
    """What lies near a spot or its walk; infinity where a layer knows of nothing.

    Distances in metres, slopes in degrees. `valley_m` is the distance to a valley line worked out
    from the elevations, where no water layer was given; `unknown_trail_m` that to a trail whose
    users are not known, `park_m` that to parks and verges of the land cover. `crossings`
    are the streams crossed on the walk, `outside_m` its part off the parcel and off every road and
    trail, `beside_road_m` its part on or within 10 m of a road with through or village traffic.
    `tree_m` is the distance to mapped trees, infinity also where no map shows trees.
    """

    water_m: float = float("inf")
    valley_m: float = float("inf")
    livestock_m: float = float("inf")
    boundary_m: float = float("inf")
    road_m: float = float("inf")
    people_m: float = float("inf")
    unknown_trail_m: float = float("inf")
    park_m: float = float("inf")
    dem_cell_m: float = 0.0
    slope_deg: float = 0.0
    walk_slope_deg: float = 0.0
    crossings: int = 0
    outside_m: float = 0.0
    beside_road_m: float = 0.0
    tree_m: float = 0.0


# What the sentences about water say besides, where there may be ice.
_ICE = {"ice_or": "ice or ", "or_ice": " or over ice", "and_ice": " and ice"}
_NO_ICE = dict.fromkeys(_ICE, "")
# Longer than the first steps from a parked car: only then does a walk beside traffic need a word.
_BESIDE_ROAD_M = 30.0
# The width up to which elevations show a line of sight, too (heading.finest_claim_m).
_FINE_DEM_M = 5.0

_TEXTS = {
    "permission": (
        "Permission: the boundary shown is approximate, not a land survey. Stay on land you have "
        "permission for, and follow the owner's instructions."
    ),
    "hunting": (
        "Hunting: check the season and the colour rule for this area before you walk; wear bright "
        "orange if in doubt. Local hunting law comes first."
    ),
    "ticks": (
        "Ticks: wear long trousers tucked into your socks and check yourself afterwards. "
        "Follow your health authority's tick advice."
    ),
    "animals": (
        "Dangerous animals: ask the owner which there are here (snakes, stinging insects, large "
        "animals), follow local advice, and keep clear of nests, dens and young."
    ),
    "alone": (
        "Alone: tell someone where you are going and when you will be back, and agree a "
        "check-in time. Follow your organisation's rules for working alone."
    ),
    "weather": (
        "Weather: check the forecast; follow your weather service's advice on heat, cold, wind "
        "and storms."
    ),
    "tools": (
        "Clearing: hand pruners only, with the owner's consent. No climbing, felling or chainsaw "
        "work: that is for trained, licensed people."
    ),
    "trees": (
        "Trees: look up first. Do not strap to, or stand under, a dead or leaning tree. "
        "If in doubt, ask the owner or a trained forester."
    ),
    "people": (
        "People in pictures: point away from paths, homes and neighbouring land. Follow local "
        "privacy law; delete pictures of people unless the law requires otherwise; put up a "
        "notice where required."
    ),
    "trail_use": (
        "People: we do not know who uses the trail near here. Check it on site for footprints, "
        "litter and signs, and choose another spot if many people pass. Follow local privacy law."
    ),
    "park": (
        "People: parks, lawns or verges are close by, and people are likely there at times. Point "
        "away from them, and ask the owner or warden."
    ),
    "bait": (
        "Bait: put out no food, salt or scent. Feeding wildlife is restricted or banned in many "
        "places: check local law first."
    ),
    "water": (
        "Water: do not cross {ice_or}water to reach a camera; choose another spot. Banks give way "
        "and streams rise: check local flood{and_ice} warnings first."
    ),
    "valley": (
        "Valley line: streams are not mapped here, and water may run or stand in this valley after "
        "rain. Do not cross it; check local flood warnings first."
    ),
    "crossing": (
        "Crossing: the walk shown crosses a stream, perhaps through the water. Cross only on a "
        "dry, firm bridge, log or stones, never through water{or_ice}; if in doubt, turn "
        "back and choose another spot."
    ),
    "crossing_water": (
        "Crossing and water: the walk shown crosses a stream, perhaps through the water. Cross "
        "only on a dry, firm bridge, log or stones, never through water{or_ice}; if in "
        "doubt, turn back and choose another spot. Banks give way and streams rise: check local "
        "flood{and_ice} warnings first."
    ),
    "steep": (
        "Steep ground: stay where you can walk upright with both hands free. Turn back if in "
        "doubt, and follow the owner's advice on the route."
    ),
    "post": (
        "Post: if you put one up, ask the owner first where pipes and cables run. Follow local "
        "rules on digging."
    ),
    "livestock": (
        "Livestock: ask the farmer first; do not enter a field with livestock. Treat every fence "
        "as electric: do not touch it, climb it or strap to it."
    ),
    "boundary": (
        "Boundary: it is close, and the map may be off by several metres. Ask the owner where it "
        "runs; keep yourself and the camera's view on this side."
    ),
    "road": (
        "Road: keep clear of traffic and gateways. Follow local traffic and parking law when you "
        "stop, walk beside or cross a road."
    ),
    "neighbour": (
        "Neighbouring land: part of the walk is outside the parcel. Ask that owner first, or find "
        "another way; local access law comes first."
    ),
}

# On every piece of land: no map shows the season, the weather, a dead tree or who is alone.
_ALWAYS = (
    "permission",
    "hunting",
    "animals",
    "alone",
    "weather",
    "tools",
    "trees",
    "people",
    "bait",
)
_TICK_ROLES = frozenset(
    {
        CoverRole.TREE,
        CoverRole.SHRUB,
        CoverRole.GRASS,
        CoverRole.PASTURE,
        CoverRole.WETLAND,
        CoverRole.PARK,
        CoverRole.ORCHARD,
    }
)


def nearby(
    land: Mapped,
    *,
    place: tuple[float, float],
    slope_deg: float = 0.0,
    park_m: float = math.inf,
    cover_water_m: float = math.inf,
    tree_m: float = 0.0,
    walk: Walk | None = None,
) -> Nearby:
    """What lies near one place, measured to the true shapes.

    Parameters
    ----------
    land : Mapped
    place : (easting, northing), metres
    slope_deg : float, degrees, slope of the ground at the place; NaN counts as steep
    park_m : float, metres to parks and verges of the land cover
    cover_water_m : float, metres to water that the land cover shows, in no layer perhaps
    tree_m : float, metres to mapped trees, infinity where no map shows any
    walk : Walk or None
    """
    point = shapely.Point(place)
    return Nearby(
        water_m=min(_distance(point, land.water), cover_water_m),
        valley_m=_distance(point, land.valleys),
        livestock_m=_distance(point, land.livestock),
        boundary_m=float(shapely.distance(point, land.boundary)),
        road_m=_distance(point, land.roads),
        people_m=_distance(point, land.people),
        unknown_trail_m=_distance(point, land.unknown_trails),
        park_m=park_m,
        dem_cell_m=land.dem_cell_m,
        # Not known is no reason to leave a caution out.
        slope_deg=90.0 if math.isnan(slope_deg) else slope_deg,
        walk_slope_deg=walk.steepest_deg if walk else 0.0,
        crossings=walk.known_crossings + walk.unknown_crossings if walk else 0,
        outside_m=walk.outside_m if walk else 0.0,
        tree_m=tree_m,
        beside_road_m=_length_in(land.busy_roads, walk.line) if walk else 0.0,
    )


def _length_in(ground: Geometry, line: Geometry) -> float:
    return float(shapely.length(shapely.intersection(line, ground)))


def _distance(point: Geometry, shapes: Sequence[Geometry]) -> float:
    away = shapely.distance(point, np.asarray(shapes, dtype=object))
    # An empty shape gives NaN and no shape an empty array: both mean that nothing is near.
    return float(np.nanmin(away, initial=np.inf))


def parcel_cautions(roles: Iterable[CoverRole | int]) -> tuple[Caution, ...]:
    """The cautions that hold on the whole piece of land.

    Parameters
    ----------
    roles : the land-cover roles found on the parcel
        Ticks are named where there is any plant cover; unknown cover counts as plant cover.
    """
    plants = any(role in _TICK_ROLES or role == CoverRole.UNKNOWN for role in roles)
    topics = [*_ALWAYS]
    if plants:
        topics.insert(topics.index("hunting") + 1, "ticks")
    return tuple(Caution(topic, _TEXTS[topic]) for topic in topics)


def spot_cautions(near: Nearby, *, rules: CautionRules, frost: bool = True) -> tuple[Caution, ...]:
    """The cautions that a spot or the walk to it adds to those of the piece of land.

    Parameters
    ----------
    near : Nearby
    rules : CautionRules
        Limits within which a caution is printed.
    frost : bool
        Whether there may be ice (`siting.words.season`).
    """
    crossing, water = near.crossings > 0, near.water_m <= rules.water_m
    # A wide cell is the mean of what it holds: half the limit may hide ground beyond it.
    limit_deg = rules.steep_deg / (2.0 if near.dem_cell_m > _FINE_DEM_M else 1.0)
    steep = max(near.slope_deg, near.walk_slope_deg) >= limit_deg
    applies = {
        # One sentence where both hold: two would say "cross it" and "do not cross it".
        "crossing_water": crossing and water,
        "crossing": crossing and not water,
        "water": water and not crossing,
        # Where water is mapped close by, its own caution says more.
        "valley": near.valley_m <= rules.water_m and not water,
        "steep": steep,
        "post": near.tree_m > TREE_CLOSE_M,
        "livestock": near.livestock_m <= rules.livestock_m,
        "boundary": near.boundary_m <= rules.boundary_m,
        # Sooner than the card, which names such a stretch from 10 m on: a caution errs early.
        "neighbour": near.outside_m >= 1.0,
        "road": near.road_m <= rules.road_m or near.beside_road_m >= _BESIDE_ROAD_M,
        "people": near.people_m <= rules.people_m,
        "trail_use": near.unknown_trail_m <= rules.people_m,
        "park": near.park_m <= rules.park_m,
    }
    said = _ICE if frost else _NO_ICE
    return tuple(
        Caution(topic, _TEXTS[topic].format(**said)) for topic, here in applies.items() if here
    )


def all_cautions() -> tuple[Caution, ...]:
    """Every caution there is, for the documentation and the tests."""
    return tuple(Caution(topic, text.format(**_ICE)) for topic, text in _TEXTS.items())


GENERAL = frozenset(_TEXTS[topic] for topic in (*_ALWAYS, "ticks"))
"""The sentences that hold everywhere; all others belong to one spot or its walk."""


def texts(cautions: Sequence[Caution]) -> tuple[str, ...]:
    """The sentences alone."""
    return tuple(caution.text for caution in cautions)
