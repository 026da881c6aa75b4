"""A heading in plain words: why this way, what to know, how to set the lens."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.grid import FloatArray

GOOD, FAIR = 0.7, 0.5
"""Scores from which a heading is called good, and fair; our choice."""

_POINTS = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)
_FEET = 3.28084
_LEVEL_DEG = 3.0
_IN_VIEW_DEG = 25.0


@dataclass(frozen=True, eq=False)
class AimFacts:
    """One heading of one candidate, as the words need it; units in the names."""

    heading_deg: float
    sun_minutes: float
    sun_by_hour: FloatArray
    least_sun_minutes: float
    flat_minutes: float
    sun_never_up: bool
    clear_m: float | None
    zone_m: float
    line: str
    crossing_deg: float
    met_m: float
    target: str
    target_turn_deg: float
    target_m: float
    neighbour_share: float
    people_m: float
    rise_deg: float
    tilt_deg: float
    brush_share: float
    water_share: float
    reach_m: float


def point_of(heading_deg: float) -> str:
    """The nearest of eight compass points.

    Examples
    --------
    >>> point_of(350.0), point_of(25.0), point_of(180.0)
    ('north', 'north-east', 'south')
    """
    return _POINTS[round(heading_deg / 45.0) % 8]


def metres_and_feet(metres: float) -> str:
    """Whole metres with feet beside them.

    Examples
    --------
    >>> metres_and_feet(15.0)
    '15 m (49 ft)'
    """
    return f"{metres:.0f} m ({metres * _FEET:.0f} ft)"


def sun_when(by_hour: FloatArray) -> str:
    """When the sun stands in the picture, by hours of the local clock; "" for under a minute.

    Examples
    --------
    >>> hours = np.zeros(24)
    >>> hours[6:8] = 20.0
    >>> sun_when(hours)
    'morning'
    """
    total = float(by_hour.sum())
    if total < 1.0:
        return ""
    named = {
        "morning": by_hour[3:11].sum(),
        "midday": by_hour[11:15].sum(),
        "evening": by_hour[15:21].sum(),
        "midnight": by_hour[21:].sum() + by_hour[:3].sum(),
    }
    return " and ".join(word for word, part in named.items() if part >= 0.2 * total)


def reason(facts: AimFacts) -> str:
    """Why this heading, in one line of plain words."""
    said = [f"faces {point_of(facts.heading_deg)}, {_sun(facts)}", _clear(facts), _line(facts)]
    said.append(_target(facts))
    if np.isfinite(facts.people_m):
        said.append(f"a road or building in sight at {metres_and_feet(facts.people_m)}")
    if facts.neighbour_share > 0.3:
        said.append("part of the view lies outside the parcel")
    return _sentence("; ".join(part for part in said if part))


def notes(facts: AimFacts) -> tuple[str, ...]:
    """What a reader must know besides the reason."""
    said = []
    if facts.least_sun_minutes >= 1.0:
        said.append("no heading is free of low sun here")
    saved = facts.flat_minutes - facts.sun_minutes
    if saved >= 5.0:
        said.append(f"hills keep off {saved:.0f} minutes of low sun a day")
    if facts.reach_m < 1000.0:
        said.append(f"the skyline is known only to {metres_and_feet(facts.reach_m)}")
    if facts.brush_share >= 0.25:
        said.append("brush to clear in the view")
    if facts.water_share >= 0.1:
        said.append("open water in the view can glare")
    return tuple(_sentence(text) for text in said)


def lens_advice(facts: AimFacts, *, lens_height_m: float) -> str:
    """Height and tilt of the lens on the ground it stands on."""
    inches = lens_height_m * _FEET
    said = [f"lens {lens_height_m:.2f} m ({inches:.1f} ft) above the ground"]
    if not np.isfinite(facts.rise_deg):
        said.append("set it parallel to the ground ahead")
    elif facts.rise_deg <= -_LEVEL_DEG:
        said.append(f"the ground falls {-facts.rise_deg:.0f}° ahead: tilt the lens down with it")
    elif facts.rise_deg >= _LEVEL_DEG:
        said.append(
            f"the ground rises {facts.rise_deg:.0f}° ahead: set the lens parallel to it, "
            "not at the sky"
        )
    else:
        said.append("level, or a touch down")
    if abs(facts.tilt_deg) >= 2 * _LEVEL_DEG:
        side = "left" if facts.tilt_deg > 0 else "right"
        said.append(
            f"the ground slopes {abs(facts.tilt_deg):.0f}° down to the {side}: "
            "turn the camera to match it"
        )
    return _sentence("; ".join(said))


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _sun(facts: AimFacts) -> str:
    if facts.sun_never_up:
        return "the sun does not rise in these days"
    if facts.sun_minutes < 1.0:
        return "no low sun in the frame"
    when = sun_when(facts.sun_by_hour)
    if facts.sun_minutes < 3.0:
        return f"hardly any low {when} sun in the frame"
    return f"low {when} sun in the frame, {facts.sun_minutes:.0f} minutes a day"


def _clear(facts: AimFacts) -> str:
    if facts.clear_m is None:
        return "judge the view on site"
    if facts.clear_m >= 2.0:
        return f"clear ground for {metres_and_feet(facts.clear_m)}"
    return "hardly any clear ground ahead"


def _target(facts: AimFacts) -> str:
    """Whether the feature stands in the picture; where not, from which side it would."""
    if not facts.target or np.isnan(facts.target_turn_deg):
        return ""
    ahead = metres_and_feet(facts.target_m)
    if facts.target_turn_deg <= _IN_VIEW_DEG:
        return f"in view, {ahead} ahead: {facts.target}"
    side = point_of(facts.heading_deg + 180.0)
    return f"better still from the {side} side of what is {ahead} away: {facts.target}"


def _line(facts: AimFacts) -> str:
    if not facts.line:
        return ""
    if facts.met_m > 2.0 * facts.zone_m:
        return f"the {facts.line} is not in the view"
    if facts.met_m > facts.zone_m:
        return f"the {facts.line} is met {metres_and_feet(facts.met_m)} ahead"
    if facts.crossing_deg < 15.0:
        return f"the {facts.line} runs along the view"
    if facts.crossing_deg <= 55.0:
        return f"the {facts.line} crosses at a slant"
    return f"the {facts.line} crosses nearly square"
