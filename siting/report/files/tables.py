"""The spots as files for other programs: GeoJSON, CSV, GPX and GeoPackage."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from xml.etree import ElementTree

import numpy as np
import shapely

from siting import __version__, criteria
from siting.files import canonical_json
from siting.grid import transformer
from siting.lengths import length, whole_minutes
from siting.report.shared.facts import (
    SEPARATOR,
    Facing,
    SpotFacts,
    plain,
    whole_degrees,
    wrapped_lon,
)
from siting.report.shared.lonlat import DECIMALS, points_bbox
from siting.report.shared.text import clean
from siting.types import Parcel, Result
from siting.words.waypoints import short_name

GPX = "http://www.topografix.com/GPX/1/1"
OWN = "urn:siting:spot:1"
# What XML 1.0 cannot hold, also escaped: controls, halves of pairs and two noncharacters.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
# A cell that begins so is taken for a formula by spreadsheet programs.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def geojson(result: Result, facts: Iterable[SpotFacts]) -> str:
    """The spots as an RFC 7946 FeatureCollection of points, best first."""
    features = [_feature(result, fact) for fact in facts]
    collection: dict[str, Any] = {"type": "FeatureCollection", "features": features}
    if features:
        lon, lat = zip(*(feature["geometry"]["coordinates"] for feature in features), strict=True)
        collection["bbox"] = points_bbox(lon, lat)
    return canonical_json(collection) + "\n"


def _feature(result: Result, fact: SpotFacts) -> dict[str, Any]:
    return {
        "type": "Feature",
        "id": fact.id,
        "geometry": {"type": "Point", "coordinates": [fact.lon, fact.lat]},
        "properties": {**_fields(result, fact), **_lists(fact)},
    }


def _fields(result: Result, fact: SpotFacts) -> dict[str, Any]:
    """One spot as flat fields, numbers rounded to what they can mean."""
    spot, facing, parcel = fact.spot, fact.facing, result.land.parcel
    return {
        "rank": spot.rank,
        "spot_id": fact.id,
        **_parcel_fields(parcel),
        "name": fact.title,
        "kind": clean(spot.kind),
        "lon_deg": fact.lon,
        "lat_deg": fact.lat,
        "utm_zone": fact.utm_name,
        "utm_easting_m": fact.utm_easting_m,
        "utm_northing_m": fact.utm_northing_m,
        "elevation_m": _rounded(fact.elevation_m, 1),
        "search_radius_m": fact.search_radius_m,
        "score": _rounded(spot.score, 4),
        "site_score": _rounded(spot.site_score, 4),
        "attraction": _rounded(spot.attraction, 4),
        "conditions": _rounded(spot.conditions, 4),
        "stability": fact.stability or None,
        **_heading_fields(facing),
        "habitat": fact.habitat or None,
        **_walk_fields(fact),
    }


def _heading_fields(facing: Facing) -> dict[str, Any]:
    return {
        "heading_true_deg": whole_degrees(facing.heading_deg),
        "heading_magnetic_deg": whole_degrees(facing.magnetic_deg),
        "heading_score": _rounded(facing.score, 4),
        "second_heading_true_deg": whole_degrees(facing.second_deg),
        "second_heading_magnetic_deg": whole_degrees(facing.second_magnetic_deg),
        "second_heading_score": _rounded(facing.second_score, 4),
        "compass_model": facing.compass or None,
        "low_sun_min_per_day": _rounded(facing.sun_minutes, 1),
        "low_sun_when": facing.sun_when or None,
        "clear_ahead_m": _rounded(facing.clear_m, 1),
        "slope_ahead_deg": _rounded(facing.rise_deg, 1),
        "skyline_known_m": None if facing.skyline_m is None else round(facing.skyline_m),
        "lens": facing.lens or None,
    }


def _parcel_fields(parcel: Parcel) -> dict[str, Any]:
    return {
        "parcel_id": clean(parcel.id),
        "parcel_label": clean(parcel.label) or None,
        "survey_cell": clean(parcel.cell) or None,
    }


def _walk_fields(fact: SpotFacts) -> dict[str, Any]:
    walk = fact.walk
    return {
        "walk_length_m": None if walk is None else round(walk.length_m),
        "walk_there_min": None if walk is None else _rounded(walk.minutes_there, 1),
        "walk_back_min": None if walk is None else _rounded(walk.minutes_back, 1),
        "walk_climb_m": None if walk is None else round(walk.climb_m),
        "walk_start": None if walk is None else walk.start_kind,
        "walk_unknown_crossings": None if walk is None else walk.unknown_crossings,
    }


def _lists(fact: SpotFacts) -> dict[str, Any]:
    """What has several values: only where a format can hold it."""
    spot = fact.spot
    return {
        "memberships": plain(dict(spot.memberships)),
        "measures": plain(dict(spot.measures)),
        "heading_why": list(fact.facing.why),
        **_sentences(fact),
    }


def _sentences(fact: SpotFacts) -> dict[str, list[str]]:
    return {
        "why": list(fact.why),
        "pulled_down": list(fact.pulled_down),
        "check": list(fact.check),
        "cautions": list(fact.cautions),
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


def spots_csv(result: Result, facts: Iterable[SpotFacts]) -> str:
    """One row to a spot; the columns are the same for every parcel and protocol."""
    rows = [table_row(result, fact) for fact in facts]
    return table(COLUMNS, rows)


def table_row(result: Result, fact: SpotFacts) -> dict[str, Any]:
    """One spot as the values of `COLUMNS`; None is "not known"."""
    spot = fact.spot
    parts = {f"part_{name}": _rounded(spot.memberships.get(name), 4) for name in criteria.names()}
    texts = {name: SEPARATOR.join(lines) for name, lines in _sentences(fact).items()}
    return {
        **_fields(result, fact),
        **parts,
        **{name: _rounded(spot.measures.get(name), 2) for name in MEASURES},
        "heading_why": SEPARATOR.join(fact.facing.why),
        **texts,
    }


# What was measured at the spot, by the names of the layers; an empty cell is "none near".
MEASURES: tuple[str, ...] = (
    "distance_to_trail_m",
    "distance_to_water_m",
    "distance_to_crossing_m",
    "distance_to_edge_m",
    "distance_to_feature_m",
    "distance_to_boundary_m",
    "funnel_ratio",
    "height_above_water_m",
    "wetter_than_share",
    "quietness",
    "slope_deg",
)

COLUMNS: tuple[str, ...] = (
    "rank",
    "spot_id",
    "parcel_id",
    "parcel_label",
    "survey_cell",
    "name",
    "kind",
    "lon_deg",
    "lat_deg",
    "utm_zone",
    "utm_easting_m",
    "utm_northing_m",
    "elevation_m",
    "search_radius_m",
    "score",
    "site_score",
    "attraction",
    "conditions",
    "stability",
    "heading_true_deg",
    "heading_magnetic_deg",
    "heading_score",
    "second_heading_true_deg",
    "second_heading_magnetic_deg",
    "second_heading_score",
    "compass_model",
    "low_sun_min_per_day",
    "low_sun_when",
    "clear_ahead_m",
    "slope_ahead_deg",
    "skyline_known_m",
    "lens",
    "habitat",
    "walk_length_m",
    "walk_there_min",
    "walk_back_min",
    "walk_climb_m",
    "walk_start",
    "walk_unknown_crossings",
    *(f"part_{name}" for name in criteria.names()),
    *MEASURES,
    "heading_why",
    "why",
    "pulled_down",
    "check",
    "cautions",
)


def table(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Rows as CSV (RFC 4180, UTF-8): an empty cell is "not known", no cell is a formula."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([[cell(row.get(name)) for name in columns] for row in rows])
    return stream.getvalue()


def cell(value: Any) -> str:
    """One value as the text of a table's cell.

    Text that a spreadsheet would run as a formula gets an apostrophe before it; numbers stay.

    Examples
    --------
    >>> cell("=1+2"), cell("-80"), cell(-80.5), cell(True), cell(None)
    ("'=1+2", "'-80", '-80.5', 'true', '')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA) else text


