"""Plain sentences: why a spot is here, what pulled it down, what only eyes can settle."""

from __future__ import annotations

import math
from collections.abc import Mapping

from siting import criteria
from siting.lengths import FEET_PER_M, compass_word, length, percent, points
from siting.scoring.combine import strengths
from siting.settings.protocol_travel import WetRules
from siting.types import CoverRole

_STRONG = 0.5
_WEAK = 0.75


def why(
    memberships: Mapping[str, float],
    weights: Mapping[str, float],
    measures: Mapping[str, float],
    *,
    bearings_deg: Mapping[str, float | None] | None = None,
    named: bool = False,
) -> tuple[str, ...]:
    """What speaks for a spot, strongest first; the feature of the land last.

    Parameters
    ----------
    memberships : mapping from criterion to 0..1 at the spot
    weights : mapping from criterion to its weight
    measures : mapping from layer name to the value at the spot
    bearings_deg : mapping from layer name to the compass bearing of what its distance is measured
        to, None where that cannot be told
    named : whether the spot's name tells its feature: then it is not told twice
    """
    rows = criteria.attractors()
    strength = strengths(memberships, weights)
    strong = [n for n in strength if memberships[n] >= _STRONG and strength[n] > 0]
    chosen = sorted(strong, key=lambda n: (rows[n].told_by_name, -strength[n]))
    if named and len(chosen) > 1 and rows[chosen[-1]].told_by_name:
        chosen.pop()
    if not chosen:
        best = max(strength, key=lambda n: strength[n], default="")
        chosen = [best] if best and strength[best] > 0 else []
    way = bearings_deg or {}
    said = tuple(
        row.why.format(value=measures[row.layer], far=_far(measures[row.layer], way.get(row.layer)))
        for row in (rows[name] for name in chosen)
    )
    return said or ("Nothing draws animals here for sure; the ground itself is good.",)


def pulled_down(memberships: Mapping[str, float], measures: Mapping[str, float]) -> tuple[str, ...]:
    """What speaks against a spot, worst first."""
    rows = criteria.conditions()
    weak = [n for n in rows if n in memberships and memberships[n] < _WEAK]
    weak.sort(key=lambda n: memberships[n])
    return tuple(_weakness(rows[name], measures[rows[name].layer]) for name in weak)


def _far(metres: float, bearing_deg: float | None) -> str:
    """How far and where to: "right here", "12 m (39 ft) to the north" or "... away"."""
    if metres < 1.0:
        return "right here"
    where = "away" if bearing_deg is None else f"to the {compass_word(bearing_deg)}"
    return f"{length(metres)} {where}" if math.isfinite(metres) else "far away"


def _weakness(row: criteria.Condition, value: float) -> str:
    if math.isinf(value):
        return row.weakness_nowhere
    return row.weakness.format(
        value=value, percent=percent(value), points=points(value), length=length(value)
    )


def on_site(
    *,
    role: CoverRole,
    measures: Mapping[str, float],
    dem_cell_m: float,
    search_radius: float,
) -> tuple[str, ...]:
    """What only eyes on the spot can settle, most important first."""
    said = [
        f"Look within {length(search_radius)} for the best tree: the map is no finer than that.",
        "Look for fresh signs: tracks, droppings, hair on wire, a worn path, rubbed bark.",
        "Kneel and look: no twigs or tall grass that move in the wind may stand in front of the "
        'lens, as far as told under "Clear".',
    ]
    if measures.get("distance_to_tree_m", 0.0) > 10.0:
        said.append("No tree cover is mapped within reach: find a single tree or bring a post.")
    else:
        said.append("Choose a sound, living tree as thick as a leg that does not sway.")
    if role in (CoverRole.SHRUB, CoverRole.WETLAND, CoverRole.CROP):
        said.append("Think ahead: will these plants grow into the view within weeks?")
    if measures.get("distance_to_water_m", math.inf) < 30.0:
        said.append("Look for flood marks (drift, mud lines): stay well above them.")
    if dem_cell_m > 5.0:
        said.append("The elevation data are coarse: judge slope and view on site.")
    said.append("Make sure that no house, road, path or neighbour's land is in the picture.")
    return tuple(said)


def wet_warnings(measures: Mapping[str, float], *, rules: WetRules) -> tuple[str, ...]:
    """Warnings of floods and of wet ground at a spot, from the elevations."""
    said = []
    height = measures.get("height_above_water_m", math.nan)
    far = measures.get("distance_to_water_m", math.inf)
    if height <= rules.flood_height_m and far <= rules.flood_reach_m:
        level = (
            "level with"
            if height < 0.15
            else f"only {height:.1f} m ({round(height, 1) * FEET_PER_M:.0f} ft) above"
        )
        said.append(
            f"Flood: by the elevations this ground lies {level} the water it drains to. High "
            "water may reach the camera: look for flood marks and heed local flood warnings."
        )
    flat = measures.get("slope_deg", math.inf) <= rules.wet_slope_deg
    if flat and measures.get("wetter_than_share", 0.0) >= 1.0 - rules.wet_share:
        said.append(
            "Wet ground: water gathers here. Expect a soft footing and tall growth, and choose a "
            "tree on firm ground close by."
        )
    return tuple(said)
