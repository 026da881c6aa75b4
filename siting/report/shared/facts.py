"""What every file says about a spot, in one place, so that no two of them disagree."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from siting.grid import transformer
from siting.ground.known import FINEST_HEIGHT_M
from siting.lengths import about, compass_word
from siting.report.shared.frame import utm_zone
from siting.report.shared.text import clean
from siting.spot_parts import Aim, HeadingWords, PlaceName, Walk
from siting.types import Result, Spot
from siting.words.spot.doubt import stability_words, surer_below
from siting.words.spot.names import full_name, ground_name, kind_name

# A walk follows a trail when it runs within so much of it for so long; wider than a cell.
_BESIDE_M, _FOLLOWED_M = 4.0, 30.0

SEPARATOR = " | "
"""Between the sentences of one cell of a table."""


@dataclass(frozen=True)
class Facing:
    """Where the camera looks, degrees clockwise; None where it is not known.

    `heading_deg` and `second_deg` count from true north, `magnetic_deg` and
    `second_magnetic_deg` from where a compass needle points. `score` and `second_score` are 0..1;
    `sun_minutes` is low sun in the picture a day and `sun_when` its time of day; `clear_m` is the
    clear ground ahead, None where the elevations cannot show it; `rise_deg` the slope ahead, up
    positive; `skyline_m` how far the skyline is known; `compass` names model and day.
    """

    heading_deg: float | None = None
    magnetic_deg: float | None = None
    second_deg: float | None = None
    second_magnetic_deg: float | None = None
    declination_deg: float | None = None
    why: tuple[str, ...] = ()
    second_why: str = ""
    lens: str = ""
    score: float | None = None
    second_score: float | None = None
    sun_minutes: float | None = None
    span_deg: int = 0
    sun_when: str = ""
    clear_m: float | None = None
    rise_deg: float | None = None
    skyline_m: float | None = None
    compass: str = ""


@dataclass(frozen=True)
class SpotFacts:
    """A spot in plain values: text is clean, positions are rounded once and for all.

    Each quantity is in the unit its name ends in (m, deg, min); None = not known.
    """

    spot: Spot
    id: str
    label: str
    title: str
    place: PlaceName
    lon: float
    lat: float
    utm_name: str
    utm_easting_m: int
    utm_northing_m: int
    elevation_m: float | None
    search_radius_m: int
    habitat: str
    facing: Facing
    walk: Walk | None
    walk_along: tuple[str, ...]
    stability: str
    stability_words: str
    why: tuple[str, ...]
    pulled_down: tuple[str, ...]
    check: tuple[str, ...]
    cautions: tuple[str, ...]


def spot_facts(result: Result) -> tuple[SpotFacts, ...]:
    """The facts of all spots, best first."""
    named: dict[str, Spot] = {}
    found = []
    for spot in result.spots:
        place = _place(result, spot)
        # Two of one name are told apart by where the second lies from the first.
        first = named.setdefault(full_name(place), spot)
        found.append(_facts(result, spot, place if first is spot else _beside(place, spot, first)))
    return tuple(found)


def _beside(place: PlaceName, spot: Spot, first: Spot) -> PlaceName:
    """The name of a place with the way to it from another spot of the same name."""
    east, north = spot.easting - first.easting, spot.northing - first.northing
    way = compass_word(math.degrees(math.atan2(east, north)) % 360)
    far = about(math.hypot(east, north), spot.search_radius_m)
    aside = f"{far} to the {way} of {'area' if first.plain else 'spot'} {first.rank}"
    return replace(place, aside=f"{place.aside}, {aside}" if place.aside else aside)


def spot_id(result: Result, spot: Spot) -> str:
    """Identifier of a spot: the name of its place, which survives another rank."""
    return clean(spot.place_id) or f"{clean(result.land.parcel.id)}-{spot.rank:02d}"


def _facts(result: Result, spot: Spot, place: PlaceName) -> SpotFacts:
    # The spot's own zone, which a receiver shows; the grid's may be its neighbour.
    utm_crs, utm_name = utm_zone(spot.lon, spot.lat)
    easting, northing = transformer("EPSG:4326", utm_crs).transform(spot.lon, spot.lat)
    code = int(result.land.cover_code[spot.row, spot.col])
    return SpotFacts(
        spot=spot,
        id=spot_id(result, spot),
        label=f"{spot.rank:02d}",
        title=full_name(place),
        place=place,
        walk_along=_along(result, spot.walk),
        lon=written_lon(spot.lon, 7),
        lat=round(spot.lat, 7),
        utm_name=utm_name,
        utm_easting_m=round(easting),
        utm_northing_m=round(northing),
        elevation_m=_height_m(spot.elevation_m, result.land.dem_cell_m),
        # Up and at least 1: the standard of deployments knows no smaller uncertainty.
        search_radius_m=max(math.ceil(spot.search_radius_m), 1),
        habitat=clean(result.land.class_names.get(code, "")),
        facing=_facing(spot.aim, spot.heading_words or HeadingWords()),
        walk=spot.walk,
        stability=spot.stability.word if spot.stability else "",
        stability_words=stability_words(
            spot.stability, spot.doubt, surer=surer_below(spot, result.spots)
        )
        if spot.stability
        else "",
        why=_cleaned(spot.why),
        pulled_down=_cleaned(spot.pulled_down),
        check=_cleaned(spot.check),
        cautions=_cleaned(spot.cautions),
    )


def _height_m(metres: float, cell_m: float) -> float | None:
    """A height in metres, to tenths only where cells (metres wide) are fine enough to know them."""
    return _number(metres if cell_m <= FINEST_HEIGHT_M else float(np.round(metres)))


def _place(result: Result, spot: Spot) -> PlaceName:
    """A name as it was given; else the kind of place, or what grows there, and the side.

    A name of which nothing can be shown is none.
    """
    named = spot.place
    if named and clean(named.what).strip():
        return replace(named, what=clean(named.what), short=clean(named.short))
    if clean(spot.name).strip():
        return PlaceName(clean(spot.name))
    kind = kind_name(result.land, spot)
    return replace(kind, what=clean(kind.what)) if kind else ground_name(result.land, spot)


def _along(result: Result, walk: Walk | None) -> tuple[str, ...]:
    """Names of the trails that a walk follows for a while, in the order it meets them."""
    trails = result.land.vectors.get("trails")
    if walk is None or trails is None or "name" not in trails.columns:
        return ()
    met: dict[str, float] = {}
    for name, shape in zip(trails["name"], trails.geometry, strict=True):
        if not isinstance(name, str) or not name.strip() or shape is None:
            continue
        beside = shapely.intersection(walk.line, shapely.buffer(shape, _BESIDE_M))
        if beside.length >= _FOLLOWED_M:
            met[clean(name)] = float(
                walk.line.project(shapely.Point(shapely.get_coordinates(beside)[0]))
            )
    return tuple(sorted(met, key=lambda name: met[name]))


def _cleaned(lines: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(clean(line) for line in lines)


def _facing(aim: Aim | None, words: HeadingWords) -> Facing:
    if aim is None:
        return Facing()
    return Facing(
        heading_deg=_number(aim.heading_deg),
        magnetic_deg=_number(aim.magnetic_heading_deg),
        second_deg=_number(aim.second_heading_deg),
        second_magnetic_deg=_number(aim.second_magnetic_deg),
        declination_deg=_number(aim.declination_deg),
        why=tuple(clean(line) for line in (words.reason, *words.notes) if line),
        second_why=clean(words.second_reason),
        lens=clean(words.lens),
        score=_number(aim.score),
        second_score=_number(aim.second_score),
        span_deg=round(aim.span_deg),
        sun_minutes=_number(aim.best.sun_minutes),
        sun_when=words.sun_when,
        clear_m=_number(aim.best.clear_m),
        rise_deg=_number(aim.best.rise_deg),
        skyline_m=_number(aim.best.reach_m),
        compass=f"{aim.compass_model} {aim.compass_day}" if aim.declination_deg is not None else "",
    )


def uncertainty_m(fact: SpotFacts) -> int:
    """How far from the point the camera may come to stand, metres: in all of its area."""
    if fact.spot.extent is None:
        return fact.search_radius_m
    middle = shapely.Point(fact.spot.easting, fact.spot.northing)
    farthest_m = shapely.hausdorff_distance(middle, fact.spot.extent.ground)
    return max(math.ceil(farthest_m), fact.search_radius_m)


def whole_degrees(heading_deg: float | None) -> int | None:
    """A heading in whole degrees of 0..359.

    Examples
    --------
    >>> whole_degrees(359.7), whole_degrees(12.2), whole_degrees(None)
    (0, 12, None)
    """
    return None if heading_deg is None else round(heading_deg) % 360


def wrapped_lon(lon: float) -> float:
    """The same longitude, in degrees, within -180 up to but not 180.

    Examples
    --------
    >>> wrapped_lon(180.0), wrapped_lon(-180.0), wrapped_lon(190.0), wrapped_lon(-80.5)
    (-180.0, -180.0, -170.0, -80.5)
    """
    return lon if -180.0 <= lon < 180.0 else (lon + 180.0) % 360.0 - 180.0


def written_lon(lon: float, decimals: int) -> float:
    """A longitude as files hold it: degrees of so many decimals, -180 up to but not 180.

    Examples
    --------
    >>> written_lon(179.99999999, 7), written_lon(-80.55, 1)
    (-180.0, -80.5)
    """
    # Rounded before it is wrapped: 179.99999999 becomes 180, which GPX does not allow. And after:
    # wrapping leaves stray last digits.
    return round(wrapped_lon(round(lon, decimals)), decimals)


def plain(value: Any) -> Any:
    """A value as plain JSON: text cleaned, numbers rounded to 6 digits, not-a-number as None."""
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        # The last digits differ from one version of the libraries to the next.
        return round(float(value), 6) if math.isfinite(value) else None
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, dict):
        return {clean(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return None


def _number(value: Any) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
