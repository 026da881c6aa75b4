"""The main path: one parcel from files to ranked spots."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import NamedTuple

from siting import kernels
from siting.decisions.history import last_states
from siting.decisions.places import named_places
from siting.decisions.proposal import Proposal, proposal_of
from siting.grid import FloatArray
from siting.ground.distance import cells_covered
from siting.ground.layers import GroundLayers, build_ground
from siting.ground.no_go import no_go_bits, owner_notes
from siting.ground.travel.passage import with_passage
from siting.heading.choose import Lookout, choose_headings, lookout, sun_over
from siting.kernels.aside import begun
from siting.kernels.bands import give_back
from siting.notes import Remark
from siting.pipeline.described import describe_spots
from siting.read.land import read_land
from siting.read.vector.decision_files import Decisions
from siting.report.files.random_places import drawn_as
from siting.scoring.cells import score_cells
from siting.scoring.extent import extents_of
from siting.scoring.random_places import Lot, asked_at_random, draw_lot
from siting.scoring.rank import Ranked, not_judged, rank_places
from siting.scoring.trials import elevation_error_m
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.settings.protocol_field import RandomRules
from siting.spot_parts import Aim
from siting.types import Land, NoGoArray, Parcel, Result, Scores, Spot
from siting.words.notes import comparison_notes, layers_together, list_notes, notes_of
from siting.words.season import frost_on
from siting.words.spot.extents import with_extents

Progress = Callable[[str], None]
Begun = Callable[[Land, Mapping[str, FloatArray], Scores, NoGoArray], None]
"""Given the land, its layers, its scores and no-go bits as soon as they are known."""
Survey = tuple[str, dt.date | None, dt.date | None]
"""Time zone, first and last day of the season."""


def _silent(stage: str) -> None:
    del stage


def nothing_begun(
    land: Land, layers: Mapping[str, FloatArray], scores: Scores, no_go: NoGoArray
) -> None:
    """Nothing is begun where nobody says what is to be written; (rows, cols) arrays, no unit."""
    del land, layers, scores, no_go


def site_parcel(
    inputs: Inputs,
    protocol: Protocol,
    parcel: Parcel,
    *,
    progress: Progress = _silent,
    decisions: Decisions | None = None,
    offered: tuple[str, str] | None = None,
    begin: Begun = nothing_begun,
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
    begin : function
        Called before places are sought: what the report can do without them can be begun.

    Raises
    ------
    SitingError
        With a stable code; see docs/errors.md.
    """
    progress("reading rasters and layers")
    # Loading what measures the ground takes as long as reading it.
    read = partial(_read, inputs, protocol, parcel, decisions)
    # A first run compiles meanwhile; a second process can only be split off before one reads.
    with kernels.compiled_ahead() as others, begun(read, loads="numba") as reading:
        kernels.load(others)
        land = reading()
    return site_land(
        land, protocol, survey=_survey(inputs), progress=progress, offered=offered, begin=begin
    )


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
    begin: Begun = nothing_begun,
) -> Result:
    """Ranked spots of a piece of land that has been read.

    Parameters
    ----------
    land : Land
    protocol : Protocol
    survey : (time zone, first day, last day); "" and None where not given
    progress : function, given the name of each stage as it begins
    offered : (name of a place, why) or None
        What the survey's assignment proposes.
    begin : function, as of `site_parcel`
    """
    judged = judge_land(land, protocol, survey=survey, progress=progress)
    _, ground, no_go, scores, view = judged
    begin(land, ground.layers, scores, no_go)
    ranked = rank_places(scores, no_go, ground=ground, view=view, protocol=protocol)
    give_back(land.dem.size)
    # An aim has words and arrays of its own: only the places chosen get one. An area has no
    # bearing in degrees: one of eight directions goes for all of it.
    seen = replace(view, spans=True) if ranked.plain else view
    aims, aim_remarks = choose_headings(ranked.candidates, view=seen, open_ground=no_go == 0)

    progress("ranking")
    frost = frost_on(land, survey[1:], rules=protocol.cautions)
    spots, walk_remarks = _listed(ranked, aims, judged=judged, protocol=protocol, frost=frost)
    proposal = _proposal(land, spots, offered)
    lot = _by_lot(judged, proposal, rules=protocol.random)
    # Of the cells of the parcel, and not of its area, so that the two counts go together.
    usable = float((no_go == 0).sum() / max(lot.inside.sum(), 1))
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
                    *lot.remark,
                )
            ),
            *list_notes(
                len(spots),
                usable,
                scant_share=protocol.assign.scant_share,
                plain=ranked.plain,
                peopled=ranked.peopled,
            ),
        ),
        usable_share=usable,
        proposal=asked_at_random(proposal, lot.places, lot.named, land.grid),
        random_places=lot.places,
        lot=lot.one,
        frost=frost,
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
    # Where the sun stands follows from land and days alone, and only headings ask for it.
    with begun(partial(sun_over, land, survey), loads="pvlib") as sun:
        ground = _measure(land, protocol)
        track = sun()
    give_back(land.dem.size)
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
    give_back(land.dem.size)

    progress("looking around")
    view = lookout(
        land,
        ground,
        camera=protocol.camera,
        heading=protocol.heading,
        sun=protocol.sun,
        survey=survey,
        track=track,
    )
    return Judged(land, ground, no_go, scores, view)


