"""Plain sentences: why a spot is here, what pulled it down, what to check on site."""

from __future__ import annotations

import math
from collections.abc import Mapping

from siting import criteria
from siting.ground.known import FINEST_HEIGHT_M
from siting.lengths import FEET_PER_M, about, compass_word, is_close, length, percent, points
from siting.scoring.combine import strengths
from siting.settings.protocol_travel import WetRules
from siting.types import CoverRole, Spot

STRONG = 0.5
"""Membership from which a criterion is a reason, and may give a spot its kind."""

_WEAK = 0.75
# What lies within an error so wide is not close by: it may be out of sight. Our choice.
_WIDE_M = 50.0

NOTHING_DRAWS = (
    "On these maps this place does not stand out from the ground around it: go by fresh tracks and "
    "worn paths.",
)
"""What is said of a place for which no criterion speaks: it has no rank among its like."""

PEOPLE_LIKELY = (
    "By the land cover this is a park, lawn or verge, where people are likely, so no place is "
    "named here: go by fresh tracks and worn paths, and ask who comes here and when.",
)
"""What is said of an area of such ground, whatever may draw animals there."""

NOTHING_KNOWN = "no place there stands out on the maps"
"""The same as a clause, for letters and tables."""


def why(
    memberships: Mapping[str, float],
    weights: Mapping[str, float],
    measures: Mapping[str, float],
    *,
    radius_m: float,
    cover_cell_m: float = 0.0,
    bearings_deg: Mapping[str, float | None] | None = None,
    named: bool = False,
) -> tuple[str, ...]:
    """What speaks for a spot: first what is assumed, then the strongest; a feature comes last.

    Parameters
    ----------
    memberships : mapping from criterion to 0..1 at the spot
    weights : mapping from criterion to its weight
    measures : mapping from layer name to the value at the spot
    radius_m : how far off the point may be, metres: what is nearer is "close by"
    bearings_deg : mapping from layer name to the compass bearing of what its distance is measured
        to; None where it is not known
    cover_cell_m : cell size of the land cover, metres: its edges are no more exact
    named : whether the spot's name already says its feature, which is then not repeated
    """
    how = {name: criteria.known_at(name, measures) for name in memberships}
    rows = {n: row.as_known(how.get(n, "")) for n, row in criteria.attractors().items()}
    strength = strengths(memberships, weights)

    def sayable(name: str) -> bool:
        """Whether the thing that the sentence measures to is the one that counted here."""
        row = rows[name]
        return not row.said_by or measures[row.said_by] <= measures.get(row.layer, math.inf)

    strong = [n for n in strength if memberships[n] >= STRONG and strength[n] > 0 and sayable(n)]
    chosen = sorted(
        strong,
        key=lambda n: (how[n] != criteria.ASSUMED, rows[n].told_by_name, -strength[n]),
    )
    # The spot's name says this already; alone it must stay, or there would be no reason at all.
    if named and len(chosen) > 1 and rows[chosen[-1]].told_by_name:
        chosen.pop()
    if not chosen:
        # A faint distance is still a distance; a faint passage is none.
        faint = [n for n in strength if strength[n] > 0 and rows[n].unit == "m" and sayable(n)]
        chosen = [max(faint, key=lambda n: strength[n])] if faint else []
    way = bearings_deg or {}
    said = tuple(
        row.why.format(
            value=measures[row.measure],
            far=_far(
                measures[row.measure],
                way.get(row.measure),
                max(radius_m, cover_cell_m if _of_cover(row) else 0.0),
            ),
        )
        for row in (rows[name] for name in chosen)
    )
    return said or NOTHING_DRAWS


def pulled_down(
    memberships: Mapping[str, float], measures: Mapping[str, float], *, radius_m: float
) -> tuple[str, ...]:
    """What speaks against a spot, worst first.

    Parameters
    ----------
    memberships : mapping from criterion to 0..1 at the spot
    measures : mapping from layer name to the value at the spot, in the unit of its name
    radius_m : how far off the point may be, metres
    """
    rows = criteria.conditions()
    weak = [n for n in rows if n in memberships and memberships[n] < _WEAK]
    weak.sort(key=lambda n: memberships[n])
    return tuple(_weakness(rows[name], measures[rows[name].layer], radius_m) for name in weak)


