"""What a volunteer does at a place that was drawn at random."""

from __future__ import annotations

from siting.lengths import length
from siting.spot_parts import RandomPlace

# Every choice left open at the point would bring back the liking for trails, which makes carnivores
# look common (Tanwar, Sadhu & Jhala 2021, doi 10.1038/s41598-021-02459-w).
_HOW = (
    "Go to the point. Strap the camera to the nearest tree that will do, whatever it looks on to: "
    "a better place close by would spoil the sample. Face {first}; if that is blocked, {then}; "
    "if that is blocked, the clearest side. Do not turn to a trail; if one is in view, write it "
    "down. Leave a place out only if there is no tree or post within reach, it is under water or "
    "unsafe, the owner says no, or people use it; then take the next spare of the same habitat and "
    "write down why."
)

SHEET_NOTE = (
    "Squares: W woods, O open ground, B brush and wetland, C cover not known; dashed: spare. "
    "These places are not the numbered spots, and their pictures are never counted together."
)


def how_at_random(lat_deg: float) -> str:
    """What to do at every place; `lat_deg` is the latitude in degrees, north positive.

    Examples
    --------
    >>> "Face south; if that is blocked, north;" in how_at_random(-34.0)
    True
    """
    first, then = _away_from_sun(lat_deg)
    return _HOW.format(first=first, then=then)


def _away_from_sun(lat_deg: float) -> tuple[str, str]:
    """The pole of one's own half of the Earth, and the other: the midday sun is never at it."""
    return ("north", "south") if lat_deg >= 0.0 else ("south", "north")


def what_to_do(place: RandomPlace, lat_deg: float) -> str:
    """One place in a sentence or two; `lat_deg` as of `how_at_random`.

    Examples
    --------
    >>> place = RandomPlace(0.0, 0.0, "woods", 3, True, 0.5, 20.0, 10.0, 0.0)
    >>> what_to_do(place, 45.0).replace("\u00a0", " ")[:63]
    'Spare 3 in woods. The nearest workable tree within 10 m (33 ft)'
    """
    kind = "Spare" if place.spare else "Place"
    post = "" if place.tree_m is not None else " No tree is mapped there: bring a post."
    first, then = _away_from_sun(lat_deg)
    return (
        f"{kind} {place.order} in {place.stratum}. The nearest workable tree within "
        f"{length(place.reach_m)} of this point.{post} Face {first}, else {then}."
    )
