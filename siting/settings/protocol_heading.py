"""The tables [heading] and [sun] of the protocol: which way a camera should look."""

from __future__ import annotations

from typing import Literal

from siting.settings.protocol_base import MOLL, OWN, SULTAIRE, TRADE, Curve, Section, curve, param

RCSC_HEADING = (
    "north, else south: RCSC 2024, 7.4.4, and common practice; minutes and knots our choice"
)


def _share(default: float, source: str, help_text: str) -> float:
    value: float = param(default, "share", source, help_text, ge=0.0, le=10.0)
    return value


def _seen(default: float, source: str, help_text: str) -> float:
    value: float = param(default, "score", source, help_text, ge=0.0, le=1.0)
    return value


class SunRules(Section):
    """Low sun in the picture: it blinds the camera and sets it off.

    Angles in degrees, low sun in minutes a day, reach in metres.
    """

    low_sun_deg: float = param(
        30.0,
        "degrees",
        "our choice: half the height of the picture (about 20) and as much glare again by half",
        "The sun counts while it stands lower than this.",
        ge=5.0,
        le=60.0,
    )
    curve: Curve = curve(
        [[0, 1], [15, 0.75], [45, 0.4], [90, 0.15], [180, 0.05]],
        "minutes a day",
        RCSC_HEADING,
        "Low sun inside the picture, mean of the days given.",
    )
    horizon_reach_m: float = param(
        8000.0, "m", OWN, "The skyline is looked for this far.", ge=100.0, le=30000.0
    )
    refraction_k: float = param(
        0.13,
        "share of the Earth's curve",
        "surveyors' usual mean (checks: 0.13; radio 0.25; other programs 1/7)",
        "How far the bending of light undoes the Earth's curve.",
        ge=0.0,
        le=0.5,
    )


