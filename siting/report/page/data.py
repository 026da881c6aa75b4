"""The one island of data that the page is made from.

User text reaches the page only through here: the page's script sets it as text and never as
markup.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from siting.criteria import CRITERIA, Criterion, stood_in_for
from siting.decisions.proposal import Proposal
from siting.disk.files import canonical_json, text_hash
from siting.grid import FloatArray, Grid
from siting.lengths import tenths
from siting.report.page import cells, layers, remarks
from siting.report.page.drawn import drawn_data
from siting.report.page.form import form_data
from siting.report.page.window import cut
from siting.report.shared import drawing, overlays, zones
from siting.report.shared.facts import SpotFacts, spot_facts
from siting.report.shared.frame import PageProjection, unwrapped
from siting.report.shared.text import clean
from siting.scoring.combine import rule_of
from siting.settings.protocol import CameraRules, Protocol
from siting.types import Result
from siting.words.cautions import GENERAL
from siting.words.notes import spots_in_words
from siting.words.office.letters import draws_words
from siting.words.sheet import what_to_clear
from siting.words.spot.asked import proposal_sentence
from siting.words.spot.card import (
    LEAST_OUTSIDE_M,
    NO_HEADING,
    look_line,
    outside_line,
    reading,
    walk_lines,
)
from siting.words.spot.extents import extent_words
from siting.words.spot.heading import FAIR, GOOD, lens_height
from siting.words.spot.reasons import NOTHING_DRAWS


def page_data(result: Result, *, protocol: Protocol, frame: PageProjection) -> dict[str, Any]:
    """Everything the page's script needs, as plain JSON values.

    Parameters
    ----------
    result : Result
    protocol : Protocol
        Names, weights, set-backs and camera numbers to show.
    frame : Frame over `ground_window(result)`
    """
    land, ground = result.land, frame.grid
    packed = cells.pack(
        result.scores.memberships, total=result.scores.total, no_go=result.no_go, grid=land.grid
    )
    return {
        "format": 1,
        "parcel": _parcel(result),
        "proposed": _proposed(result.proposal, frame),
        "plain": result.plain,
        "found": spots_in_words(len(result.spots), plain=result.plain),
        "form": form_data(protocol.visits),
        "exact_m": _exact_m(result),
        # How many places at the head of the list the trials asked about.
        "among": max((s.stability.among for s in result.spots if s.stability), default=0),
        "frame": frame.as_data(),
        "origin": [ground.left, ground.top],
        "palette": list(overlays.SCORE_COLOURS),
        "cells": packed.as_data(),
        "cell_size_m": land.grid.cell_size_m,
        "dem_cell_m": land.dem_cell_m,
        "cover_cell_m": land.cover_cell_m,
        "scoring": {
            "target": protocol.scoring.target,
            "second_share": protocol.scoring.second_share,
            "lowest_index": protocol.candidates.lowest_score,
            # The page colours the land again by the reader's own ratios: between these ends.
            "palette_from": overlays.DARKEST_INDEX,
            "palette_to": overlays.BRIGHTEST_INDEX,
        },
        "criteria": criteria(result, protocol),
        # Named on the page, or a criterion that nobody could judge would look like one that is met.
        "missing": _missing(result),
        "rules": zones.rules_data(protocol.no_go),
        "zones": zones.zones_data(cut(result.no_go, land.grid, ground), grid=ground),
        "layers": layers.layers_data(result, grid=ground),
        "outline": layers.outline(land.parcel_shape, grid=ground),
        "contours": layers.contours_data(cut(land.dem, land.grid, ground), grid=ground),
        "spots": [
            spot_data(result, facts, frame=frame, camera=protocol.camera)
            for facts in spot_facts(result)
        ],
        "drawn": drawn_data(result, lon_0=frame.lon_0),
        "camera": {
            "field_of_view_deg": protocol.camera.field_of_view_deg,
            "zone_m": protocol.camera.zone_m,
            "heading_good": GOOD,
            "heading_fair": FAIR,
        },
        "cautions_everywhere": _everywhere(result),
        "warned": remarks.warned(result),
        "notes": remarks.notes(result),
    }


def _proposed(proposal: Proposal | None, frame: PageProjection) -> dict[str, Any] | None:
    """What is asked for: a spot by its rank, or a place of the volunteer's own."""
    if proposal is None:
        return None
    place = None
    if proposal.rank is None and proposal.lon is not None:
        # About the parcel's own meridian: across the 180th it would be drawn a world away.
        lon = float(unwrapped(np.array(proposal.lon), frame.lon_0))
        place = {"id": clean(proposal.place_id), "lat": proposal.lat, "lon": lon}
    return {
        "spot": proposal.rank,
        "state": proposal.state,
        "because": clean(proposal.reason),
        "words": clean(proposal_sentence(proposal, proposal.rank)),
        "place": place,
    }