def gpx(result: Result, facts: Iterable[SpotFacts]) -> str:
    """The spots as GPX 1.1 waypoints, and the walks to them as routes."""
    ElementTree.register_namespace("", GPX)
    ElementTree.register_namespace("spot", OWN)
    root = ElementTree.Element(f"{{{GPX}}}gpx", version="1.1", creator=f"siting {__version__}")
    metadata = _child(root, "metadata")
    parcel = result.land.parcel
    _child(metadata, "name", words=clean(parcel.label or parcel.id))
    _child(metadata, "desc", words="Ranked spots for a camera, best first; WGS 84, metres.")
    known = list(facts)
    for fact in known:
        _waypoint(root, fact)
    for fact in known:
        _route(root, fact, crs=result.land.grid.crs)
    ElementTree.indent(root, space=" ")
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _waypoint(root: ElementTree.Element, fact: SpotFacts) -> None:
    point = _place(root, "wpt", lon=fact.lon, lat=fact.lat)
    if fact.elevation_m is not None:
        _child(point, "ele", words=f"{fact.elevation_m:.1f}")
    _child(point, "name", words=short_name(fact.label, _xml_text(fact.title)))
    text = " ".join(_description(fact))
    _child(point, "cmt", words=text)
    _child(point, "desc", words=text)
    _child(point, "type", words="camera spot")
    extensions = _child(point, "extensions")
    values = {
        "rank": fact.spot.rank,
        "score": _rounded(fact.spot.score, 4),
        "heading_true_deg": whole_degrees(fact.facing.heading_deg),
        "heading_magnetic_deg": whole_degrees(fact.facing.magnetic_deg),
        "search_radius_m": fact.search_radius_m,
    }
    for name, value in values.items():
        if value is not None:
            ElementTree.SubElement(extensions, f"{{{OWN}}}{name}").text = str(value)


