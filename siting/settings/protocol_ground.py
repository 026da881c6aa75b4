"""Tables [disturbance], [no_go], [cover], [terrain] and [drainage]: how the ground is read."""

from __future__ import annotations

from typing import Any, Literal

from siting.settings.protocol_base import (
    DERTIEN,
    MARION,
    OWN,
    TRADE,
    Curve,
    Section,
    param,
)
from siting.settings.protocol_base import curve as _curve


class Disturbance(Section):
    """Distance at which each kind of disturbance stops to matter; 1 is quiet.

    Knots of (distance in metres, quietness 0..1); heights in metres.
    """

    # Not 0 at the road itself: animals do cross there, only fewer of them.
    road_major: Curve = _curve(
        [[100, 0.1], [500, 1]], "m", DERTIEN, "Distance to a major road (through traffic)."
    )
    road_minor: Curve = _curve(
        [[30, 0.3], [150, 1]], "m", DERTIEN, "Distance to a minor (county, village) road."
    )
    road_track: Curve = _curve(
        [[10, 0.6], [50, 1]], "m", DERTIEN, "Distance to a drive or track used by vehicles."
    )
    building: Curve = _curve([[50, 0.3], [200, 1]], "m", DERTIEN, "Distance to a building in use.")
    # A road behind a hill is heard, but neither seen nor smelt as well.
    screened_factor: float = param(
        2.0,
        "times",
        OWN,
        "A road or building that the terrain hides counts as this many times as far away.",
        ge=1.0,
        le=10.0,
    )
    vehicle_height_m: float = param(
        2.0, "m", OWN, "Height of a vehicle, for what the terrain hides.", ge=0.5, le=10.0
    )
    eaves_height_m: float = param(
        4.0, "m", OWN, "Height of a house's eaves, for what the terrain hides.", ge=1.0, le=50.0
    )
    animal_height_m: float = param(
        1.0, "m", OWN, "Height from which an animal sees a road or house.", ge=0.1, le=3.0
    )
    busy_trail: Curve = _curve(
        [[0, 0.1], [75, 1]], "m", MARION, "Distance to a trail that people use a lot."
    )
    unknown_trail: Curve = _curve(
        [[0, 0.4], [75, 1]],
        "m",
        "our choice: between a quiet trail (1) and a busy one; busy: " + MARION,
        "Distance to a trail whose use is not known.",
    )
    built_cover: Curve = _curve(
        [[0, 0.3], [100, 1]],
        "m",
        DERTIEN,
        "Distance to built-up ground of the land-cover map, where houses are not all mapped.",
    )
    park_cover: Curve = _curve(
        [[0, 0.5], [50, 1]],
        "m",
        "our choice: people are likely in parks and on verges, at times",
        "Distance to a park, lawn or verge of the land-cover map.",
    )


def _set_back(default: float, source: str, help_text: str) -> Any:
    return param(default, "m", source, help_text, ge=0.0, le=2000.0)


class NoGoRules(Section):
    """Ground where no camera may stand; set-backs from the true shapes.

    Set-backs in metres, slope in degrees.
    """

    road_major_m: float = _set_back(100.0, OWN, "From a major road.")
    road_minor_m: float = _set_back(30.0, OWN, "From a minor road.")
    road_track_m: float = _set_back(10.0, OWN, "From a drive or track used by vehicles.")
    building_m: float = _set_back(50.0, TRADE, "From any building.")
    feeder_m: float = _set_back(50.0, TRADE, "From a feeder, lick or other artificial feeding.")
    built_cover_m: float = _set_back(
        30.0, OWN, "From built-up ground of the land-cover map, where houses are not all mapped."
    )
    livestock_m: float = _set_back(10.0, TRADE, "From a field with livestock (crops are fine).")
    water_m: float = _set_back(3.0, TRADE, "From open water and from the line of a stream.")
    owner_m: float = _set_back(20.0, OWN, "Around a point or line the owner marked (areas: 0).")
    # Map and fence differ by metres, and so does a phone.
    boundary_m: float = _set_back(10.0, OWN, "Inside the parcel's boundary; maps are not surveys.")
    steep_deg: float = param(
        20.0, "degrees", "from memory, no source", "Steeper ground is left out.", ge=1.0, le=60.0
    )


