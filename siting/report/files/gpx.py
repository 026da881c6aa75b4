"""The spots as GPX 1.1 for phones and receivers: waypoints, and the walks as routes."""

from __future__ import annotations

import re
from collections.abc import Iterable
from xml.etree import ElementTree

import shapely

from siting import __version__
from siting.decisions.proposal import Proposal
from siting.grid import transformer
from siting.lengths import compass_word, length, whole_minutes
from siting.report.files.columns import rounded
from siting.report.shared.credits import full_lines
from siting.report.shared.facts import Facing, SpotFacts, whole_degrees, written_lon
from siting.report.shared.lonlat import DECIMALS
from siting.report.shared.text import clean, land_name
from siting.types import Result
from siting.words.spot.asked import asked_for, proposal_sentence
from siting.words.spot.card import minutes_words
from siting.words.spot.extents import extent_words
from siting.words.spot.names import short_name

GPX = "http://www.topografix.com/GPX/1/1"
OWN = "urn:siting:spot:1"
# What XML 1.0 cannot hold, also escaped: controls, halves of pairs and two noncharacters.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def gpx(result: Result, facts: Iterable[SpotFacts]) -> str:
    """The spots as GPX 1.1 waypoints, and the walks to them as routes."""
    parcel = result.land.parcel
    credit = " ".join(full_lines(result.land.credits))
    what = "Areas to look over" if result.plain else "Ranked spots for a camera, best first"
    words = f"{what}; WGS 84, metres. {credit}".strip()
    root = _root(land_name(parcel), words)
    # GPX 1.1 wants all waypoints first, then all routes, then all tracks: three passes.
    known = list(facts)
    for fact in known:
        _waypoint(root, fact, asked=asked_for(result.proposal, fact.spot))
    _own_place(root, result.proposal)
    for fact in known:
        _route(root, fact, crs=result.land.grid.crs)
    for fact in known:
        _track(root, fact, crs=result.land.grid.crs)
    return _text_of(root)


def waypoint_file(points: Iterable[tuple[float, float, str, str]], *, name: str, words: str) -> str:
    """Waypoints alone: (longitude, latitude, name, what to do there) of each, in degrees WGS 84."""
    root = _root(name, words)
    for lon, lat, called, text in points:
        point = _place(root, "wpt", lon=lon, lat=lat)
        _child(point, "name", words=called)
        _child(point, "desc", words=text)
    return _text_of(root)


def _root(name: str, words: str) -> ElementTree.Element:
    ElementTree.register_namespace("", GPX)
    ElementTree.register_namespace("spot", OWN)
    root = ElementTree.Element(f"{{{GPX}}}gpx", version="1.1", creator=f"siting {__version__}")
    metadata = _child(root, "metadata")
    _child(metadata, "name", words=name)
    _child(metadata, "desc", words=words)
    return root


def _text_of(root: ElementTree.Element) -> str:
    ElementTree.indent(root, space=" ")
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _waypoint(root: ElementTree.Element, fact: SpotFacts, *, asked: tuple[str, ...] = ()) -> None:
    point = _place(root, "wpt", lon=fact.lon, lat=fact.lat)
    if fact.elevation_m is not None:
        _child(point, "ele", words=f"{fact.elevation_m:.1f}")
    _child(point, "name", words=short_name(fact.label, fact.place))
    text = " ".join((*asked, *_description(fact)))
    # Some receivers show only the comment, others only the description (common practice, no
    # source).
    _child(point, "cmt", words=text)
    _child(point, "desc", words=text)
    _child(point, "type", words="camera spot")
    extensions = _child(point, "extensions")
    values = {
        "rank": fact.spot.rank,
        # In a namespace of our own: GPX has no such fields, and readers skip what they do not know.
        "score": rounded(fact.spot.score, 4),
        # One of eight directions has no degrees: see the words.
        "heading_true_deg": None
        if fact.facing.span_deg
        else whole_degrees(fact.facing.heading_deg),
        "heading_magnetic_deg": None
        if fact.facing.span_deg
        else whole_degrees(fact.facing.magnetic_deg),
        "search_radius_m": fact.search_radius_m,
    }
    for name, value in values.items():
        if value is not None:
            ElementTree.SubElement(extensions, f"{{{OWN}}}{name}").text = str(value)


def _own_place(root: ElementTree.Element, asked: Proposal | None) -> None:
    """The place of a camera, or the one chosen, where it is no spot of this run."""
    if asked is None or asked.rank is not None or asked.lon is None or asked.lat is None:
        return
    point = _place(root, "wpt", lon=asked.lon, lat=asked.lat)
    _child(point, "name", words="Camera")
    _child(point, "desc", words=clean(proposal_sentence(asked, None)))
    _child(point, "type", words="camera spot")


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


def _track(root: ElementTree.Element, fact: SpotFacts, *, crs: str) -> None:
    """The stretch of a spot, or the outline of its area, as a track."""
    extent = fact.spot.extent
    if extent is None:
        return
    track = _child(root, "trk")
    _child(track, "name", words=f"{fact.label} {extent.kind}")
    _child(track, "desc", words=extent_words(extent, radius_m=fact.search_radius_m))
    to_lonlat = transformer(crs, "EPSG:4326")
    outline = extent.shape if extent.along else extent.shape.boundary
    for part in shapely.get_parts(outline):
        segment = _child(track, "trkseg")
        easting, northing = shapely.get_coordinates(part).T
        for lon, lat in zip(*to_lonlat.transform(easting, northing, errcheck=True), strict=True):
            _place(segment, "trkpt", lon=float(lon), lat=float(lat))


def _face(facing: Facing) -> str:
    """The heading for a small screen: degrees where they are known, else the direction alone."""
    degrees, magnetic = whole_degrees(facing.heading_deg), whole_degrees(facing.magnetic_deg)
    if facing.span_deg or degrees is None:
        return compass_word(facing.heading_deg or 0.0)
    return f"{degrees} degrees true{'' if magnetic is None else f' (compass {magnetic})'}"


def _description(fact: SpotFacts) -> list[str]:
    """What a receiver shows of a spot, short."""
    facing = fact.facing
    what = "Area" if fact.spot.plain else "Spot"
    parts = [f"{what} {fact.spot.rank}: look within {length(fact.search_radius_m)} of this point."]
    if fact.spot.extent is not None:
        words = extent_words(fact.spot.extent, radius_m=fact.search_radius_m)
        parts = [f"{what} {fact.spot.rank}: {words[:1].lower()}{words[1:]}"]
    if facing.heading_deg is not None:
        parts.append(f"Face {_face(facing)}.")
    if fact.walk is not None:
        parts.append(f"Walk: {minutes_words(fact.walk.minutes_there, fact.walk.minutes_back)}.")
    # A receiver's screen holds few lines; the strongest reasons come first.
    parts.extend(fact.why[:2])
    return parts


def _place(parent: ElementTree.Element, tag: str, *, lon: float, lat: float) -> ElementTree.Element:
    wrapped = written_lon(lon, DECIMALS)
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
