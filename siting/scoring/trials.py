"""The list put to the test: weights and elevations shaken, and what would turn the first place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from siting import criteria
from siting.curves import Knots, membership
from siting.grid import FloatArray, Grid
from siting.ground.terrain import gradient
from siting.scoring.combine import combine
from siting.scoring.stability import (
    Choice,
    draw_gradient_errors,
    draw_weights,
    ranks_of,
    shaken_slopes,
    stability_of,
    turning_choices,
)
from siting.settings.protocol import Scoring
from siting.settings.protocol_travel import StabilityRules
from siting.spot_parts import PlaceStability
from siting.types import Candidate, Remark, Scores

_FINE_CELL_M, _MEDIUM_CELL_M = 3.0, 15.0
_SHARES = np.arange(0.05, 0.96, 0.05)


def try_ranks(
    places: Sequence[Candidate],
    judged: Scores,
    *,
    shown: int,
    dem: FloatArray,
    grid: Grid,
    dem_cell_m: float,
    view_m: float,
    steep_deg: float,
    flat_curve: Knots,
    scoring: Scoring,
    rules: StabilityRules,
    kinds: Sequence[str] = (),
) -> tuple[tuple[PlaceStability, ...], tuple[Remark, ...]]:
    """How firm the first `shown` places are, and a remark on what was shaken and what would turn.

    Parameters
    ----------
    places : sequence of Candidate
        In the order of the list, those not shown after those that are; places apart from each
        other, for a neighbour that wins is the same place.
    judged : Scores of these places, arrays of shape (n,)
    shown : int
    dem : (rows, cols) float, metres, NaN = no data
    grid : Grid
    dem_cell_m : float
        Cell size of the elevation file: what its error is taken to be depends on it.
    view_m : float
        Length of the view over which the slope counts, metres.
    steep_deg : float
        A place whose shaken slope is above this drops out of the trial.
    flat_curve : knots from degrees to membership
    scoring : Scoring
    rules : StabilityRules
    kinds : the kind of each place where the best of each kind comes before a second of any

    Returns
    -------
    (stability of the first places, notes); both empty where there is nothing to compare or the
    protocol asks for no trials
    """
    if rules.draws == 0 or len(places) < 2:
        return (), ()
    rng = np.random.default_rng(rules.seed)
    weights = draw_weights(
        judged.weights,
        spread=rules.weight_spread,
        n_draws=rules.draws,
        rng=rng,
        capped=tuple(criteria.attractors()),
    )
    error_m = elevation_error_m(dem_cell_m, rules)
    view_slope, own_slope = _slopes(
        places, dem=dem, grid=grid, view_m=view_m, error_m=error_m, rules=rules, rng=rng
    )
    parts = dict(judged.memberships)
    if "flat" in parts:
        parts["flat"] = membership(view_slope, flat_curve)
    totals = combine(parts, weights=weights, scoring=scoring).total
    totals = np.where(own_slope > steep_deg, -1.0, totals)
    found = stability_of(
        totals,
        shown=shown,
        first=rules.first,
        firm_share=rules.firm_share,
        fair_share=rules.fair_share,
        kinds=kinds,
    )
    choices = _choices(judged, scoring)
    told = {"choices": choices, "shown": shown, "error_m": error_m, "rules": rules}
    return found, (Remark("A-STABILITY-01", told),)


def elevation_error_m(dem_cell_m: float, rules: StabilityRules) -> float:
    """The error of elevations that the protocol states for files of this cell size, metres."""
    if dem_cell_m <= _FINE_CELL_M:
        return rules.error_fine_m
    return rules.error_medium_m if dem_cell_m <= _MEDIUM_CELL_M else rules.error_coarse_m


def _slopes(
    places: Sequence[Candidate],
    *,
    dem: FloatArray,
    grid: Grid,
    view_m: float,
    error_m: float,
    rules: StabilityRules,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """(draws, places) slope over the view and at the place itself, degrees."""
    errors = draw_gradient_errors(
        np.array([p.easting for p in places]),
        np.array([p.northing for p in places]),
        error_m=error_m,
        correlation_m=rules.correlation_m,
        n_draws=rules.draws,
        rng=rng,
    )
    east, north = gradient(dem, grid.cell_size_m)
    row, col = np.array([p.row for p in places]), np.array([p.col for p in places])
    view, own = (
        shaken_slopes(east, north, row=row, col=col, radius_cells=radius, errors=errors)
        for radius in (view_m / grid.cell_size_m, 0.0)
    )
    return view, own


def _choices(judged: Scores, scoring: Scoring) -> list[Choice]:
    def total(parts: Mapping[str, FloatArray], weights: Mapping[str, FloatArray]) -> FloatArray:
        return combine(parts, weights=weights, scoring=scoring).total

    found = turning_choices(
        judged.memberships, judged.weights, combine=total, capped=tuple(criteria.attractors())
    )
    every = [*found, *_turning_share(judged, scoring)]
    return sorted(every, key=lambda c: abs(np.log(max(c.turns_at, 1e-3) / c.weight)))[:3]


def _turning_share(judged: Scores, scoring: Scoring) -> list[Choice]:
    """The nearest share of attraction in the score that would put another place first."""
    given = scoring.attraction_share
    if scoring.method != "attractors and conditions" or given <= 0:
        return []
    for share in sorted(_SHARES, key=lambda s: abs(s - given)):
        tried = scoring.model_copy(update={"attraction_share": float(share)})
        total = combine(judged.memberships, weights=judged.weights, scoring=tried).total
        winner = int(ranks_of(total[None])[0].argmin())
        if winner != 0:
            return [Choice("attraction_share", given, float(share), winner)]
    return []
