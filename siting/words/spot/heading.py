"""A heading in plain words: why this way, what to know, how to set the lens."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from siting.grid import FloatArray
from siting.lengths import FEET_PER_M, compass_word, length
from siting.spot_parts import Aim, HeadingFacts, HeadingWords

GOOD, FAIR = 0.7, 0.5
"""Scores from which a heading is called good, and fair; our choice."""

# Common practice, no source: knee height, 1 to 2 feet.
_USUAL_LENS_M = (0.3, 0.6)
_LEVEL_DEG = 3.0
# Half of 50 degrees, the field of view that the protocol has by default.
_IN_VIEW_DEG = 25.0

# What a heading with more low sun has before the others, by part of its score.
BETTER: Mapping[str, str] = {
    "clear": "the ground blocks less of the view",
    "slant": "animals cross the view better",
    "target": "what draws animals is in view",
    "private": "fewer people or neighbours are in view",
    "level": "the ground is more level",
    "cover": "fewer plants block the view",
}

# Why there is no magnetic heading, or not a sure one. The years are those of WMM2025.
COMPASS_TROUBLE: Mapping[str, str] = {
    "years": "No compass heading: the magnetic model only covers 2025 to 2029.",
    "pole": "No compass heading: a compass does not work this close to the magnetic pole.",
    "near pole": "A compass is unreliable this close to the magnetic pole.",
}


def heading_words(aim: Aim, *, lens_height_m: float) -> HeadingWords:
    """Everything the card says about an aim; `lens_height_m` in metres above the ground."""
    trouble = COMPASS_TROUBLE.get(aim.compass_trouble, "")
    return HeadingWords(
        reason=reason(aim.best),
        second_reason=reason(aim.second) if aim.second else "",
        lens=lens_advice(aim.best, lens_height_m=lens_height_m),
        notes=(*notes(aim.best), *((trouble,) if trouble else ())),
        sun_when=sun_when(aim.best.sun_by_hour),
    )


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


def reason(facts: HeadingFacts) -> str:
    """Why this heading, in short plain sentences; the heading itself stands beside them."""
    said = [_sun(facts), _clear(facts)]
    # Where only a direction is known, neither the angle of a trail nor metres ahead are.
    if facts.exact:
        said += [_line(facts), _target(facts)]
    if np.isfinite(facts.people_m):
        away = f" at {length(facts.people_m)}" if facts.exact else ""
        said.append(f"a road or building is in sight{away}")
    said.append(_leaves(facts))
    return " ".join(_sentence(part) for part in said if part)


def notes(facts: HeadingFacts) -> tuple[str, ...]:
    """What a reader must know besides the reason."""
    said = []
    if facts.won_by:
        facing = compass_word(facts.rival_deg)
        said.append(f"facing {facing} there would be less low sun, but this way {_better(facts)}")
    # Otherwise a reader looks for a better heading that does not exist.
    if facts.least_sun_minutes >= 1.0:
        said.append("every direction has some low sun here")
    saved = facts.flat_minutes - facts.sun_minutes
    if saved >= 5.0:
        said.append(f"hills block the low sun for {saved:.0f} minutes a day")
    if facts.reach_m < 1000.0:
        said.append(f"the maps show the skyline only as far as {length(facts.reach_m)}")
    if facts.brush_share >= 0.25:
        said.append("there is brush to clear in the view")
    if facts.water_share >= 0.1:
        said.append("glare from open water is possible")
    return tuple(_sentence(text) for text in said)


def _better(facts: HeadingFacts) -> str:
    """What this heading has before one with less sun; no more is in view than the picture holds."""
    seen = _target_ahead(facts) and not _target_beyond(facts)
    if facts.won_by == "target" and not seen:
        return "the camera looks closer to what draws animals"
    return BETTER[facts.won_by]


def lens_advice(facts: HeadingFacts, *, lens_height_m: float) -> str:
    """Height and tilt of the lens; `lens_height_m` in metres above the ground."""
    said = []
    # Cells too coarse to know the ground ahead: no angle is claimed.
    if not np.isfinite(facts.rise_deg):
        said.append("tilt it to match the ground ahead")
    elif facts.rise_deg <= -_LEVEL_DEG:
        said.append(f"the ground falls {-facts.rise_deg:.0f}° ahead: tilt the lens down to match")
    elif facts.rise_deg >= _LEVEL_DEG:
        said.append(
            f"the ground rises {facts.rise_deg:.0f}° ahead: tilt the lens up to match, "
            "but keep the sky out of the picture"
        )
    else:
        said.append("level, or tilted slightly down")
    if abs(facts.tilt_deg) >= 2 * _LEVEL_DEG:
        side = "left" if facts.tilt_deg > 0 else "right"
        said.append(
            f"the ground slopes {abs(facts.tilt_deg):.0f}° down to the {side}: "
            "turn the camera to match it"
        )
    return f"Lens {lens_height(lens_height_m)}. {_sentence('; '.join(said))}"


def lens_height(metres: float) -> str:
    """The height of the lens, and what is usual where it lies within that.

    Examples
    --------
    >>> lens_height(1.0)
    '1.00 m (3.3 ft) above the ground'
    """
    said = f"{metres:.2f} m ({metres * FEET_PER_M:.1f} ft) above the ground"
    low, high = _USUAL_LENS_M
    if not low <= metres <= high:
        return said
    feet = f"{low * FEET_PER_M:.0f} to {high * FEET_PER_M:.0f} ft"
    return f"{said}; {low:g} to {high:g} m ({feet}) is usual"


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _sun(facts: HeadingFacts) -> str:
    if facts.sun_never_up:
        return "the sun does not rise on these dates"
    if facts.sun_minutes < 1.0:
        return "no low sun in the picture"
    when = f"{sun_when(facts.sun_by_hour)} ".lstrip()
    if facts.sun_minutes < 3.0:
        return f"hardly any low {when}sun in the picture"
    # Of a whole direction it is the worst heading within.
    most = "" if facts.exact else "up to "
    return f"low {when}sun in the picture, {most}{facts.sun_minutes:.0f} minutes a day"


def _clear(facts: HeadingFacts) -> str:
    if facts.clear_m is None:
        return "check the view on site"
    if facts.clear_m >= 2.0:
        return f"the ground does not block the view for the first {length(facts.clear_m)}"
    return "the ground blocks nearly all of the view"


def _target(facts: HeadingFacts) -> str:
    """Whether the feature stands in the picture; where not, from which side it would."""
    if not facts.target or np.isnan(facts.target_turn_deg):
        return ""
    ahead = length(facts.target_m)
    if _target_ahead(facts):
        seen = "probably too far" if _target_beyond(facts) else "in view"
        return f"{seen}, {ahead} ahead: {facts.target}"
    if not facts.side_open:
        return ""
    side = compass_word(facts.heading_deg + 180.0)
    return (
        f"not in view, {ahead} away: {facts.target}. To get it in the picture, use a tree on dry "
        f"ground on its {side} side"
    )


def _target_ahead(facts: HeadingFacts) -> bool:
    """Whether a feature stands within the picture's sides, however far."""
    return bool(facts.target) and facts.target_turn_deg <= _IN_VIEW_DEG