class CoverRules(Section):
    """How land-cover cells become woods, fields, edges and openings.

    Areas in square metres or hectares as their names say, clear views as shares 0..1.
    """

    # Four cells of 10 m: fewer may be one misread cell and its rim.
    speck_m2: float = param(
        400.0, "m2", OWN, "Patches smaller than this take the role around them.", ge=0.0, le=1e5
    )
    min_woods_ha: float = param(
        0.5, "ha", OWN, "Smaller woods make no forest edge.", ge=0.0, le=100.0
    )
    min_field_ha: float = param(
        1.0, "ha", OWN, "A smaller open patch is an opening, not a field.", ge=0.01, le=100.0
    )
    min_opening_m2: float = param(
        400.0, "m2", OWN, "A smaller gap in the trees is no opening.", ge=0.0, le=1e5
    )
    opening_ring_share: float = param(
        0.6,
        "share",
        OWN,
        "An opening has at least this share of its rim in tree cover.",
        ge=0.0,
        le=1.0,
    )
    # Trunks leave gaps at lens height; shrub and reeds close them.
    clear_tree: float = param(0.6, "share", OWN, "Clear view expected under trees.", ge=0, le=1)
    clear_shrub: float = param(0.3, "share", OWN, "Clear view expected in shrub.", ge=0, le=1)
    clear_grass: float = param(0.9, "share", OWN, "Clear view expected in grass.", ge=0, le=1)
    clear_crop: float = param(0.6, "share", OWN, "Clear view in crops (they grow).", ge=0, le=1)
    clear_pasture: float = param(1.0, "share", OWN, "Clear view in hay and pasture.", ge=0, le=1)
    clear_wetland: float = param(0.5, "share", OWN, "Clear view in reeds and sedge.", ge=0, le=1)
    clear_park: float = param(0.9, "share", OWN, "Clear view in parks and on lawns.", ge=0, le=1)
    clear_orchard: float = param(
        0.7, "share", OWN, "Clear view between orchard or olive trees.", ge=0, le=1
    )
    clear_bare: float = param(1.0, "share", OWN, "Clear view on bare ground.", ge=0, le=1)


class TerrainRules(Section):
    """What works out slope, filled hollows and the flow of water."""

    engine: Literal["built-in", "richdem"] = param(
        "built-in",
        "",
        "Barnes 2018, doi 10.7287/peerj.preprints.27099v1 (richdem); equal within the tolerances "
        "of docs/method.md",
        "Our own routines, or richdem, which must then be installed.",
    )


class DrainageRules(Section):
    """Valley lines worked out from the elevations; they close nothing and are not water.

    Drained areas in hectares, reach in metres, share 0..1.
    """

    stream_threshold_ha: float = param(
        10.0, "ha", OWN, "Drained area from which a valley line counts.", ge=0.1, le=10000.0
    )
    # Dry land needs ten times the ground before water makes a bed.
    dry_threshold_ha: float = param(
        100.0,
        "ha",
        "our choice; channels begin lower down in dry country: Montgomery & Dietrich 1988, doi "
        "10.1038/336232a0 (from memory)",
        "The same on dry land.",
        ge=0.1,
        le=100_000.0,
    )
    dry_cover_share: float = param(
        0.2,
        "share",
        OWN,
        "Land is dry where trees, crops, pasture, wetland and water cover less than this of it.",
        ge=0.0,
        le=1.0,
    )
    # About what a stream drawn from pictures is off; see the warning W-OFFSET-01.
    stream_reach_m: float = param(
        10.0,
        "m",
        OWN,
        "How far a mapped stream may lie off the valley line of the elevations.",
        ge=0.0,
        le=200.0,
    )