class HeadingRules(Section):
    """What makes one heading better than another; the parts combine by weighted geometric mean.

    Weights and scores without a unit; lengths in metres, angles in degrees, curves as each says.
    """

    # Twice the next: a heading into the sun costs thousands of pictures, the others some animals.
    sun_weight: float = _share(2.0, OWN, "Weight of a picture without low sun.")
    clear_weight: float = _share(1.0, OWN, "Weight of clear ground ahead.")
    slant_weight: float = _share(0.8, OWN, "Weight of the angle to the trail, bank or edge.")
    target_weight: float = _share(
        1.0, OWN, "Weight of looking at the feature the spot serves (a log, a saddle, a corner)."
    )
    private_weight: float = _share(
        1.0, OWN, "Weight of a view kept on the parcel and off roads and buildings."
    )
    level_weight: float = _share(0.4, OWN, "Weight of nearly level ground in view.")
    cover_weight: float = _share(0.4, OWN, "Weight of what grows in view.")
    clear_curve: Curve = curve(
        [[2, 0.05], [5, 0.35], [9, 0.8], [15, 1]],
        "m",
        f"9-15 m: {TRADE}; {MOLL}",
        "Ground in sight ahead, mean over the picture.",
    )
    # Both schools are there: a slant gives more pictures of a walker, square a sharper side view.
    crossing: Literal["slant", "square"] = param(
        "slant",
        "",
        "slant: common practice, no source; square: Apps & McNutt 2018, after RCSC 2024, 7.4.4",
        "Cross the trail at a slant (20-45 degrees) or square.",
    )
    slant_curve: Curve = curve(
        [[0, 0.15], [20, 1], [45, 1], [90, 0.6]],
        "degrees between heading and trail",
        f"20-45 degrees best: {TRADE}",
        "Used where crossing = slant.",
    )
    square_curve: Curve = curve(
        [[0, 0.1], [30, 0.4], [70, 1], [90, 1]],
        "degrees between heading and trail",
        "perpendicular: Apps & McNutt 2018, after RCSC 2024, 7.4.4; knots our choice",
        "Used where crossing = square.",
    )
    # Nearer than 3 m an animal fills the picture for too short a time to be caught.
    met_curve: Curve = curve(
        [[0, 0.8], [3, 1], [10, 1], [15, 0.8], [30, 0.2]],
        "m",
        "common practice, no source: 3 to 10 m from the trail",
        "How far ahead the heading meets the trail; multiplies the angle's score.",
    )
    # 25 degrees is half a common lens: what stands farther aside is out of the picture.
    target_curve: Curve = curve(
        [[0, 1], [25, 1], [45, 0.05], [180, 0.02]],
        "degrees between heading and feature",
        OWN,
        "The feature stands in the picture, 25 degrees to each side, or the heading is poor.",
    )
    target_range_curve: Curve = curve(
        [[0, 0.8], [3, 1], [10, 1], [15, 0.6], [30, 0.2]],
        "m",
        "common practice, no source: 3 to 10 m from the trail or log",
        "Distance to the feature; multiplies the score of its direction.",
    )
    named_most_m: float = param(
        10.0,
        "m",
        "common practice, no source",
        "What a spot is named for stands in its picture no farther than this.",
        ge=3.0,
        le=60.0,
    )
    target_reach_m: float = param(
        30.0, "m", OWN, "A feature further away than this is not looked at.", ge=1.0, le=100.0
    )
    line_reach_m: float = param(
        15.0,
        "m",
        OWN,
        "A trail, bank or edge further away than this is not crossed.",
        ge=1.0,
        le=60.0,
    )
    on_line_m: float = param(
        3.0,
        "m",
        OWN,
        "Nearer than this the camera can stand to either side of the trail.",
        ge=0.0,
        le=20.0,
    )
    sight_m: float = param(
        60.0, "m", OWN, "People and neighbours' land count up to this far.", ge=15.0, le=200.0
    )
    neighbour_curve: Curve = curve(
        [[0, 1], [0.3, 0.7], [1, 0.15]],
        "share of the view",
        OWN,
        "Part of the view in sight that lies outside the parcel.",
    )
    people_curve: Curve = curve(
        [[0, 0.05], [15, 0.1], [30, 0.4], [60, 1]],
        "m",
        OWN,
        "Distance to the nearest road or building in sight.",
    )
    # Limits, not scores: what no good part of the picture may make up for.
    limit_m: float = param(
        30.0,
        "m",
        "our choice: twice the distance at which a camera triggers",
        "No heading looks into open water, livestock, built-up ground or out of the parcel within "
        "this distance.",
        ge=5.0,
        le=200.0,
    )
    limit_share: float = param(
        0.2,
        "share of the view",
        OWN,
        "So much of the picture within limit_m may be water, livestock, built-up or outside.",
        ge=0.0,
        le=1.0,
    )
    limit_people_m: float = param(
        60.0,
        "m",
        "our choice; privacy: no home and no road with traffic in the picture",
        "No heading has a house or a road with traffic in sight within this distance.",
        ge=0.0,
        le=200.0,
    )
    level_curve: Curve = curve(
        [[0, 1], [5, 1], [12, 0.6], [20, 0.2], [30, 0.05]],
        "degrees",
        SULTAIRE,
        "Slope of the ground in view, by a plane through it.",
    )
    person_height_m: float = param(
        1.5, "m", OWN, "Height of a person or car that must not be in sight.", ge=0.1, le=5.0
    )
    # At 20 m a line of sight grazes the ground at 1.4 degrees: wider cells cannot show it.
    finest_claim_m: float = param(
        5.0,
        "m",
        "our choice: wider cells cannot show what stands within 15 m",
        "With wider elevation cells no clear view is claimed.",
        ge=0.5,
        le=30.0,
    )
    brush_least_m: float = param(
        0.4, "m", OWN, "Vegetation from this height blocks the lens.", ge=0.05, le=2.0
    )
    brush_most_m: float = param(
        3.0,
        "m",
        "our choice: the lens looks under the crowns of taller growth",
        "Taller vegetation is trees, which let the view pass below.",
        ge=0.5,
        le=20.0,
    )
    # A quarter turn: what spoils the first heading seldom spoils that one as well.
    second_turn_deg: float = param(
        90.0,
        "degrees",
        OWN,
        "The second heading differs from the best by at least this.",
        ge=15.0,
        le=180.0,
    )
    role_tree: float = _seen(0.7, OWN, "Tree cover in view.")
    role_shrub: float = _seen(0.35, OWN, "Shrub in view: brush to clear.")
    role_grass: float = _seen(0.9, OWN, "Grass in view; it grows and waves.")
    role_crop: float = _seen(0.6, OWN, "Crops in view; they grow up.")
    role_pasture: float = _seen(1.0, OWN, "Hay or pasture in view.")
    role_wetland: float = _seen(0.5, OWN, "Reeds and sedge in view.")
    role_park: float = _seen(0.9, OWN, "Lawn, park or verge in view.")
    role_orchard: float = _seen(0.7, OWN, "Orchard or olive grove in view.")
    role_water: float = _seen(
        0.5, "standing water glares: RCSC 2024, 7.4.4; value our choice", "Open water in view."
    )
    role_built: float = _seen(0.3, OWN, "Built ground in view.")
    role_bare: float = _seen(1.0, OWN, "Bare ground in view.")
    role_snow: float = _seen(0.5, OWN, "Lasting snow in view.")