def _route(root: ElementTree.Element, fact: SpotFacts, *, crs: str) -> None:
    if fact.walk is None:
        return
    walk = fact.walk
    route = _child(root, "rte")
    _child(route, "name", words=f"Walk to {fact.label}")
    minutes = f"about {whole_minutes(walk.minutes_there)} min there"
    _child(route, "desc", words=f"{length(walk.length_m)}, {minutes}, drawn from maps: look up.")
    _child(route, "number", words=str(fact.spot.rank))
    to_lonlat = transformer(crs, "EPSG:4326")
    easting, northing = shapely.get_coordinates(walk.line).T
    for lon, lat in zip(*to_lonlat.transform(easting, northing, errcheck=True), strict=True):
        _place(route, "rtept", lon=float(lon), lat=float(lat))


def _description(fact: SpotFacts) -> list[str]:
    """What a receiver shows of a spot, short."""
    facing = fact.facing
    parts = [f"Spot {fact.spot.rank}: look within {length(fact.search_radius_m)} of this point."]
    if facing.heading_deg is not None:
        magnetic = whole_degrees(facing.magnetic_deg)
        by_compass = "" if magnetic is None else f" (compass {magnetic})"
        parts.append(f"Face {whole_degrees(facing.heading_deg)} degrees true{by_compass}.")
    if fact.walk is not None:
        there, back = (whole_minutes(m) for m in (fact.walk.minutes_there, fact.walk.minutes_back))
        parts.append(f"Walk about {there} min there, {back} min back.")
    parts.extend(fact.why[:2])
    return parts


def _place(parent: ElementTree.Element, tag: str, *, lon: float, lat: float) -> ElementTree.Element:
    wrapped = wrapped_lon(round(lon, DECIMALS))
    at = {"lat": f"{lat:.{DECIMALS}f}", "lon": f"{wrapped:.{DECIMALS}f}"}
    return ElementTree.SubElement(parent, f"{{{GPX}}}{tag}", at)


def _child(
    parent: ElementTree.Element, tag: str, *, words: str | None = None
) -> ElementTree.Element:
    child = ElementTree.SubElement(parent, f"{{{GPX}}}{tag}")
    child.text = None if words is None else _xml_text(words)
    return child


def _xml_text(text: str) -> str:
    return _NOT_XML.sub("", text)