def _listed(
    ranked: Ranked, aims: Sequence[Aim], *, judged: Judged, protocol: Protocol, frost: bool
) -> tuple[tuple[Spot, ...], tuple[Remark, ...]]:
    """The spots with how far each goes, under the names that their places had before."""
    land, ground, no_go, scores, _ = judged
    spots, remarks = describe_spots(
        ranked, aims, ground=ground, land=land, protocol=protocol, frost=frost
    )
    extents = extents_of(
        spots, scores.total, no_go == 0, land=land, valley_lines=ground.valley_lines
    )
    # After the order is settled: a place keeps its name, whatever its rank.
    at = [(spot.lon, spot.lat, spot.search_radius_m) for spot in spots]
    gone = [name for name, last in last_states(land.decisions).items() if last.state == "ruled out"]
    places = named_places(at, land.known_places, parcel=land.parcel.id, gone=gone)
    named = [replace(spot, place_id=p.id) for spot, p in zip(spots, places, strict=True)]
    return with_extents(tuple(named), extents), remarks


def _proposal(
    land: Land, spots: Sequence[Spot], offered: tuple[str, str] | None
) -> Proposal | None:
    """The place that the survey asks for, whether it is among the spots or not."""
    return proposal_of(
        land.decisions,
        {spot.place_id: spot.rank for spot in spots},
        parcel=land.parcel.id,
        known=land.known_places,
        offered=offered,
    )


def _by_lot(judged: Judged, proposal: Proposal | None, *, rules: RandomRules) -> Lot:
    land = judged.land
    return draw_lot(
        judged.ground.role,
        judged.no_go == 0,
        inside=cells_covered([land.parcel_shape], grid=land.grid),
        grid=land.grid,
        rules=rules,
        parcel_id=land.parcel.id,
        tree_m=judged.ground.layers.get("distance_to_tree_m"),
        named=drawn_as(proposal.place_id, parcel=land.parcel.id) if proposal else None,
    )


def _measure(land: Land, protocol: Protocol) -> GroundLayers:
    """Every layer of the land, and the features animals use."""
    error_m = elevation_error_m(land.dem_cell_m, protocol.stability)
    # First what is measured cell by cell; passages and features are found in it.
    ground = build_ground(
        land,
        cover=protocol.cover,
        camera=protocol.camera,
        drainage=protocol.drainage,
        engine=protocol.terrain.engine,
        disturbance=protocol.disturbance,
        brush_m=(protocol.heading.brush_least_m, protocol.heading.brush_most_m),
        height_error_m=error_m,
    )
    give_back(land.dem.size)
    return with_passage(
        land,
        ground,
        travel=protocol.travel,
        sought=protocol.features,
        drained=protocol.drainage,
        engine=protocol.terrain.engine,
        height_error_m=error_m,
    )
