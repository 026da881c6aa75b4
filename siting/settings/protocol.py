"""The protocol: the rules of a survey, every number with unit, range and source.

One section of the file is one class here. A default is what ships; a coordinator changes it in a
TOML file. `siting protocol` prints the whole, and docs/protocol.md is made from the same classes.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import model_validator

from siting.settings.protocol_assign import AssignRules
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
from siting.settings.protocol_field import (
    CautionRules,
    DecisionRules,
    RandomRules,
    ReviewRecord,
    SharingRules,
    SheetRules,
    VisitRules,
    WalkRules,
)
from siting.settings.protocol_heading import HeadingRules, SunRules
from siting.settings.protocol_score import Attractors, Conditions, Scoring
from siting.settings.protocol_travel import (
    FeatureRules,
    PairwiseRules,
    StabilityRules,
    TravelRules,
    WetRules,
)


class Disturbance(Section):
    """Distance at which each kind of disturbance stops to matter; 1 is quiet."""

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
    """Ground where no camera may stand; set-backs from the true shapes."""

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
    boundary_m: float = _set_back(10.0, OWN, "Inside the parcel's boundary; maps are not surveys.")
    steep_deg: float = param(
        20.0, "degrees", "from memory, no source", "Steeper ground is left out.", ge=1.0, le=60.0
    )


class CoverRules(Section):
    """How land-cover cells become woods, fields, edges and openings."""

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
    """Valley lines worked out from the elevations; they close nothing and are not water."""

    stream_threshold_ha: float = param(
        10.0, "ha", OWN, "Drained area from which a valley line counts.", ge=0.1, le=10000.0
    )
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
    stream_reach_m: float = param(
        10.0,
        "m",
        OWN,
        "How far a mapped stream may lie off the valley line of the elevations.",
        ge=0.0,
        le=200.0,
    )


class CameraRules(Section):
    """The camera and its view."""

    view_near_m: float = param(
        9.0, "m", TRADE, "Clear view: at least this far (30 ft).", ge=1.0, le=50.0
    )
    view_far_m: float = param(
        15.0, "m", TRADE, "Clear view: better this far (50 ft).", ge=2.0, le=100.0
    )

    lens_height_m: float = param(
        0.45,
        "m",
        "common practice, no source: 0.3-0.6 m (1-2 ft); published guidelines say 0.5-1 m "
        "(Meek et al. 2014, after RCSC 2024)",
        "Height of the lens above the ground, above the snow where it lies.",
        ge=0.1,
        le=3.0,
    )
    field_of_view_deg: float = param(
        50.0,
        "degrees",
        "from memory, no source: lenses of 40-60 degrees; see your camera's sheet",
        "Angle of the picture from side to side.",
        ge=10.0,
        le=180.0,
    )
    zone_m: float = param(
        15.0, "m", TRADE, "How far the camera is trusted to trigger.", ge=2.0, le=60.0
    )
    target_height_m: float = param(
        0.5, "m", OWN, "Height of an animal's body that must be in sight.", ge=0.05, le=2.0
    )

    @model_validator(mode="after")
    def _near_before_far(self) -> CameraRules:
        if self.view_near_m >= self.view_far_m:
            raise ValueError(
                f"view_near_m = {self.view_near_m:g} must be below view_far_m = {self.view_far_m:g}"
            )
        return self


class CandidateRules(Section):
    """How many spots, and how far apart."""

    spots: int = param(10, "spots", OWN, "Most spots to show.", ge=1, le=100)
    spacing_m: float = param(
        60.0,
        "m",
        "our choice; published spacings of 1-2 km are for independent samples, not for one parcel",
        "Least distance between two spots.",
        ge=1.0,
        le=5000.0,
    )
    most_looks: int = param(
        5000, "cells", OWN, "Most cells whose headings are judged.", ge=100, le=1_000_000
    )
    places: int = param(
        20, "places", OWN, "Places found in all, those not shown being rivals.", ge=2, le=500
    )
    best_of_each_kind: bool = param(
        False,
        "",
        OWN,
        "Show the best spot of each kind (trail, water, edge, funnel ...) before a second of any.",
    )
    kind_least_share: float = param(
        0.4,
        "share",
        OWN,
        "A kind is put forward only if its best scores at least this share of the best spot.",
        ge=0.0,
        le=1.0,
    )
    lowest_score: float = param(
        0.3, "index", OWN, "Places with a lower index are not shown.", ge=0.0, le=100.0
    )


class PrecisionRules(Section):
    """What the data cannot show."""

    gps_m: float = param(5.0, "m", TRADE, "Error of a phone's position.", ge=0.0, le=100.0)


class GridRules(Section):
    """The working grid."""

    context_m: float = param(600.0, "m", OWN, "Ground read around the parcel.", ge=50.0, le=5000.0)
    smallest_cell_m: float = param(
        1.0, "m", "design: finer cells add noise, not sight", "Smallest cell.", ge=0.25, le=30.0
    )
    largest_cell_m: float = param(
        30.0, "m", "design: coarser cells hide every feature", "Largest cell.", ge=1.0, le=100.0
    )
    most_memory_gb: float = param(
        4.0, "GB", OWN, "Refuse a parcel that would need more.", ge=0.1, le=1024.0
    )

    @model_validator(mode="after")
    def _cells_in_order(self) -> GridRules:
        if self.smallest_cell_m > self.largest_cell_m:
            raise ValueError(
                f"smallest_cell_m = {self.smallest_cell_m:g} must not exceed "
                f"largest_cell_m = {self.largest_cell_m:g}"
            )
        return self


class Protocol(Section):
    """The rules of a survey."""

    name: str = param("default", "", OWN, "Name shown in reports.", max_length=80)
    scoring: Scoring = Scoring()
    attractors: Attractors = Attractors()
    conditions: Conditions = Conditions()
    disturbance: Disturbance = Disturbance()
    no_go: NoGoRules = NoGoRules()
    cover: CoverRules = CoverRules()
    terrain: TerrainRules = TerrainRules()
    drainage: DrainageRules = DrainageRules()
    wet: WetRules = WetRules()
    travel: TravelRules = TravelRules()
    features: FeatureRules = FeatureRules()
    camera: CameraRules = CameraRules()
    heading: HeadingRules = HeadingRules()
    sun: SunRules = SunRules()
    candidates: CandidateRules = CandidateRules()
    random: RandomRules = RandomRules()
    precision: PrecisionRules = PrecisionRules()
    stability: StabilityRules = StabilityRules()
    pairwise: PairwiseRules = PairwiseRules()
    grid: GridRules = GridRules()
    walk: WalkRules = WalkRules()
    visits: VisitRules = VisitRules()
    decisions: DecisionRules = DecisionRules()
    cautions: CautionRules = CautionRules()
    assign: AssignRules = AssignRules()
    sheet: SheetRules = SheetRules()
    sharing: SharingRules = SharingRules()
    review: ReviewRecord = ReviewRecord()

    @model_validator(mode="after")
    def _something_counts(self) -> Protocol:
        ratios = [getattr(self.attractors, name).ratio for name in Attractors.model_fields]
        if all(ratio == 1.0 for ratio in ratios):
            raise ValueError("all attractors have ratio 1: at least one must count")
        return self

    def __repr__(self) -> str:
        changed = sorted(self.model_dump(exclude_defaults=True))
        differs = ", ".join(changed) if changed else "nothing"
        return f"<Protocol {self.name!r}: {differs} differs from the default>"

    __str__ = __repr__
