"""What the card of a spot says first: how to get there, where to look, which way to face."""

from __future__ import annotations

import math
from collections.abc import Sequence

from siting.lengths import compass_word, length, whole_minutes
from siting.words.spot.reasons import accuracy_words

_LEAST_CLIMB_M = 5.0
# Below the error of elevation models in cells of 10 m, above that of laser scans.
_FINE_ERROR_M = 0.5
LEAST_OUTSIDE_M = 10.0
"""A shorter bit outside the parcel may be the width of a line on the map."""
# The rule of practice, without a source; the sun table of docs/method/heading.md bears it out at 42
# to 45 degrees north.
NO_HEADING = (
    "Face north if you can, otherwise south: low sun in the east and west dazzles the camera and "
    "sets it off. (South of the equator, face south first.)"
)


def reading(heading_deg: float, magnetic_deg: float | None, *, span_deg: float = 0.0) -> str:
    """A heading as a volunteer reads it: what a hand compass shows first, then true.

    Parameters
    ----------
    heading_deg, magnetic_deg : degrees clockwise from true and from magnetic north
    span_deg : how wide the direction is that the maps can tell; 0 for a heading in degrees

    Examples
    --------
    >>> reading(355.2, 4.4), reading(90.0, None)
    ('north, 4° on a compass (355° true)', 'east, 90° true')
    >>> reading(45.0, 54.4, span_deg=45.0)
    'north-east, anywhere from 32° to 77° on a compass (23° to 68° true)'
    """
    # No single number: a volunteer would set it to the degree.
    if span_deg:
        true = f"{span_words(heading_deg, span_deg)} true"
        way = f"{compass_word(heading_deg)}, anywhere from"
        if magnetic_deg is None:
            return f"{way} {true}"
        return f"{way} {span_words(magnetic_deg, span_deg)} on a compass ({true})"
    true = f"{round(heading_deg) % 360}° true"
    if magnetic_deg is None:
        return f"{compass_word(heading_deg)}, {true}"
    return f"{compass_word(heading_deg)}, {round(magnetic_deg) % 360}° on a compass ({true})"


def span_words(middle_deg: float, span_deg: float) -> str:
    """Both ends of a direction, clockwise, in whole degrees.

    Examples
    --------
    >>> span_words(0.0, 45.0)
    '338° to 23°'
    """
    # Both ends rounded the same way, or true and magnetic ends would lie unequally far apart.
    low, high = (math.floor(middle_deg + side * span_deg / 2.0 + 0.5) % 360 for side in (-1, 1))
    return f"{low}° to {high}°"


def walk_lines(
    *,
    length_m: float,
    there_min: float,
    back_min: float,
    climb_m: float,
    height_error_m: float = 0.0,
    along: Sequence[str],
    from_road: bool,
    unknown_crossings: int,
    outside_m: float = 0.0,
) -> list[str]:
    """The walk to a spot, and what to mind on it; first of all that it leads over others' land.

    Parameters
    ----------
    length_m, climb_m : metres on the map, and metres up on the way there
    height_error_m : error of the elevations that the climb was added up from, metres
    there_min, back_min : minutes on foot
    along : names of the trails and roads it follows
    from_road : whether it starts at a road because no way in was given
    unknown_crossings : streams it crosses where no crossing is known
    outside_m : metres of it over the land of others
    """
    up = climb_words(climb_m, height_error_m)
    climb = f" On the way there you climb {up}." if up else ""
    trails = f", along {' and '.join(along)}" if along else ""
    lines = [outside_line(outside_m, length_m)] if outside_m >= LEAST_OUTSIDE_M else []
    lines += [f"{length(length_m)} on foot{trails}: {minutes_words(there_min, back_min)}.{climb}"]
    if from_road:
        lines.append(
            "The walk starts at the nearest point on a road. We do not know whether you may stop "
            "and cross there: ask first."
        )
    if unknown_crossings:
        lines.append(
            "The walk reaches a stream where no crossing is known. Do not cross water to reach a "
            "camera: find another way."
        )
    return lines


def climb_words(climb_m: float, height_error_m: float) -> str:
    """How far up a walk goes, no finer than its elevations; "" where they do not show it.

    Both in metres.

    Examples
    --------
    >>> climb_words(12.0, 0.2), climb_words(47.0, 3.0), climb_words(11.0, 3.0)
    ('12 m (39 ft)', 'about 50 m (160 ft)', '')
    """
    shown_m = climb_known_m(climb_m, height_error_m)
    if shown_m < _LEAST_CLIMB_M:
        return ""
    return f"{'about ' if height_error_m > _FINE_ERROR_M else ''}{length(shown_m)}"


def climb_known_m(climb_m: float, height_error_m: float) -> float:
    """The climb in metres as far as its elevations (error in metres) can show it, else 0.

    To the metre from laser scans, else in tens: a way of some hundred metres adds up many errors.
    """
    if height_error_m <= _FINE_ERROR_M:
        return climb_m
    return 10.0 * math.floor(climb_m / 10.0 + 0.5) if climb_m >= 4.0 * height_error_m else 0.0


def outside_line(outside_m: float, length_m: float) -> str:
    """How much of the walk leads over the land of others.

    Examples
    --------
    >>> outside_line(932.0, 990.0)
    "930 m (3050 ft) of the walk are on somebody else's land: ask its owner first."
    >>> outside_line(985.0, 990.0)
    "Nearly all of the walk is on somebody else's land: ask its owner first."
    """
    asked = "on somebody else's land: ask its owner first."
    # "985 m of 990 m" invites the question about the other five, and no map is that exact.
    if outside_m > 0.98 * length_m:
        return f"Nearly all of the walk is {asked}"
    return f"{length(outside_m)} of the walk are {asked}"


def minutes_words(there_min: float, back_min: float) -> str:
    """How long a walk takes, both ways in minutes.

    Examples
    --------
    >>> minutes_words(16.0, 18.0), minutes_words(1.0, 1.0)
    ('about 16 minutes there and 18 minutes back', 'about 1 minute each way')
    """
    there, back = _minutes(there_min), _minutes(back_min)
    if there == back:
        return f"about {there} each way"
    return f"about {there} there and {back} back"


def _minutes(minutes: float) -> str:
    whole = whole_minutes(minutes)
    return f"{whole} minute{'' if whole == 1 else 's'}"


def look_line(error_m: float, radius_m: float) -> str:
    """Where to look for the tree: how far off the point may be, and the circle, metres."""
    return f"{accuracy_words(error_m, radius_m)}. Choose the best tree in the circle."