def point_error_m(spot: Spot) -> float:
    """How far off the point of a spot may be, metres: as far as the trials found it.

    Its circle may be narrower, where it ends on the way to another spot of the list.
    """
    tried = spot.stability.radius_m if spot.stability else math.nan
    return max(spot.search_radius_m, tried) if math.isfinite(tried) else spot.search_radius_m


def accuracy_words(error_m: float, radius_m: float) -> str:
    """How exact a point is, as a clause; both in metres.

    Examples
    --------
    >>> accuracy_words(30.0, 30.0)
    'The map is accurate to about 30 m (98 ft)'
    >>> accuracy_words(45.0, 30.0)
    'The map is accurate to about 45 m (148 ft); another spot is near, so look within 30 m (98 ft)'
    """
    accurate = f"The map is accurate to about {length(error_m)}"
    near = f"; another spot is near, so look within {length(radius_m)}"
    return accurate + (near if error_m > radius_m else "")


def _of_cover(row: criteria.Attractor) -> bool:
    """Whether a thing is known from the land cover alone, and no better than its cells."""
    return any(need.layers == ("land_cover",) for need in row.needs)


def _far(metres: float, bearing_deg: float | None, radius_m: float) -> str:
    """How far and where to: "close by", "about 40 m (130 ft) to the north" or "... away".

    Where the error is wide, "close by" would claim more than is known: it is said how wide.
    """
    if is_close(metres, radius_m):
        return f"somewhere {wide}" if (wide := _within(metres, radius_m)) else "close by"
    where = "away" if bearing_deg is None else f"to the {compass_word(bearing_deg)}"
    return f"{about(metres, radius_m)} {where}" if math.isfinite(metres) else "far away"


def _within(metres: float, error_m: float) -> str:
    """The error as a phrase where a thing may lie anywhere in a wide one; "" elsewhere."""
    hidden = is_close(metres, error_m) and error_m > _WIDE_M
    return f"within {about(error_m, error_m)}" if hidden else ""


def wide_words(spot: Spot, *, cover_cell_m: float) -> str:
    """What the name of a spot says of how far off that is which it stands for, "" = close by.

    Where the reason says "somewhere within about 80 m", "beside water" would be more than is known.
    `cover_cell_m` is the cell size of the land cover, metres.
    """
    row = criteria.attractors().get(spot.kind)
    if row is None or row.unit != "m":
        return ""
    error_m = max(point_error_m(spot), cover_cell_m if _of_cover(row) else 0.0)
    return _within(spot.measures.get(row.measure, math.inf), error_m)


def _weakness(row: criteria.Condition, value: float, radius_m: float) -> str:
    if math.isinf(value):
        return row.weakness_nowhere
    return row.weakness.format(
        value=value, percent=percent(value), points=points(value), length=about(value, radius_m)
    )


def field_checks(
    *,
    role: CoverRole,
    measures: Mapping[str, float],
    dem_cell_m: float,
    search_radius: float,
    error_m: float,
    flood: bool = False,
) -> tuple[str, ...]:
    """What only a look on site can settle, most important first.

    Parameters
    ----------
    role : land cover at the spot
    measures : mapping from layer name to the value at the spot, in the unit of its name
    dem_cell_m : cell size of the elevation file, metres
    search_radius : how far around the point to look, metres
    error_m : how far off the point may be, metres (`point_error_m`)
    flood : whether the spot has a warning of floods
    """
    fence_m = measures.get("distance_to_boundary_m", math.inf)
    stay = " and inside the boundary" if fence_m < search_radius else ""
    said = [
        f"{accuracy_words(error_m, search_radius)}: choose the best tree in that circle{stay}.",
        "Look for fresh signs: tracks, droppings, hair on wire, a worn path, rubbed bark.",
        "Kneel at lens height and look: trim twigs and tall grass that would move in the wind, as "
        'far out as "Clear" says.',
    ]
    said.append(_WHAT_HOLDS[what_holds(measures, search_radius)])
    # Reeds, brambles and maize can hide the view after the camera is up.
    if role in (CoverRole.SHRUB, CoverRole.WETLAND, CoverRole.CROP):
        said.append("Think ahead: could these plants grow into the view within weeks?")
    # Valley lines, too: streams may be missing from the maps.
    wet = ("distance_to_water_m", "distance_to_valley_m")
    if flood or any(measures.get(layer, math.inf) < max(30.0, search_radius) for layer in wet):
        said.append("Look for flood marks (driftwood, mud lines) and stay well above them.")
    # Wider cells show no line of sight from the height of a lens: at 20 m it grazes the ground at
    # 1.4 degrees (docs/method/heading.md).
    if dem_cell_m > 5.0:
        said.append("The elevation map is coarse: check slope and view on site.")
    said.append("Make sure no house, road, path or neighbour's land is in the picture.")
    return tuple(said)