def _target_beyond(facts: HeadingFacts) -> bool:
    """Whether a feature stands ahead, though farther than the view is clear."""
    return _target_ahead(facts) and facts.target_m > facts.zone_m


def _leaves(facts: HeadingFacts) -> str:
    """Where the view leaves the parcel, when that is near or takes in much of the view."""
    if facts.neighbour_share <= 0.3 and facts.inside_m > 2.0 * facts.zone_m:
        return ""
    if not facts.exact or not 1.0 <= facts.inside_m < float("inf"):
        return "part of the view is outside the parcel"
    return (
        f"beyond {length(facts.inside_m)} you would see the neighbour's land: turn the camera "
        "until it is out of the picture"
    )


def _line(facts: HeadingFacts) -> str:
    if not facts.line:
        return ""
    if facts.met_m > 2.0 * facts.zone_m:
        return f"the {facts.line} is out of view"
    if facts.met_m > facts.zone_m:
        # Said once: a feature that is also beyond the view says so in its own clause.
        beyond = "" if _target_beyond(facts) else ", probably too far"
        return f"the {facts.line} is {length(facts.met_m)} away in this direction{beyond}"
    if facts.crossing_deg < 15.0:
        return f"the {facts.line} runs straight away from the camera"
    if facts.crossing_deg <= 55.0:
        return f"the {facts.line} runs diagonally across the picture"
    return f"the {facts.line} runs straight across the picture"
