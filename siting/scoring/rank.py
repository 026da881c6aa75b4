"""From the index of every cell to the places of the list, in order and put to the test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from siting import criteria
from siting.grid import FloatArray
from siting.ground.layers import GroundLayers
from siting.ground.peopled import lawns
from siting.ground.shapes.feature_order import served_by
from siting.heading.choose import Lookout
from siting.kernels.bands import give_back
from siting.kernels.curves import membership
from siting.notes import Remark
from siting.scoring.candidates import with_rivals, worth_listing
from siting.scoring.choose import choose, rivals, search_radius_m, with_room
from siting.scoring.combine import (
    combine,
    counts,
    memberships_at,
    rule_of,
    strongest_attractor,
    weights_of,
)
from siting.scoring.extent import AREA_REACH_M, LEAST_RADIUS_M, alike_ground
from siting.scoring.search import Found, HeadingEffect, Same, find_places, joined
from siting.scoring.shaken.draws import Shaken
from siting.scoring.trials import (
    assess_stability,
    elevation_error_m,
    stated_line_errors_m,
    trial_remark,
)
from siting.settings.protocol import CandidateRules, Protocol
from siting.spot_parts import PlaceStability
from siting.types import BoolArray, Candidate, CoverRole, Land, NoGoArray, Scores

# Places beyond the spots asked for, so that the heading may still change who is among them.
_MORE_PLACES, _OF_EACH_KIND = 10, 5
# Places beyond those shown that the trials hold against them.
_RIVALS = 10


@dataclass(frozen=True)
class Ranked:
    """The places of the list, best first.

    Parameters
    ----------
    candidates : tuple of Candidate
    judged : Scores of these, arrays of shape (n,), with the best heading of each
    stability : one for each; empty where the protocol asks for no trials
    radius_m : how far to look around each place
    remarks : what was tried, and where the search had to end early
    plain : True where no place stands out from the ground around: areas to look over, no places
    peopled : True where that is so as people are likely on some or all of the ground
    """

    candidates: tuple[Candidate, ...]
    judged: Scores
    stability: tuple[PlaceStability, ...]
    radius_m: tuple[float, ...]
    remarks: tuple[Remark, ...]
    plain: bool = False
    peopled: bool = False


def rank_places(
    scores: Scores, no_go: NoGoArray, *, ground: GroundLayers, view: Lookout, protocol: Protocol
) -> Ranked:
    """The best places of a parcel, and how sure each is.

    Parameters
    ----------
    scores : Scores of every cell, without the heading
    no_go : (rows, cols) bits; 0 = a camera may stand
    ground : the layers the scores were made from
    view : Lookout of this land
    protocol : Protocol
    """
    rules, land = protocol.candidates, view.land
    least_m = search_radius_m(
        dem_cell_m=land.dem_cell_m,
        cover_cell_m=land.cover_cell_m,
        gps_m=protocol.precision.gps_m,
    )
    # The circles of two spots must not overlap.
    apart_m = max(rules.spacing_m, 2.0 * least_m)
    boundary_m = ground.layers["distance_to_boundary_m"]
    people = lawns(land)
    open_ground = no_go == 0 if people is None else (no_go == 0) & ~people
    drawn = worth_listing(scores, no_go == 0, boundary_m, rules=rules, people=people)
    reach_m = protocol.features.reach_m
    same = _same_place(scores, drawn, view, radius_m=least_m, feature_reach_m=reach_m)
    found = _search(scores, drawn, view, protocol, spacing_m=apart_m, same=same)
    give_back(land.dem.size)
    if not found.candidates:
        peopled = bool((open_ground != (no_go == 0)).any())
        # Ground of people is looked over only where there is no other.
        where = open_ground if open_ground.any() else no_go == 0
        areas = _areas(scores, where, view, protocol, least_m=least_m)
        return replace(areas, peopled=peopled)
    judged = _score_candidates(found, scores, view, protocol)
    chosen, places = _choose(found.candidates, judged, rules, spacing_m=apart_m)
    shaken = _shaken(land, ground, scores, no_go, found, judged, protocol)
    firmness = assess_stability(
        with_rivals(
            [found.candidates[i] for i in places[: len(chosen) + _RIVALS]],
            scores.total,
            # With plain ground: a short list would be among the first five by its shortness alone.
            open_ground,
            land=land,
            spacing_m=apart_m,
        ),
        shaken,
        shown=len(chosen),
        spacing_m=apart_m,
        least_radius_m=least_m,
        scoring=protocol.scoring,
        rules=protocol.stability,
    )
    remarks = _search_remarks(found)
    if firmness:
        # With the rivals: the choice that turns the list may put a place first that is not shown.
        tried = _subset(judged, places)
        remarks += (
            trial_remark(
                tried,
                shown=len(chosen),
                land=shaken,
                scoring=protocol.scoring,
                rules=protocol.stability,
            ),
        )
    spots = tuple(found.candidates[i] for i in chosen)
    tried_m = tuple(place.radius_m for place in firmness) or (least_m,) * len(chosen)
    radius = with_room(spots, tried_m, least_m=least_m)
    return Ranked(spots, _subset(judged, chosen), firmness, radius, remarks)


def _areas(
    scores: Scores, allowed: BoolArray, view: Lookout, protocol: Protocol, *, least_m: float
) -> Ranked:
    """The best ground to look over where nothing draws animals; without trials: no rank is claimed.

    `allowed` is (rows, cols) bool, `least_m` the search radius that cells and a phone allow.
    """
    rules = protocol.candidates.model_copy(update={"spots": protocol.candidates.areas})
    # Twice the reach, so that each area has room of its own.
    apart_m = max(2.0 * AREA_REACH_M, 2.0 * least_m)
    found = _search(scores, allowed, view, protocol, spacing_m=apart_m)
    judged = _score_candidates(found, scores, view, protocol)
    chosen, _ = _choose(found.candidates, judged, rules, spacing_m=apart_m)
    spots = tuple(found.candidates[i] for i in chosen)
    radius, remarks = (least_m,) * len(spots), _search_remarks(found)
    return Ranked(spots, _subset(judged, chosen), (), radius, remarks, plain=True)


def not_judged(layers: Mapping[str, FloatArray], protocol: Protocol) -> tuple[Remark, ...]:
    """What the maps did not show, and how far it might have moved the index.

    `layers` maps names of layers to (rows, cols) arrays; only which are there counts.
    """
    found = []
    judged = {row.name for row in criteria.CRITERIA if row.layer in layers}
    for row in criteria.CRITERIA:
        rule = rule_of(row.name, attractors=protocol.attractors, conditions=protocol.conditions)
        known = row.name in judged or row.layer == "heading_score"
        if known or rule.ratio == 1.0 or criteria.stood_in_for(row.name, judged):
            continue
        said = {"label": row.label, "ratio": rule.ratio, "draws": row.kind == "attractor"}
        found.append(Remark("A-ABSENT-01", said))
    return tuple(found)


def _same_place(
    scores: Scores, allowed: BoolArray, view: Lookout, *, radius_m: float, feature_reach_m: float
) -> Same | None:
    """On coarse maps: the stretch or area that a place stands for, which is not listed twice."""
    if radius_m < LEAST_RADIUS_M:
        return None
    grid = view.land.grid
    kinds = _kind_of_cells(scores)
    serves = _features_of_cells(allowed, view, reach_m=feature_reach_m)

    def ground(row: int, col: int) -> BoolArray:
        alike = alike_ground((row, col), scores.total, allowed, grid=grid, radius_m=radius_m)
        # A ford in a stretch of trail is something else to go and see.
        return np.asarray(alike & (kinds == kinds[row, col]) & (serves == serves[row, col]))

    return ground


def _features_of_cells(allowed: BoolArray, view: Lookout, *, reach_m: float) -> NDArray[np.int64]:
    """(rows, cols) number of the feature that each allowed cell serves, -1 where it serves none."""
    number = {id(feature): n for n, feature in enumerate(view.features)}
    out = np.full(allowed.shape, -1, dtype=np.int64)
    row, col = np.nonzero(allowed)
    served = served_by(view.features, *view.land.grid.xy(row, col), reach_m=reach_m)
    out[row, col] = [-1 if feature is None else number[id(feature)] for feature in served]
    return out


def _search(
    scores: Scores,
    allowed: BoolArray,
    view: Lookout,
    protocol: Protocol,
    *,
    spacing_m: float,
    same: Same | None = None,
) -> Found:
    """The best places; where each kind is to have its own, the best few of each kind, too."""
    rules = protocol.candidates

    def best(where: BoolArray, most: int) -> Found:
        return find_places(
            scores.total,
            where,
            grid=view.land.grid,
            look=view.quick_score,
            effect=_effect(protocol),
            spacing_m=spacing_m,
            most=most,
            lowest=rules.lowest_score,
            most_looks=rules.most_looks,
            same=same,
        )

    found = [best(allowed, max(rules.places, rules.spots + _MORE_PLACES))]
    if rules.best_of_each_kind:
        kinds = _kind_of_cells(scores)
        # The nearest of a kind may be too near a better spot: a few of each to choose from.
        found += [best(allowed & (kinds == k), _OF_EACH_KIND) for k in np.unique(kinds[kinds >= 0])]
    return joined(found)


def _kind_of_cells(scores: Scores) -> NDArray[np.int64]:
    """Number of the attractor that speaks most for each cell, -1 where none does."""
    names = [name for name in criteria.attractors() if name in scores.memberships]
    worth = np.stack([scores.weights[name] * scores.memberships[name] for name in names])
    return np.where(worth.max(axis=0) > 0, np.nan_to_num(worth, nan=-1.0).argmax(axis=0), -1)


def _effect(protocol: Protocol) -> HeadingEffect:
    rule = protocol.conditions.heading
    return HeadingEffect(rule.weight, rule.curve)


def _score_candidates(found: Found, scores: Scores, view: Lookout, protocol: Protocol) -> Scores:
    """Scores of the places alone, arrays of shape (n,), with the best heading of each."""
    row = np.array([c.row for c in found.candidates], dtype=int)
    col = np.array([c.col for c in found.candidates], dtype=int)
    parts = memberships_at(scores.memberships, (row, col))
    rule = protocol.conditions.heading
    if counts(rule) and found.candidates:
        place = [(c.easting, c.northing) for c in found.candidates]
        best = view.best_score(*(np.array(axis) for axis in zip(*place, strict=True)))
        parts["heading"] = membership(best.astype(np.float32), rule.curve)
    ordered = {n: parts[n] for n in (*scores.memberships, *criteria.conditions()) if n in parts}
    weights = weights_of(ordered, attractors=protocol.attractors, conditions=protocol.conditions)
    return combine(ordered, weights=weights, scoring=protocol.scoring)


def _choose(
    candidates: tuple[Candidate, ...], judged: Scores, rules: CandidateRules, *, spacing_m: float
) -> tuple[list[int], list[int]]:
    """Indices of the spots, and of all places that could be one, the spots first."""
    chosen = choose(
        judged.total,
        candidates,
        spacing_m=spacing_m,
        most=rules.spots,
        kinds=_kinds(judged, rules),
    )
    return chosen, rivals(judged.total, candidates, chosen=chosen, spacing_m=spacing_m)


def _kinds(judged: Scores, rules: CandidateRules) -> list[str]:
    """The kind of each place that may be put forward for it, "" for all others."""
    least = rules.kind_least_share * float(np.max(judged.total, initial=0.0))
    return [
        strongest_attractor({n: float(m[i]) for n, m in judged.memberships.items()}, judged.weights)
        if rules.best_of_each_kind and total >= least
        else ""
        for i, total in enumerate(judged.total)
    ]


def _subset(scores: Scores, chosen: Sequence[int]) -> Scores:
    index = np.array(chosen, dtype=int)
    return Scores(
        {name: values[index] for name, values in scores.memberships.items()},
        scores.attraction[index],
        scores.conditions[index],
        scores.total[index],
        scores.weights,
    )


def _shaken(
    land: Land,
    ground: GroundLayers,
    scores: Scores,
    no_go: NoGoArray,
    found: Found,
    judged: Scores,
    protocol: Protocol,
) -> Shaken:
    rules = protocol.stability
    table = {
        name: rule_of(name, attractors=protocol.attractors, conditions=protocol.conditions)
        for name in judged.weights
    }
    heading = found.heading_map(land.grid.shape) if "heading" in table else None
    return Shaken(
        grid=land.grid,
        memberships=scores.memberships,
        no_go=no_go,
        dem=land.dem,
        view_slope_deg=ground.layers["view_slope_deg"],
        funnel_ratio=ground.layers.get("funnel_ratio"),
        heading_score=heading,
        clear_of_role=_clear_of_role(protocol),
        role=ground.role,
        weights=judged.weights,
        spreads={name: rule.spread for name, rule in table.items()},
        curves={name: rule.curve for name, rule in table.items()},
        steep_deg=protocol.no_go.steep_deg,
        cover_error_m=rules.cover_error_cells * land.cover_cell_m,
        elevation_error_m=elevation_error_m(land.dem_cell_m, rules),
        map_cell_m=max(land.grid.cell_size_m, land.dem_cell_m),
        line_error_m=stated_line_errors_m(land, rules),
    )


def _clear_of_role(protocol: Protocol) -> NDArray[np.float32]:
    """Membership of a clear view in each kind of cover; water and the unknown block nothing."""
    shares = [getattr(protocol.cover, f"clear_{role.name.lower()}", 1.0) for role in CoverRole]
    return membership(np.array(shares), protocol.conditions.view.curve)


def _search_remarks(found: Found) -> tuple[Remark, ...]:
    return () if found.whole else (Remark("A-SEARCH-01", {"looked": found.looked}),)
