"""The tables [travel], [features], [wet], [stability] and [pairwise] of the protocol."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any

from pydantic import BeforeValidator, model_validator

from siting.settings.protocol_base import OWN, Section, param

ZELLER = (
    "our choice; published resistances rest mostly on expert opinion and differ by species "
    "(review: Zeller et al. 2012, doi 10.1007/s10980-012-9737-0)"
)
PARKER = (
    "our choice; climbing costs deer and elk 5.9 kcal a kg and km of height (Parker et al. 1984, "
    "doi 10.2307/3801180), about three times level ground at 14 degrees; bears keep to near level "
    "ground twice as often as there is of it (Carnahan et al. 2021, doi 10.1242/jeb.241083)"
)
OKSANEN = (
    "our choice: a practical range of about 120 m, the longest of Oksanen & Sarjakoski 2005, "
    "doi 10.1016/j.cageo.2005.02.014 (doi from memory)"
)
LAHDELMA = "Lahdelma & Salminen 2001, doi 10.1287/opre.49.3.444.11220 (method); number our choice"


def _checked_costs(value: Any) -> tuple[tuple[float, float], ...]:
    try:
        knots = tuple((float(x), float(y)) for x, y in value)
    except (TypeError, ValueError):
        raise ValueError("it is a list of [slope, times] pairs") from None
    if len(knots) < 2 or any(b[0] <= a[0] for a, b in pairwise(knots)):
        raise ValueError("it needs at least two knots, the slopes rising from knot to knot")
    if any(not 1.0 <= y <= 1000.0 for _, y in knots):
        raise ValueError("every cost must lie in 1..1000")
    return knots


CostKnots = Annotated[tuple[tuple[float, float], ...], BeforeValidator(_checked_costs)]


def _cost(default: float, what: str) -> Any:
    help_text = f"Cost of a metre {what}, against a metre of level woods."
    return param(default, "times", ZELLER, help_text, ge=1.0, le=1000.0)


class TravelRules(Section):
    """How animals are taken to cross the land; only the ratios of the costs matter.

    Costs without a unit (1 = a metre of level woods), lengths in metres.
    """

    cost_tree: float = _cost(1.0, "under trees")
    cost_shrub: float = _cost(1.5, "in shrub")
    cost_grass: float = _cost(3.0, "in grass")
    cost_crop: float = _cost(4.0, "in crops")
    cost_pasture: float = _cost(4.0, "in hay or pasture")
    cost_park: float = _cost(4.0, "of park, lawn or verge")
    cost_orchard: float = _cost(2.0, "in an orchard or olive grove")
    cost_wetland: float = _cost(2.0, "in reeds or wet woods")
    # High but not closed: animals swim, and closed water would cut the land in parts without any
    # flow.
    cost_water: float = _cost(15.0, "of open water (it is swum, but seldom)")
    cost_built: float = _cost(30.0, "of built-up ground")
    cost_bare: float = _cost(5.0, "of bare ground")
    cost_snow: float = _cost(5.0, "of lasting snow or ice")
    cost_unknown: float = _cost(2.0, "of unknown cover")
    cost_road_major: float = _cost(30.0, "across a major road")
    cost_road_minor: float = _cost(6.0, "across a minor road")
    cost_road_track: float = _cost(1.0, "across a drive or track")
    # The same up and down: an animal that crosses the land comes from either side.
    slope_cost: CostKnots = param(
        [[0, 1], [5, 1.2], [15, 2], [25, 4], [35, 8], [45, 15]],
        "degrees, then times",
        PARKER,
        "Cost of sloping ground against level ground, straight lines between the knots.",
    )
    cell_m: float = param(
        10.0, "m", "design: coarse enough to be quick", "Cells of the network.", ge=2.0, le=100.0
    )
    # The factors of so many cells take about 460 MB.
    most_cells: int = param(
        200_000, "cells", OWN, "Make the cells wider rather than have more.", ge=100, le=4_000_000
    )
    directions: int = param(
        8, "directions", "design: at least eight", "Directions of crossing, averaged.", ge=2, le=64
    )
    surroundings_m: float = param(
        100.0,
        "m",
        OWN,
        "Traffic at a place is compared with the mean around it, weighted by distance with this "
        "standard deviation.",
        ge=20.0,
        le=2000.0,
    )


class FeatureRules(Section):
    """Features that are looked for and that spots are named by.

    Lengths in metres, areas in square metres or hectares as their names say.
    """

    reach_m: float = param(
        30.0, "m", OWN, "A spot serves a feature no farther than this.", ge=1.0, le=200.0
    )
    smoothing_m: float = param(
        15.0, "m", OWN, "Smoothing of the ground before saddles are looked for.", ge=1.0, le=100.0
    )
    saddle_ring_m: float = param(
        60.0, "m", OWN, "A saddle rises and falls within this far.", ge=5.0, le=500.0
    )
    # Well above what the elevations err by once they are smoothed.
    saddle_relief_m: float = param(
        1.5, "m", OWN, "Least rise to both sides and fall to the others.", ge=0.1, le=100.0
    )
    corner_radius_m: float = param(
        60.0, "m", OWN, "How far around an edge a corner is judged.", ge=10.0, le=500.0
    )
    strip_width_m: float = param(
        80.0, "m", OWN, "Woods narrower than this are a strip or a point.", ge=10.0, le=500.0
    )
    pond_least_m2: float = param(
        100.0, "m2", OWN, "A smaller pond has no ends worth naming.", ge=0.0, le=1e5
    )
    pond_most_ha: float = param(
        30.0, "ha", OWN, "Nor has a larger lake: nothing walks round it.", ge=0.1, le=1e5
    )
    lake_ha: float = param(
        5.0,
        "ha",
        OWN,
        "Open water of the land cover is called a lake from here on.",
        ge=0.0,
        le=1e5,
    )
    funnel_ratio: float = param(
        1.4, "times", OWN, "Least extra traffic of a narrow passage that is named.", ge=1.0, le=10.0
    )


class WetRules(Section):
    """When to warn of floods and of wet ground; a warning, never a judgement.

    Lengths in metres, slope in degrees, share 0..1.
    """

    flood_height_m: float = param(
        1.0,
        "m",
        "our choice: the lens hangs at 0.3 to 0.6 m and elevations err by as much",
        "Warn of floods on ground no higher above the stream it drains to.",
        ge=0.0,
        le=20.0,
    )
    # Low ground far from any water is a hollow, not a flood plain.
    flood_reach_m: float = param(150.0, "m", OWN, "Only this near to water.", ge=0.0, le=5000.0)
    flood_valley_m: float = param(
        30.0,
        "m",
        OWN,
        "Where no water layer was given: this near to a valley line a flood cannot be excluded.",
        ge=0.0,
        le=1000.0,
    )
    wet_share: float = param(
        0.05, "share", OWN, "Warn of the wettest share of the land by wetness index.", ge=0, le=1
    )
    wet_slope_deg: float = param(
        4.0, "degrees", OWN, "Only where the ground is flatter than this.", ge=0.0, le=30.0
    )


# Errors are of the maps' kind, not of one map: a survey with better maps writes its own.
class StabilityRules(Section):
    """How the places are put to the test: maps and ratios changed within what they may err.

    Errors and lengths in metres, of the cover in cells of its file; shares 0..1.
    """

    # 300 draws give a share to within 6 %, 19 times in 20 (docs/method/travel-and-ranks.md).
    draws: int = param(300, "draws", "design: at least 300", "Trials.", ge=0, le=10_000)
    seed: int = param(
        1,
        "whole number",
        OWN,
        "Start of the random numbers; the same gives the same.",
        ge=0,
        le=2**31 - 1,
    )
    line_error_m: float = param(
        5.0, "m", OWN, "Error of mapped lines and points, on each axis.", ge=0.0, le=200.0
    )
    cover_error_cells: float = param(
        0.5, "cells of the file", OWN, "Land cover is off by so much, on each axis.", ge=0, le=5
    )
    misread_share: float = param(
        0.05, "share", OWN, "Land cover that is another class, in patches.", ge=0.0, le=0.5
    )
    alike_m: float = param(
        75.0, "m", OWN, "Distance over which maps are off alike.", ge=1.0, le=10_000.0
    )
    travel_spread: float = param(
        0.5,
        "standard deviation of the logarithm",
        OWN,
        "How far the costs of travel, and so its flow, are changed.",
        ge=0.0,
        le=3.0,
    )
    heading_spread: float = param(
        0.2,
        "score",
        "fitted to whole runs, see docs/method/travel-and-ranks.md",
        "How far the score of the best heading is changed, for a place and again for each point.",
        ge=0.0,
        le=1.0,
    )
    missed_spread: float = param(
        0.1,
        "standard deviation of the logarithm",
        "fitted to whole runs of three places, see docs/method/travel-and-ranks.md",
        "What moved maps do not show at a place on cells of 30 m: features, edges and flow found "
        "anew; in proportion on finer cells.",
        ge=0.0,
        le=1.0,
    )
    # By the width of cells, for files seldom say how exact they are.
    error_fine_m: float = param(
        0.2, "m", OWN, "Error of elevations with cells up to 3 m (laser scans).", ge=0.0, le=100.0
    )
    error_medium_m: float = param(
        1.0,
        "m",
        "our choice, below the 2.44 m of a national 10 to 30 m data set against survey points, "
        "because neighbours err alike",
        "Error of elevations with cells above 3 m and up to 15 m.",
        ge=0.0,
        le=100.0,
    )
    error_coarse_m: float = param(
        3.0, "m", OWN, "Error of elevations with wider cells (from space).", ge=0.0, le=100.0
    )
    correlation_m: float = param(
        50.0, "m", OKSANEN, "Distance over which elevation errors are alike.", ge=1.0, le=10_000.0
    )
    first: int = param(
        5, "spots", LAHDELMA, "Each spot is asked how often it is among so many.", ge=1, le=100
    )
    radius_share: float = param(
        0.9,
        "share",
        "fitted to whole runs, see docs/method/travel-and-ranks.md",
        "The search circle holds this share of the best positions.",
        gt=0,
        le=1,
    )
    farthest_m: float = param(
        45.0, "m", OWN, "Farther off it is another place.", ge=10.0, le=1000.0
    )
    firm_share: float = param(
        0.8, "share", OWN, "From this share of the trials on: firm.", ge=0.0, le=1.0
    )
    fair_share: float = param(
        0.5, "share", OWN, "From this share on: fair; below: toss-up.", ge=0.0, le=1.0
    )

    @model_validator(mode="after")
    def _in_order(self) -> StabilityRules:
        if self.fair_share > self.firm_share:
            raise ValueError(
                f"fair_share = {self.fair_share:g} must not exceed firm_share = {self.firm_share:g}"
            )
        return self


def _tuples(value: Any) -> Any:
    return tuple(_tuples(part) for part in value) if isinstance(value, list) else value


Names = Annotated[tuple[str, ...], BeforeValidator(_tuples)]
Matrix = Annotated[tuple[tuple[float | str, ...], ...], BeforeValidator(_tuples)]


class PairwiseTable(Section):
    """Criteria judged two by two instead of given weights (Saaty 1980)."""

    criteria: Names = param(
        (), "", "Saaty 1980", "Criteria in the order of the rows; those left out keep their weight."
    )
    # Text as well as numbers: 1/3 cannot be written exactly as a decimal.
    matrix: Matrix = param(
        (), "times as important", "Saaty 1980", 'Rows of numbers, 1/9 to 9; "1/3" may be written.'
    )
    allow_inconsistent: bool = param(
        False, "", "Saaty 1980", "Take judgements with a consistency ratio above 0.10 as well."
    )


class ComparedAttractors(PairwiseTable):
    """Attractors judged two by two.

    `largest` is a ratio above 1: times as many pictures as on plain ground.
    """

    largest: float = param(
        2.0, "times", OWN, "Ratio that the most important one gets.", gt=1.0, le=20.0
    )


class ComparedConditions(PairwiseTable):
    """Conditions judged two by two.

    `largest` is a ratio below 1: times as many pictures as where it holds.
    """

    largest: float = param(
        0.5, "times", OWN, "Ratio that the most important one gets.", ge=0.05, lt=1.0
    )


class PairwiseRules(Section):
    """Pairwise comparison of attractors, of conditions, of both or of none."""

    attractors: ComparedAttractors = ComparedAttractors()
    conditions: ComparedConditions = ComparedConditions()
