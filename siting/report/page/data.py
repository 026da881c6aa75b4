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
from siting.lengths import area
from siting.report.page import layers, remarks
from siting.report.page.drawn import drawn_data
from siting.report.page.form import form_data
from siting.report.page.land_drawn import LandDrawn
from siting.report.page.spot import spot_data
from siting.report.shared import overlays, zones
from siting.report.shared.facts import spot_facts
from siting.report.shared.frame import PageProjection, unwrapped
from siting.report.shared.text import clean, land_name
from siting.scoring.combine import rule_of
from siting.settings.protocol import Protocol
from siting.types import Result
from siting.words.cautions import GENERAL
from siting.words.notes import spots_in_words
from siting.words.spot.asked import proposal_sentence
from siting.words.spot.doubt import ALONE, PASSED
from siting.words.spot.heading import FAIR, GOOD
from siting.words.spot.random_places import how_at_random


def page_data(result: Result, *, protocol: Protocol, drawn: LandDrawn) -> dict[str, Any]:
    """Everything the page's script needs, as plain JSON values.

    Parameters
    ----------
    result : Result
    protocol : Protocol
        Names, weights, set-backs and camera numbers to show.
    drawn : LandDrawn of `ground_window(result)`
    """
    land, frame = result.land, drawn.frame
    ground = frame.grid
    return {
        "format": 1,
        "parcel": _parcel(result),
        "proposed": _proposed(result.proposal, frame),
        "plain": result.plain,
        "found": spots_in_words(len(result.spots), plain=result.plain),
        "form": form_data(protocol.visits, frost=result.frost),
        "exact_m": _exact_m(result),
        # How many places at the head of the list the trials asked about.
        "among": max((s.stability.among for s in result.spots if s.stability), default=0),
        "frame": frame.as_data(),
        "origin": [ground.left, ground.top],
        "palette": list(overlays.SCORE_COLOURS),
        "cells": drawn.cells.as_data(),
        "cell_size_m": land.grid.cell_size_m,
        "dem_cell_m": land.dem_cell_m,
        # Without a land cover there are no squares of it to speak of.
        "cover_cell_m": land.cover_cell_m if land.has_cover else None,
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
        "zones": drawn.zones,
        "layers": layers.layers_data(result, grid=ground),
        "outline": layers.outline(land.parcel_shape, grid=ground),
        "contours": drawn.contours,
        "spots": [
            spot_data(result, facts, frame=frame, protocol=protocol) for facts in spot_facts(result)
        ],
        "doubts": {"passed": dict(PASSED), "alone": dict(ALONE)},
        "drawn": drawn_data(result, lon_0=frame.lon_0),
        "how_at_random": how_at_random(land.grid.latitude_deg),
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
        "label": land_name(parcel),
        "cell": clean(parcel.cell),
        "area": area(result.land.parcel_shape.area),
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