TREE, FAR, NOWHERE, UNKNOWN = "tree", "far", "nowhere", "unknown"
TREE_CLOSE_M = 10.0
"""A tree this near is at the spot, as far as anybody walks with a camera in hand; our choice."""

_WHAT_HOLDS = {
    TREE: "Choose a healthy, living tree as thick as your leg that does not sway.",
    FAR: "The maps show no trees close by: look for a single tree, or bring a post.",
    NOWHERE: "Set the post so firmly that neither wind nor a rubbing animal moves it.",
    UNKNOWN: "No map of trees was given: look for a healthy, living tree, or bring a post.",
}


def what_holds(measures: Mapping[str, float], search_radius_m: float) -> str:
    """What a camera is strapped to, as far as the maps know: TREE, FAR, NOWHERE or UNKNOWN.

    Parameters
    ----------
    measures : mapping from layer name to the value at the spot
    search_radius_m : how far around the point to look, metres

    Examples
    --------
    >>> what_holds({"distance_to_tree_m": 4.0}, 15.0), what_holds({}, 15.0)
    ('tree', 'unknown')
    """
    away_m = measures.get("distance_to_tree_m", math.nan)
    if math.isnan(away_m):
        return UNKNOWN
    # Within the radius the map cannot say that there is no tree: it may stand anywhere in it.
    if away_m <= max(TREE_CLOSE_M, search_radius_m):
        return TREE
    return FAR if math.isfinite(away_m) else NOWHERE


def wet_warnings(
    measures: Mapping[str, float], *, rules: WetRules, dem_cell_m: float, error_m: float
) -> tuple[str, ...]:
    """Warnings of floods and of wet ground at a spot, given wherever the data cannot rule them out.

    Parameters
    ----------
    measures : mapping from layer name to the value at the spot
    rules : WetRules
    dem_cell_m : cell size of the elevation file, metres: no height is given from wide cells
    error_m : error of the elevations, metres
    """
    # The wetness index is also high on steep ground with much land above it, which drains.
    flat = measures.get("slope_deg", math.inf) <= rules.wet_slope_deg
    wet = flat and measures.get("wetter_than_share", 0.0) >= 1.0 - rules.wet_share
    flood = flood_warning(measures, rules=rules, dem_cell_m=dem_cell_m, error_m=error_m)
    return (*((flood,) if flood else ()), *((WET_GROUND,) if wet else ()))


def flood_warning(
    measures: Mapping[str, float], *, rules: WetRules, dem_cell_m: float, error_m: float
) -> str:
    """The warning of floods at a spot, "" where the data rule them out.

    Parameters as of `wet_warnings`: `dem_cell_m` and `error_m` in metres.
    """
    height = measures.get("height_above_water_m", math.nan)
    if measures.get("distance_to_water_m", math.inf) <= rules.flood_reach_m:
        # A height that is not known, or not known well enough, leaves the flood possible.
        if height > rules.flood_height_m + 2.0 * error_m:
            return ""
        if dem_cell_m > FINEST_HEIGHT_M or not height <= rules.flood_height_m:
            return FLOOD_POSSIBLE
        level = (
            "about level with"
            if height < error_m
            else f"only about {height:.1f} m ({round(height, 1) * FEET_PER_M:.0f} ft) above"
        )
        return f"Flood: this ground is {level} the water. {_HEED}"
    if measures.get("distance_to_valley_m", math.inf) <= rules.flood_valley_m:
        return FLOOD_IN_VALLEY
    return ""


_HEED = "High water may reach the camera: look for flood marks and heed local flood warnings."
FLOOD_POSSIBLE = (
    f"Flood: water is close, and the maps cannot show how far above it this ground is. {_HEED}"
)
FLOOD_IN_VALLEY = (
    "Flood: streams are not mapped here, and this may be the bottom of a valley. Water may reach "
    "the camera after rain: look for flood marks and heed local flood warnings."
)
WET_GROUND = (
    "Wet ground: by the shape of the land, water may gather here. Expect soft ground and tall "
    "growth, and choose a tree on firm ground close by."
)
