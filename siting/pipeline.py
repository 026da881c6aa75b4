"""The main path: one parcel from files to ranked spots."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from siting.candidates import find_candidates
from siting.cautions import nearby, parcel_cautions, spot_cautions, texts
from siting.criteria import CONDITION_LAYERS, combine, memberships, weights_of
from siting.curves import membership
from siting.distance import burn
from siting.facing import find_aims
from siting.grid import FloatArray
from siting.inputs import Inputs
from siting.layers import Ground, build_ground
from siting.no_go import no_go_bits
from siting.protocol import CautionRules, Protocol
from siting.rank import choose, make_spots
from siting.read import read_land
from siting.types import Candidate, Land, Note, Parcel, Result, Scores

Progress = Callable[[str], None]


def _silent(stage: str) -> None:
    del stage


def site_parcel(
    inputs: Inputs, protocol: Protocol, parcel: Parcel, *, progress: Progress = _silent
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

    Raises
    ------
    SitingError
        With a stable code; see docs/errors.md.
    """
    progress("reading rasters and layers")
    land = read_land(
        inputs, parcel, rules=protocol.grid, far_reach_m=protocol.sun.horizon_reach_m
    )

    progress("measuring the ground")
    ground = build_ground(
        land,
        cover=protocol.cover,
        camera=protocol.camera,
        drainage=protocol.drainage,
        disturbance=protocol.disturbance,
    )
    no_go = no_go_bits(
        land,
        slope_deg=ground.layers["slope_deg"],
        role=ground.role,
        streams=ground.streams,
        rules=protocol.no_go,
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
    found, aim_notes = find_aims(
        candidates,
        land=land,
        layers=ground,
        camera=protocol.camera,
        heading=protocol.heading,
        sun=protocol.sun,
        survey=(inputs.survey.time_zone, inputs.survey.first_day, inputs.survey.last_day),
    )

    progress("ranking")
    details: list[dict[str, object]] = [{"heading_score": a.score, "aim": a} for a in found]
    judged = _judge(candidates, scores, details, protocol)
    chosen = choose(
        judged.total,
        candidates,
        spacing_m=protocol.candidates.spacing_m,
        most=protocol.candidates.spots,
    )
    spots = make_spots(
        [candidates[i] for i in chosen],
        totals=[float(judged.total[i]) for i in chosen],
        judged=_picked(judged, chosen),
        layers=ground.layers,
        land=land,
        role=ground.role,
        gps_m=protocol.precision.gps_m,
        caution_texts=[_cautions(candidates[i], ground, land, protocol.cautions) for i in chosen],
        details=[details[i] for i in chosen],
    )
    usable = float((no_go == 0).sum() / max(burn([land.parcel_shape], grid=land.grid).sum(), 1))
    return Result(
        land=land,
        layers=ground.layers,
        scores=scores,
        no_go=no_go,
        spots=spots,
        features=(),
        streams=ground.streams,
        notes=(*land.notes, *ground.notes, *aim_notes, *_result_notes(spots, usable)),
        usable_share=usable,
        details={"role": ground.role, "crossings": ground.crossings},
    )


def _score(layers: Mapping[str, FloatArray], protocol: Protocol) -> Scores:
    """Score of every cell; the heading is judged later, only at candidates."""
    parts = memberships(layers, attractors=protocol.attractors, conditions=protocol.conditions)
    weights = weights_of(parts, attractors=protocol.attractors, conditions=protocol.conditions)
    return combine(parts, weights=weights, scoring=protocol.scoring)


def _judge(
    candidates: Sequence[Candidate],
    scores: Scores,
    details: Sequence[Mapping[str, object]],
    protocol: Protocol,
) -> Scores:
    """Scores of the candidates alone, arrays of shape (n,), with the heading where it is known."""
    row = np.array([c.row for c in candidates], dtype=int)
    col = np.array([c.col for c in candidates], dtype=int)
    parts = {name: values[row, col] for name, values in scores.memberships.items()}
    if details and all("heading_score" in d for d in details):
        rule = protocol.conditions.heading
        if rule.weight > 0:
            best = np.array([d["heading_score"] for d in details], dtype=np.float32)
            parts["heading"] = membership(best, rule.curve)
    ordered = {n: parts[n] for n in (*scores.memberships, *CONDITION_LAYERS) if n in parts}
    weights = weights_of(ordered, attractors=protocol.attractors, conditions=protocol.conditions)
    return combine(ordered, weights=weights, scoring=protocol.scoring)


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
    candidate: Candidate, ground: Ground, land: Land, rules: CautionRules
) -> tuple[str, ...]:
    near = nearby(
        land,
        place=(candidate.easting, candidate.northing),
        streams=ground.streams,
        slope_deg=float(ground.layers["view_slope_deg"][candidate.row, candidate.col]),
    )
    inside = np.unique(land.role[burn([land.parcel_shape], grid=land.grid)])
    return texts((*parcel_cautions([int(r) for r in inside]), *spot_cautions(near, rules=rules)))


def _result_notes(spots: Sequence[object], usable: float) -> tuple[Note, ...]:
    if spots:
        return ()
    text = (
        f"No spot was found: {usable:.0%} of the parcel is allowed ground, and nothing on it "
        "scores enough."
    )
    return (Note("W-NOSPOT-01", "warning", text),)
