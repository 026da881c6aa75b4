"""The list put to the test: how sure each place is, how far to look around, what would turn."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray
from siting.kernels.bands import give_back
from siting.notes import Remark
from siting.scoring.candidates import Points
from siting.scoring.combine import combine
from siting.scoring.shaken.draws import Shaken
from siting.scoring.shaken.index import shaken_index
from siting.scoring.stability import (
    best_within,
    picked,
    search_radius,
    told,
    turning_choices,
)
from siting.settings.protocol_score import Scoring
from siting.settings.protocol_travel import StabilityRules
from siting.spot_parts import PlaceStability
from siting.types import Candidate, Land, Scores

# The layers that each map of the trials is made of.
_LAYERS_OF: Mapping[str, tuple[str, ...]] = {
    "trails": ("trails",),
    "water": ("water",),
    "crossings": ("crossings",),
    "roads": ("roads", "buildings"),
}
# Lidar comes in cells of up to 3 m, national elevation models in 10 m, the world's in 30 m.
_FINE_CELL_M, _MEDIUM_CELL_M = 3.0, 15.0


def assess_stability(
    places: Sequence[Candidate],
    land: Shaken,
    *,
    shown: int,
    spacing_m: float,
    least_radius_m: float,
    scoring: Scoring,
    rules: StabilityRules,
) -> tuple[PlaceStability, ...]:
    """How sure the first `shown` places are.

    Each draw picks its own first places among all points; a place is kept where one of them lies
    in its search circle. So a place counts as the best within its radius, not as one cell.

    Parameters
    ----------
    places : sequence of Candidate
        In the order of the list, those not shown after those that are.
    land : Shaken
    shown : int
    spacing_m : float, least distance between two places of a list, metres
    least_radius_m : float, what cells and a phone's position cannot do better than, metres
    scoring : Scoring
    rules : StabilityRules

    Returns
    -------
    one PlaceStability for each place shown; none where the protocol asks for no trials
    """
    if rules.draws == 0 or not places:
        return ()
    row, col = (np.array([getattr(p, axis) for p in places]) for axis in ("row", "col"))
    points = Points.around(row, col, grid=land.grid, reach_m=rules.farthest_m)
    give_back(land.dem.size)
    total = shaken_index(points, land, scoring=scoring, rules=rules)
    picks = picked(total, points.easting, points.northing, spacing_m=spacing_m, most=rules.first)
    return tuple(
        _place(n, points, total, picks, least_radius_m=least_radius_m, rules=rules)
        for n in range(shown)
    )


def _place(
    n: int,
    points: Points,
    total: NDArray[np.float32],
    picks: NDArray[np.int64],
    *,
    least_radius_m: float,
    rules: StabilityRules,
) -> PlaceStability:
    itself = points.first[n]
    east, north = points.easting - points.easting[itself], points.northing - points.northing[itself]
    away = np.hypot(east, north)
    best, _ = best_within(total, np.flatnonzero(points.place == n))
    at_best = np.where(best >= 0, away[best], np.nan)
    radius = search_radius(at_best, share=rules.radius_share, least_m=least_radius_m)
    kept = (picks >= 0) & (away[picks] <= radius + 1e-6)
    inside = np.flatnonzero((points.place == n) & (away <= radius + 1e-6))
    return told(
        kept,
        best_within(total, inside)[1],
        radius_m=radius,
        firm_share=rules.firm_share,
        fair_share=rules.fair_share,
    )


def elevation_error_m(dem_cell_m: float, rules: StabilityRules) -> float:
    """The error of elevations that the protocol states for files of this cell size, metres."""
    if dem_cell_m <= _FINE_CELL_M:
        return rules.error_fine_m
    return rules.error_medium_m if dem_cell_m <= _MEDIUM_CELL_M else rules.error_coarse_m


def stated_line_errors_m(land: Land, rules: StabilityRules) -> dict[str, float]:
    """The error of each map of lines, metres, where the inputs state one (`error_m` of a layer).

    Of several files of a layer the worst counts; a mapped crossing has its own error, one found
    where a trail meets water that of both. What nobody stated is missing.
    """
    found = {name: _worst_error_m(land, layers) for name, layers in _LAYERS_OF.items()}
    out = {name: error for name, error in found.items() if error is not None}
    if "crossings" not in out and out.keys() & {"trails", "water"}:
        both = (out.get(name, rules.line_error_m) for name in ("trails", "water"))
        out["crossings"] = math.hypot(*both)
    return out


def _worst_error_m(land: Land, layers: Sequence[str]) -> float | None:
    frames = [land.vectors[name] for name in layers if name in land.vectors]
    stated = [float(e) for frame in frames for e in frame.get("error_m", ()) if np.isfinite(e)]
    return max(stated, default=None)


def trial_remark(
    judged: Scores, *, shown: int, land: Shaken, scoring: Scoring, rules: StabilityRules
) -> Remark:
    """What was changed in the trials, and which single ratio would put another place first.

    `judged` holds the places in the order of the list, arrays of shape (n,).
    """

    def total(parts: Mapping[str, FloatArray], weights: Mapping[str, FloatArray]) -> FloatArray:
        return combine(parts, weights=weights, scoring=scoring).total

    return Remark(
        "A-STABILITY-01",
        {
            "choices": turning_choices(judged.memberships, judged.weights, combine=total),
            "shown": shown,
            "cover_error_m": land.cover_error_m,
            "elevation_error_m": land.elevation_error_m,
            "stated_m": land.line_error_m,
            "rules": rules,
        },
    )
