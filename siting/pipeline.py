"""The main path: one parcel from files to ranked spots."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from siting import criteria
from siting.curves import membership
from siting.decisions.places import named_places
from siting.decisions.proposal import proposal_of
from siting.grid import FloatArray
from siting.ground.distance import burn
from siting.ground.layers import Ground, build_ground
from siting.ground.no_go import no_go_bits, owner_notes
from siting.ground.shapes.feature_order import name_by_feature
from siting.ground.travel.passage import with_passage
from siting.heading.choose import find_aims
from siting.lengths import percent
from siting.read.land import read_land
from siting.read.vector.decision_files import Decisions
from siting.scoring.candidates import find_candidates
from siting.scoring.choose import choose, rivals, search_radius_m
from siting.scoring.combine import combine, memberships, strongest_attractor, weights_of
from siting.scoring.extent import extent_of
from siting.scoring.trials import elevation_error_m, try_ranks
from siting.settings.inputs import Inputs
from siting.settings.load import compared_weights
from siting.settings.protocol import CandidateRules, Protocol
from siting.spot_parts import Aim, PlaceStability, Walk
from siting.types import Candidate, Land, Note, Parcel, Remark, Result, Scores, Spot
from siting.walk.route import ways_in
from siting.words.cautions import Caution, nearby, parcel_cautions, spot_cautions, texts
from siting.words.extents import with_extents
from siting.words.notes import layers_together, notes_of
from siting.words.reasons import wet_warnings
from siting.words.spots import Picture, make_spots

Progress = Callable[[str], None]


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
    land = read_land(
        inputs,
        parcel,
        rules=protocol.grid,
        far_reach_m=protocol.sun.horizon_reach_m,
        decision_rules=protocol.decisions,
        decisions=decisions,
    )

    progress("measuring the ground")
    ground = _measure(land, protocol)
    no_go = no_go_bits(
        land,
        slope_deg=ground.layers["slope_deg"],
        role=ground.role,
        rules=protocol.no_go,
        ruled_out=land.ruled_out,
    )

    progress("scoring")
    scores = _score(ground.layers, protocol)
    candidates = find_candidates(
        scores.total,
        no_go == 0,
        grid=land.grid,
        spacing_m=protocol.candidates.candidate_spacing_m,
        most=protocol.candidates.most_candidates,
        lowest=protocol.candidates.lowest_score,
    )

    progress("looking around")
    aims, aim_remarks = find_aims(
        candidates,
        land=land,
        layers=ground,
        camera=protocol.camera,
        heading=protocol.heading,
        sun=protocol.sun,
        survey=(inputs.survey.time_zone, inputs.survey.first_day, inputs.survey.last_day),
        open_ground=no_go == 0,
    )

    # Where no heading is open no camera can look, so none can stand.
    can_look = [i for i, aim in enumerate(aims) if aim.score > 0]
    candidates = tuple(candidates[i] for i in can_look)
    aims = tuple(aims[i] for i in can_look)

    progress("ranking")
    judged = _judge(candidates, aims, scores, protocol)
    kinds = _kinds(judged, protocol.candidates)
    apart_m = max(protocol.candidates.spacing_m, 2.0 * _radius_m(land, protocol))
    chosen, places = _choose(candidates, judged, protocol.candidates, kinds, spacing_m=apart_m)
    firmness, trial_remarks = _shake(
        candidates, judged, chosen, places, land, protocol, kinds=[kinds[i] for i in places]
    )
    spots, walk_remarks = _tell(
        candidates, aims, judged, chosen, firmness, ground=ground, land=land, protocol=protocol
    )
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
    spots = _with_names(spots, land)
    usable = float((no_go == 0).sum() / max(burn([land.parcel_shape], grid=land.grid).sum(), 1))
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
            *_comparison_notes(protocol),
            *ground.notes,
            *owner_notes(land, rules=protocol.no_go),
            *notes_of((*aim_remarks, *trial_remarks, *walk_remarks)),
            *_result_notes(spots, usable),
        ),
        usable_share=usable,
        proposal=proposal_of(
            land.decisions, {spot.place_id: spot.rank for spot in spots}, offered=offered
        ),
    )


def _with_names(spots: tuple[Spot, ...], land: Land) -> tuple[Spot, ...]:
    """The spots under the names that their places had before."""
    at = [(spot.lon, spot.lat, spot.search_radius_m) for spot in spots]
    places = named_places(at, land.known_places, parcel=land.parcel.id)
    return tuple(
        replace(spot, place_id=place.id) for spot, place in zip(spots, places, strict=True)
    )


def _measure(land: Land, protocol: Protocol) -> Ground:
    """Every layer of the land, and the features animals use."""
    ground = build_ground(
        land,
        cover=protocol.cover,
        camera=protocol.camera,
        drainage=protocol.drainage,
        engine=protocol.terrain.engine,
        disturbance=protocol.disturbance,
    )
    return with_passage(
        land,
        ground,
        travel=protocol.travel,
        sought=protocol.features,
        drained=protocol.drainage,
        engine=protocol.terrain.engine,
    )


def _score(layers: Mapping[str, FloatArray], protocol: Protocol) -> Scores:
    """Score of every cell; the heading is judged later, only at candidates."""
    parts = memberships(layers, attractors=protocol.attractors, conditions=protocol.conditions)
    weights = weights_of(parts, attractors=protocol.attractors, conditions=protocol.conditions)
    return combine(parts, weights=weights, scoring=protocol.scoring)


def _judge(
    candidates: Sequence[Candidate], aims: Sequence[Aim], scores: Scores, protocol: Protocol
) -> Scores:
    """Scores of the candidates alone, arrays of shape (n,), with the best heading of each."""
    row = np.array([c.row for c in candidates], dtype=int)
    col = np.array([c.col for c in candidates], dtype=int)
    parts = {name: values[row, col] for name, values in scores.memberships.items()}
    rule = protocol.conditions.heading
    if rule.weight > 0:
        best = np.array([aim.score for aim in aims], dtype=np.float32)
        parts["heading"] = membership(best, rule.curve)
    ordered = {n: parts[n] for n in (*scores.memberships, *criteria.conditions()) if n in parts}
    weights = weights_of(ordered, attractors=protocol.attractors, conditions=protocol.conditions)
    return combine(ordered, weights=weights, scoring=protocol.scoring)


def _kinds(judged: Scores, rules: CandidateRules) -> list[str]:
    """The kind of each candidate that may be put forward for it, "" for all others."""
    least = rules.kind_least_share * float(np.max(judged.total, initial=0.0))
    return [
        strongest_attractor({n: float(m[i]) for n, m in judged.memberships.items()}, judged.weights)
        if rules.best_of_each_kind and total >= least
        else ""
        for i, total in enumerate(judged.total)
    ]


def _choose(
    candidates: tuple[Candidate, ...],
    judged: Scores,
    rules: CandidateRules,
    kinds: Sequence[str],
    *,
    spacing_m: float,
) -> tuple[list[int], list[int]]:
    """Indices of the spots, and of all places that could be one, the spots first."""
    chosen = choose(
        judged.total,
        candidates,
        spacing_m=spacing_m,
        most=rules.spots,
        kinds=kinds,
    )
    return chosen, rivals(judged.total, candidates, chosen=chosen, spacing_m=spacing_m)


def _radius_m(land: Land, protocol: Protocol) -> float:
    """How far off a place may be; circles of two spots must not overlap."""
    return search_radius_m(
        dem_cell_m=land.dem_cell_m,
        cover_cell_m=land.cover_cell_m,
        gps_m=protocol.precision.gps_m,
    )


def _shake(
    candidates: Sequence[Candidate],
    judged: Scores,
    chosen: Sequence[int],
    places: Sequence[int],
    land: Land,
    protocol: Protocol,
    *,
    kinds: Sequence[str],
) -> tuple[tuple[PlaceStability, ...], tuple[Remark, ...]]:
    """How firmly each place keeps its standing when weights and elevations are shaken."""
    return try_ranks(
        [candidates[i] for i in places],
        _picked(judged, places),
        shown=len(chosen),
        dem=land.dem,
        grid=land.grid,
        dem_cell_m=land.dem_cell_m,
        view_m=protocol.camera.view_far_m,
        steep_deg=protocol.no_go.steep_deg,
        flat_curve=protocol.conditions.flat.curve,
        scoring=protocol.scoring,
        rules=protocol.stability,
        kinds=kinds,
    )


def _tell(
    candidates: Sequence[Candidate],
    aims: Sequence[Aim],
    judged: Scores,
    chosen: Sequence[int],
    firmness: Sequence[PlaceStability],
    *,
    ground: Ground,
    land: Land,
    protocol: Protocol,
) -> tuple[tuple[Spot, ...], tuple[Remark, ...]]:
    """The chosen candidates as spots: named, with the walk to them and their sentences."""
    named = name_by_feature(
        [candidates[i] for i in chosen],
        ground.features,
        reach_m=protocol.features.reach_m,
        land=land.parcel_shape,
    )
    inside = np.unique(land.role[burn([land.parcel_shape], grid=land.grid)])
    general = parcel_cautions([int(role) for role in inside])
    walks, remarks = ways_in(land, [(c.easting, c.northing) for c in named], rules=protocol.walk)
    spots = make_spots(
        named,
        totals=[float(judged.total[i]) for i in chosen],
        judged=_picked(judged, chosen),
        layers=ground.layers,
        land=land,
        role=ground.role,
        gps_m=protocol.precision.gps_m,
        caution_texts=[
            _cautions(c, walk, ground, land, protocol, general=general)
            for c, walk in zip(named, walks, strict=True)
        ],
        aims=[aims[i] for i in chosen],
        walks=walks,
        firmness=firmness,
        lens_height_m=protocol.camera.lens_height_m,
        picture=Picture(
            half_view_deg=protocol.camera.field_of_view_deg / 2.0,
            most_m=protocol.heading.named_most_m + land.grid.cell_size_m,
            on_it_m=protocol.heading.on_line_m,
            unknown_trail_m=protocol.disturbance.unknown_trail[-1][0],
        ),
    )
    return spots, remarks


def _comparison_notes(protocol: Protocol) -> tuple[Note, ...]:
    return tuple(
        Note(
            "A-WEIGHTS-01",
            "assumption",
            f"The weights of the {group} come from a pairwise comparison; its consistency ratio "
            f"is {found.consistency_ratio:.3f} (0.10 at most is usual).",
        )
        for group, found in compared_weights(protocol).items()
    )


def _picked(scores: Scores, chosen: Sequence[int]) -> Scores:
    index = np.array(chosen, dtype=int)
    return Scores(
        {name: values[index] for name, values in scores.memberships.items()},
        scores.attraction[index],
        scores.conditions[index],
        scores.total[index],
        scores.weights,
    )


def _cautions(
    candidate: Candidate,
    walk: Walk | None,
    ground: Ground,
    land: Land,
    protocol: Protocol,
    *,
    general: Sequence[Caution],
) -> tuple[str, ...]:
    """What to beware of at a spot: `general` holds what goes for the whole parcel."""
    near = nearby(
        land,
        place=(candidate.easting, candidate.northing),
        valley_lines=ground.valley_lines,
        slope_deg=float(ground.layers["view_slope_deg"][candidate.row, candidate.col]),
        park_m=_at(ground, "distance_to_park_m", candidate),
        walk=walk,
    )
    here = spot_cautions(near, rules=protocol.cautions)
    at = {name: float(v[candidate.row, candidate.col]) for name, v in ground.layers.items()}
    error_m = elevation_error_m(land.dem_cell_m, protocol.stability)
    wet = wet_warnings(at, rules=protocol.wet, dem_cell_m=land.dem_cell_m, error_m=error_m)
    return (*wet, *texts((*general, *here)))


def _at(ground: Ground, layer: str, candidate: Candidate) -> float:
    """A layer's value at a candidate; infinite where there is no such layer."""
    values = ground.layers.get(layer)
    return np.inf if values is None else float(values[candidate.row, candidate.col])


def _result_notes(spots: Sequence[object], usable: float) -> tuple[Note, ...]:
    if spots:
        return ()
    text = (
        f"No spot was found: {percent(usable)} of the parcel is suitable for a camera, and "
        "no place on it scores enough."
    )
    return (Note("W-NOSPOT-01", "warning", text),)
