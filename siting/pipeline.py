"""The main path: one parcel from files to ranked spots."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from siting.decisions.places import named_places
from siting.decisions.proposal import proposal_of
from siting.ground.distance import cells_covered
from siting.ground.layers import GroundLayers, build_ground
from siting.ground.no_go import no_go_bits, owner_notes
from siting.ground.shapes.feature_order import name_by_feature
from siting.ground.travel.passage import with_passage
from siting.heading.choose import Lookout, choose_headings, lookout
from siting.notes import Remark
from siting.read.land import read_land
from siting.read.vector.decision_files import Decisions
from siting.report.files.random_places import drawn_as
from siting.scoring.combine import parts_of
from siting.scoring.extent import extent_of
from siting.scoring.random_places import asked_at_random, draw_places, draw_remark, place_by_lot
from siting.scoring.rank import Ranked, not_judged, rank_places, score_cells
from siting.scoring.trials import elevation_error_m
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.spot_parts import Aim
from siting.types import Land, NoGoArray, Parcel, Result, Scores, Spot
from siting.walk.route import ways_in
from siting.words.cautions import parcel_cautions
from siting.words.notes import comparison_notes, layers_together, list_notes, notes_of
from siting.words.spot.beware import cautions_at
from siting.words.spot.extents import with_extents
from siting.words.spot.spots import Picture, make_spots

Progress = Callable[[str], None]
Survey = tuple[str, dt.date | None, dt.date | None]
"""Time zone, first and last day of the season."""


def _silent(stage: str) -> None:
    del stage


def site_parcel(
    inputs: Inputs,
    protocol: Protocol,
    parcel: Parcel,
    *,
    progress: Progress = _silent,
    decisions: Decisions | None = None,
    offered: tuple[str, str] | None = None,
) -> Result:
    """Ranked spots of one parcel, with all that is needed to explain and draw them.

    Parameters
    ----------
    inputs : Inputs
        Files of the land.
    protocol : Protocol
        Rules of the survey.
    parcel : Parcel
        Checked parcel.
    progress : function
        Told the name of each stage as it begins.
    decisions : Decisions or None
        What was decided about the parcel, where the caller has read it; None reads it.
    offered : (name of a place, why) or None
        The place that the survey's assignment proposes.

    Raises
    ------
    SitingError
        With a stable code; see docs/errors.md.
    """
    progress("reading rasters and layers")
    land = _read(inputs, protocol, parcel, decisions)
    return site_land(land, protocol, survey=_survey(inputs), progress=progress, offered=offered)


def _read(
    inputs: Inputs, protocol: Protocol, parcel: Parcel, decisions: Decisions | None = None
) -> Land:
    return read_land(
        inputs,
        parcel,
        rules=protocol.grid,
        far_reach_m=protocol.sun.horizon_reach_m,
        decision_rules=protocol.decisions,
        decisions=decisions,
    )


def _survey(inputs: Inputs) -> Survey:
    return (inputs.survey.time_zone, inputs.survey.first_day, inputs.survey.last_day)


def site_land(
    land: Land,
    protocol: Protocol,
    *,
    survey: Survey = ("", None, None),
    progress: Progress = _silent,
    offered: tuple[str, str] | None = None,
) -> Result:
    """Ranked spots of a piece of land that has been read.

    Parameters
    ----------
    land : Land
    protocol : Protocol
    survey : (time zone, first day, last day); "" and None where not given
    progress : function
        Told the name of each stage as it begins.
    offered : (name of a place, why) or None
        The place that the survey's assignment proposes.
    """
    _, ground, no_go, scores, view = judge_land(land, protocol, survey=survey, progress=progress)
    ranked = rank_places(scores, no_go, ground=ground, view=view, protocol=protocol)
    # Only of the places chosen: an aim has words and arrays of its own.
    # An area has no bearing in degrees: one of eight directions goes for all of it.
    seen = replace(view, spans=True) if ranked.plain else view
    aims, aim_remarks = choose_headings(ranked.candidates, view=seen, open_ground=no_go == 0)

    progress("ranking")
    spots, walk_remarks = _describe_spots(ranked, aims, ground=ground, land=land, protocol=protocol)
    spots = with_extents(
        spots,
        [
            extent_of(
                spot,
                [other for other in spots if other is not spot],
                scores.total,
                no_go == 0,
                land=land,
                valley_lines=ground.valley_lines,
            )
            for spot in spots
        ],
    )
    # After the order is settled: a place keeps its name, whatever its rank.
    spots = _with_names(spots, land)
    proposal = proposal_of(
        land.decisions,
        {spot.place_id: spot.rank for spot in spots},
        parcel=land.parcel.id,
        known=land.known_places,
        offered=offered,
    )
    named = drawn_as(proposal.place_id, parcel=land.parcel.id) if proposal else None
    drawn = draw_places(
        ground.role,
        no_go == 0,
        grid=land.grid,
        rules=protocol.random,
        parcel_id=land.parcel.id,
        tree_m=ground.layers.get("distance_to_tree_m"),
        named=named,
    )
    inside = cells_covered([land.parcel_shape], grid=land.grid)
    drawn_remark = draw_remark(
        drawn, ground.role, inside=inside, open_ground=no_go == 0, rules=protocol.random
    )
    # Of the cells of the parcel, and not of its area, so that the two counts go together.
    usable = float((no_go == 0).sum() / max(inside.sum(), 1))
    return Result(
        land=land,
        layers=ground.layers,
        scores=scores,
        no_go=no_go,
        spots=spots,
        features=ground.features,
        valley_lines=ground.valley_lines,
        notes=(
            *layers_together(land.notes),
            *comparison_notes(protocol),
            *ground.notes,
            *owner_notes(land, rules=protocol.no_go),
            *notes_of(
                (
                    *aim_remarks,
                    *not_judged(ground.layers, protocol),
                    *ranked.remarks,
                    *walk_remarks,
                    *drawn_remark,
                )
            ),
            *list_notes(
                len(spots),
                usable,
                scant_share=protocol.assign.scant_share,
                plain=ranked.plain,
            ),
        ),
        usable_share=usable,
        proposal=asked_at_random(proposal, drawn, named, land.grid),
        random_places=drawn,
        lot=place_by_lot(
            ground.role,
            no_go == 0,
            grid=land.grid,
            rules=protocol.random,
            parcel_id=land.parcel.id,
        ),
    )


class Judged(NamedTuple):
    """Every cell of a piece of land before a place is chosen: what any place is judged by.

    `no_go` holds bits of `NoGo`, 0 = a camera may stand; `scores` are without the heading, which
    `view` judges wherever it is asked.
    """

    land: Land
    ground: GroundLayers
    no_go: NoGoArray
    scores: Scores
    view: Lookout


def judge_parcel(inputs: Inputs, protocol: Protocol, parcel: Parcel) -> Judged:
    """The ground of one parcel as `site_parcel` judges it, without choosing a place."""
    return judge_land(_read(inputs, protocol, parcel), protocol, survey=_survey(inputs))


def judge_land(
    land: Land,
    protocol: Protocol,
    *,
    survey: Survey = ("", None, None),
    progress: Progress = _silent,
) -> Judged:
    """Every cell of a piece of land that has been read; parameters as of `site_land`."""
    progress("measuring the ground")
    ground = _measure(land, protocol)
    # Apart from the score: ground where no camera may stand is not bad ground, and stays on the
    # map.
    no_go = no_go_bits(
        land,
        slope_deg=ground.layers["slope_deg"],
        role=ground.role,
        rules=protocol.no_go,
        ruled_out=land.ruled_out,
    )

    # Every cell by its layers first; headings cost a thousand times as much and wait for the best.
    progress("scoring")
    scores = score_cells(ground.layers, protocol)

    progress("looking around")
    view = lookout(
        land,
        ground,
        camera=protocol.camera,
        heading=protocol.heading,
        sun=protocol.sun,
        survey=survey,
    )
    return Judged(land, ground, no_go, scores, view)


def _with_names(spots: tuple[Spot, ...], land: Land) -> tuple[Spot, ...]:
    """The spots under the names that their places had before."""
    at = [(spot.lon, spot.lat, spot.search_radius_m) for spot in spots]
    places = named_places(at, land.known_places, parcel=land.parcel.id)
    return tuple(
        replace(spot, place_id=place.id) for spot, place in zip(spots, places, strict=True)
    )


def _measure(land: Land, protocol: Protocol) -> GroundLayers:
    """Every layer of the land, and the features animals use."""
    ground = build_ground(
        land,
        cover=protocol.cover,
        camera=protocol.camera,
        drainage=protocol.drainage,
        engine=protocol.terrain.engine,
        disturbance=protocol.disturbance,
        brush_m=(protocol.heading.brush_least_m, protocol.heading.brush_most_m),
    )
    return with_passage(
        land,
        ground,
        travel=protocol.travel,
        sought=protocol.features,
        drained=protocol.drainage,
        engine=protocol.terrain.engine,
    )


def _describe_spots(
    ranked: Ranked, aims: Sequence[Aim], *, ground: GroundLayers, land: Land, protocol: Protocol
) -> tuple[tuple[Spot, ...], tuple[Remark, ...]]:
    """The chosen candidates as spots: named, with the walk to them and their sentences."""
    named = name_by_feature(
        ranked.candidates,
        ground.features,
        reach_m=protocol.features.reach_m,
        land=land.parcel_shape,
    )
    # Cautions go with what grows on the parcel, whether a spot stands in it or not.
    inside = np.unique(land.role[cells_covered([land.parcel_shape], grid=land.grid)])
    general = parcel_cautions([int(role) for role in inside])
    walks, remarks = ways_in(
        land,
        [(c.easting, c.northing) for c in named],
        rules=protocol.walk,
        height_error_m=elevation_error_m(land.dem_cell_m, protocol.stability),
    )
    spots = make_spots(
        named,
        totals=[float(total) for total in ranked.judged.total],
        judged=ranked.judged,
        parts=parts_of(
            ranked.judged.memberships, weights=ranked.judged.weights, scoring=protocol.scoring
        ),
        radius_m=ranked.radius_m,
        layers=ground.layers,
        land=land,
        role=ground.role,
        caution_texts=[
            cautions_at(c, walk, ground, land, protocol, general=general)
            for c, walk in zip(named, walks, strict=True)
        ],
        aims=aims,
        walks=walks,
        firmness=ranked.stability,
        lens_height_m=protocol.camera.lens_height_m,
        picture=Picture(
            half_view_deg=protocol.camera.field_of_view_deg / 2.0,
            # A feature is known to the cell it was found in, no better.
            most_m=protocol.heading.named_most_m + land.grid.cell_size_m,
            on_it_m=protocol.heading.on_line_m,
            unknown_trail_m=protocol.disturbance.unknown_trail[-1][0],
        ),
        plain=ranked.plain,
    )
    return spots, remarks
