"""What the page knows of one spot: its card, its marker, and what goes with it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from siting.grid import FloatArray, Grid
from siting.lengths import tenths
from siting.read.vector.ruled_out import taken_with
from siting.report.page import layers
from siting.report.shared import drawing
from siting.report.shared.facts import SpotFacts
from siting.report.shared.frame import PageProjection, unwrapped
from siting.report.shared.text import clean
from siting.settings.protocol import CameraRules, Protocol
from siting.types import Result, Spot
from siting.words.office.letters import draws_words
from siting.words.sheet import what_to_clear
from siting.words.spot.card import (
    LEAST_OUTSIDE_M,
    NO_HEADING,
    look_line,
    outside_line,
    reading,
    walk_lines,
)
from siting.words.spot.extents import extent_words
from siting.words.spot.heading import lens_height
from siting.words.spot.reasons import NOTHING_DRAWS, point_error_m


def spot_data(
    result: Result, facts: SpotFacts, *, frame: PageProjection, protocol: Protocol
) -> dict[str, Any]:
    """One spot for the list, its card and its marker."""
    spot, facing = facts.spot, facts.facing
    return {
        "n": spot.rank,
        "id": facts.id,
        "title": facts.title,
        "lat": facts.lat,
        "lon": float(unwrapped(np.array(facts.lon), frame.lon_0)),
        "position": _position(facts),
        "elevation_m": facts.elevation_m,
        "index": float(spot.score),
        "tenths": tenths(spot.score),
        # Equal scores are in the order of the cells here (scoring/rank.py) and on the page
        # (score.js).
        "tie": [spot.row, spot.col],
        "memberships": {name: float(value) for name, value in spot.memberships.items()},
        "why": [clean(line) for line in spot.why],
        "draws": draws_words(spot),
        "pulled_down": [clean(line) for line in spot.pulled_down],
        "check": [clean(line) for line in spot.check],
        "cautions": [clean(line) for line in spot.cautions],
        "go": _go(facts),
        "look": [_look(facts)],
        "face": _face(facts),
        "face_brief": _face_brief(facts),
        "clear": _clear(protocol.camera),
        "lens": facing.lens or _lens(protocol.camera),
        "radius_m": facts.search_radius_m,
        "extent": _extent_drawn(facts, frame.grid),
        "aim": _aim(facts),
        "walk": _walk(result, facts, frame.grid),
        "sure": facts.stability,
        # What has to be found out first, and how low the trials put its index.
        "doubt": spot.doubt,
        "low": _low(spot),
        "takes": _takes(result, spot, protocol),
        "plain": spot.plain or spot.why == NOTHING_DRAWS,
        "stability": facts.stability_words,
    }


def _low(spot: Spot) -> float | None:
    low = spot.stability.low if spot.stability else math.nan
    return float(low) if math.isfinite(low) else None


def _takes(result: Result, spot: Spot, protocol: Protocol) -> list[int]:
    """Ranks of the other spots that go with this one, once people are reported at it."""
    points = [shapely.Point(other.easting, other.northing) for other in result.spots]
    here = shapely.Point(spot.easting, spot.northing)
    found = taken_with(here, points, result.land.vectors, protocol.decisions)
    return [n + 1 for n in found if n + 1 != spot.rank]


def _go(facts: SpotFacts) -> list[str]:
    """The walk to a spot; nothing where none was found."""
    walk = facts.walk
    if walk is None:
        return []
    return walk_lines(
        length_m=walk.length_m,
        there_min=walk.minutes_there,
        back_min=walk.minutes_back,
        climb_m=walk.climb_m,
        height_error_m=walk.height_error_m,
        along=facts.walk_along,
        from_road=walk.start_kind == "road",
        unknown_crossings=walk.unknown_crossings,
        outside_m=walk.outside_m,
    )


def _position(facts: SpotFacts) -> dict[str, str]:
    """The position to read, to copy, and to open in the telephone's own map."""
    return {
        "degrees": f"{facts.lat:.5f}, {facts.lon:.5f}",
        # RFC 5870 has the latitude first, unlike GeoJSON.
        "geo": f"geo:{facts.lat:.5f},{facts.lon:.5f}",
        "grid": f"{facts.utm_name}, {facts.utm_easting_m} E, {facts.utm_northing_m} N",
    }


def _face(facts: SpotFacts) -> list[str]:
    facing = facts.facing
    if facing.heading_deg is None:
        return [NO_HEADING]
    lines = [
        f"Best: {reading(facing.heading_deg, facing.magnetic_deg, span_deg=facing.span_deg)}.",
        *facing.why,
    ]
    if facing.second_deg is not None:
        second = reading(facing.second_deg, facing.second_magnetic_deg, span_deg=facing.span_deg)
        lines.append(f"Second: {second}. {facing.second_why}".rstrip())
    return lines


def _face_brief(facts: SpotFacts) -> str:
    facing = facts.facing
    if facing.heading_deg is None:
        return ""
    return f"Face {reading(facing.heading_deg, facing.magnetic_deg, span_deg=facing.span_deg)}."


def _clear(camera: CameraRules) -> list[str]:
    words = what_to_clear(camera)
    return [f"{words[:1].upper()}{words[1:]}"]


def _lens(camera: CameraRules) -> str:
    return f"Lens {lens_height(camera.lens_height_m)}."


def _aim(facts: SpotFacts) -> dict[str, Any] | None:
    aim, facing = facts.spot.aim, facts.facing
    if aim is None or facing.heading_deg is None:
        return None
    return {
        "heading_deg": facing.heading_deg,
        "second_deg": facing.second_deg,
        "span_deg": facing.span_deg,
        "magnetic_deg": facing.magnetic_deg,
        "second_magnetic_deg": facing.second_magnetic_deg,
        "rose": _numbers(aim.scores),
        "sun_min": _numbers(aim.sun_minutes),
        "why": list(facing.why),
        "second_why": facing.second_why,
    }


def _look(facts: SpotFacts) -> str:
    extent = facts.spot.extent
    if extent is None:
        radius_m = facts.search_radius_m
        return look_line(max(point_error_m(facts.spot), radius_m), radius_m)
    return extent_words(extent, radius_m=facts.search_radius_m)


def _extent_drawn(facts: SpotFacts, grid: Grid) -> list[Any]:
    """The stretch, as wide as the search, or the area that is as good; empty for a point."""
    extent = facts.spot.extent
    if extent is None:
        return []
    return list(drawing.drawn(extent.ground, grid))


def _walk(result: Result, facts: SpotFacts, grid: Grid) -> dict[str, Any] | None:
    walk = facts.walk
    if walk is None:
        return None
    return {
        "line": list(layers.drawn_all(drawing.along_tracks(walk.line, result), grid)),
        "there_min": walk.minutes_there,
        "outside": outside_line(walk.outside_m, walk.length_m)
        if walk.outside_m >= LEAST_OUTSIDE_M
        else "",
    }


def _numbers(values: FloatArray) -> list[float | None]:
    return [None if not np.isfinite(v) else round(float(v), 3) for v in np.asarray(values)]