def _exact_m(result: Result) -> int:
    """How exact a place of the maps is, metres: the smallest search radius, at least a GPS's."""
    radii = [spot.search_radius_m for spot in result.spots]
    return max(math.ceil(min(radii)) if radii else 15, 5)


def _everywhere(result: Result) -> list[str]:
    """The cautions that hold on the whole land, which the page folds; no spot's own is in it."""
    every = dict.fromkeys(text for spot in result.spots for text in spot.cautions)
    return [clean(text) for text in every if text in GENERAL]


def _parcel(result: Result) -> dict[str, Any]:
    parcel = result.land.parcel
    places = [[round(spot.lon, 6), round(spot.lat, 6)] for spot in result.spots]
    outline = shapely.to_wkt(result.land.parcel_shape, rounding_precision=2)
    return {
        "id": clean(parcel.id),
        "label": clean(parcel.label or parcel.id),
        "cell": clean(parcel.cell),
        "area_ha": round(result.land.parcel_shape.area / 1e4, 1),
        "usable_share": round(float(result.usable_share), 6),
        # The outline is in no public file: nobody else can tell the key.
        "key": text_hash(canonical_json([clean(parcel.id), outline, places]))[:32],
    }


def criteria(result: Result, protocol: Protocol) -> list[dict[str, Any]]:
    """The criteria that count on this parcel, attractors first, with weights and words."""
    return [
        {
            "name": row.name,
            "label": _label(row),
            "says": row.about,
            "group": row.kind,
            "fact": row.group,
            **_ratio(row, protocol),
            "cells": row.name in result.scores.memberships,
        }
        for row in CRITERIA
        if _judged(result, row.name)
    ]


def _ratio(row: Criterion, protocol: Protocol) -> dict[str, float]:
    """The ratio of a criterion, its interval, and how far its slider goes."""
    rule = rule_of(row.name, attractors=protocol.attractors, conditions=protocol.conditions)
    least, most = (0.5, 5.0) if row.kind == "attractor" else (0.2, 1.0)
    return {
        "ratio": rule.ratio,
        "low": rule.low,
        "high": rule.high,
        # A protocol may go beyond the usual ends of a slider, and its own ratio must be on it.
        "least": min(least, rule.ratio),
        "most": max(most, rule.ratio),
    }


def _judged(result: Result, name: str) -> bool:
    return name in result.scores.memberships or any(
        name in spot.memberships for spot in result.spots
    )


def _missing(result: Result) -> list[str]:
    judged = {row.name for row in CRITERIA if _judged(result, row.name)}
    missing = [row for row in CRITERIA if row.name not in judged]
    return [_label(row) for row in missing if not stood_in_for(row.name, judged)]


def _label(row: Criterion) -> str:
    return row.label[0].upper() + row.label[1:]


def spot_data(
    result: Result, facts: SpotFacts, *, frame: PageProjection, camera: CameraRules
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
        "clear": _clear(camera),
        "lens": facing.lens or _lens(camera),
        "radius_m": facts.search_radius_m,
        "extent": _extent_drawn(facts, frame.grid),
        "aim": _aim(facts),
        "walk": _walk(result, facts, frame.grid),
        "sure": facts.stability,
        "plain": spot.why == NOTHING_DRAWS,
        "stability": facts.stability_words,
    }


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
        return look_line(facts.search_radius_m)
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
