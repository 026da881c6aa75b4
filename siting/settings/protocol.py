"""The protocol: the rules of a survey, every number with unit, range and source.

One section of the file is one class here. A default is what ships; a coordinator changes it in a
TOML file. `siting protocol` prints the whole, and docs/protocol.md is made from the same classes.
"""

from __future__ import annotations

from pydantic import model_validator

from siting.settings.protocol_assign import AssignRules
from siting.settings.protocol_base import (
    OWN,
    TRADE,
    Section,
    param,
)
from siting.settings.protocol_conditions import Conditions
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
from siting.settings.protocol_ground import (
    CoverRules,
    Disturbance,
    DrainageRules,
    NoGoRules,
    TerrainRules,
)
from siting.settings.protocol_heading import HeadingRules, SunRules
from siting.settings.protocol_score import Attractors, Scoring
from siting.settings.protocol_travel import (
    FeatureRules,
    PairwiseRules,
    StabilityRules,
    TravelRules,
    WetRules,
)


class CameraRules(Section):
    """The camera and its view.

    Lengths in metres, angle in degrees.
    """

    # Two lengths: "at least" decides whether a place will do, "better" how much of the view is
    # judged.
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
    """How many spots, and how far apart.

    Spacing in metres; scores are the index, without a unit (1 = plain ground).
    """

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
    # More than are shown: the trials need rivals, or every place would look firm.
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
    # Below this even the best place would be an answer that nobody should walk to.
    lowest_score: float = param(
        0.3, "index", OWN, "Places with a lower index are not shown.", ge=0.0, le=100.0
    )
    # The weakest ratio, 1.1: of half of it a sentence can only say that something is far or faint.
    least_attraction: float = param(
        1.1,
        "times",
        OWN,
        "A place is listed only where what draws animals makes at least so many times the pictures "
        "of plain ground: one of the weakest criteria in full, or more.",
        ge=0.0,
        le=20.0,
    )
    # Not the very best of it: one odd cell would empty the list.
    plain_share: float = param(
        0.95,
        "share",
        OWN,
        "A place is listed only where it has a higher index than this share of the ground on which "
        "nothing draws animals: no reason makes up for ground so poor.",
        ge=0.0,
        le=1.0,
    )
    inside_m: float = param(
        15.0,
        "m",
        "our choice: a camera sees about 15 m, and boundary, map and phone err by metres",
        "Places are listed from so far inside the boundary on, where there are such.",
        ge=0.0,
        le=2000.0,
    )
    areas: int = param(
        3,
        "areas",
        OWN,
        "Where no place has so much to draw animals: most areas to look over instead.",
        ge=1,
        le=100,
    )


class PrecisionRules(Section):
    """What the data cannot show.

    Metres.
    """

    gps_m: float = param(5.0, "m", TRADE, "Error of a phone's position.", ge=0.0, le=100.0)


class GridRules(Section):
    """The working grid.

    Lengths in metres, memory in GB.
    """

    context_m: float = param(
        600.0,
        "m",
        OWN,
        "Ground read around the parcel, to within a sixteenth.",
        ge=50.0,
        le=5000.0,
    )
    smallest_cell_m: float = param(
        1.0, "m", "design: finer cells add noise, not sight", "Smallest cell.", ge=0.25, le=30.0
    )
    largest_cell_m: float = param(
        30.0, "m", "design: coarser cells hide every feature", "Largest cell.", ge=1.0, le=100.0
    )
    # A cell is judged at its middle: a set-back of 3 m would close 30 m, and a ford be lost.
    lines_cell_m: float = param(
        10.0,
        "m",
        "our choice: as fine as mapped lines are; what rasters can tell goes by their own cells",
        "Largest cell where layers of points, lines or areas are given.",
        ge=1.0,
        le=100.0,
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
        # Without one every cell has the same attraction and the first in the file would win.
        ratios = [getattr(self.attractors, name).ratio for name in Attractors.model_fields]
        if all(ratio == 1.0 for ratio in ratios):
            raise ValueError("all attractors have ratio 1: at least one must count")
        return self

    def __repr__(self) -> str:
        # Short: a protocol has some two hundred numbers, and a notebook shows what it is handed.
        changed = sorted(self.model_dump(exclude_defaults=True))
        differs = ", ".join(changed) if changed else "nothing"
        return f"<Protocol {self.name!r}: {differs} differs from the default>"

    __str__ = __repr__
