"""What chance decides in the trials: maps moved, errors, ratios, misread patches of cover."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from siting import criteria
from siting.grid import FloatArray, Grid
from siting.kernels.curves import Knots
from siting.kernels.remembered import remembered
from siting.scoring.candidates import Points
from siting.scoring.stability import draw_gradient_errors, draw_shifts, draw_weights
from siting.settings.protocol_travel import StabilityRules
from siting.types import BoolArray, NoGoArray

IndexArray = NDArray[np.int64]

LINES = ("trails", "water", "crossings", "roads")
"""Maps of lines that a draw lays down a few metres off."""

COVER, ELEVATION = "cover", "elevation"
# Patches of misread cover, and how far around a place they are thought of, metres.
_PATCH_M, _PATCH_REACH_M = (8.0, 25.0), 60.0
MOST_PATCHES = 3
# Cells for which `missed_spread` is stated; finer ones show more of what moves.
_MISSED_CELL_M = 30.0


@dataclass(frozen=True)
class Shaken:
    """What is read while the land is shaken.

    Parameters
    ----------
    memberships : mapping from criterion to (rows, cols) 0..1, without the heading
    no_go : (rows, cols) bits
    dem : (rows, cols) elevations, metres, NaN = no data
    view_slope_deg : (rows, cols) mean slope within the view, degrees
    funnel_ratio : (rows, cols) or None
    heading_score : (rows, cols), NaN where it was not judged; None where headings do not count
    clear_of_role : (roles,) membership of a clear view in each kind of cover
    role : (rows, cols) int8
    weights, spreads : mapping from criterion to the logarithm of its ratio and its sd
    curves : mapping from criterion to its curve
    cover_error_m, elevation_error_m : float, metres
    map_cell_m : float, cells of the elevations, also where the grid's are finer, metres
    line_error_m : stated error of some of `LINES`, metres; else the protocol's `line_error_m`
    """

    grid: Grid
    memberships: Mapping[str, FloatArray]
    no_go: NoGoArray
    dem: FloatArray
    view_slope_deg: FloatArray
    funnel_ratio: FloatArray | None
    heading_score: FloatArray | None
    clear_of_role: FloatArray
    role: NDArray[np.int8]
    weights: Mapping[str, float]
    spreads: Mapping[str, float]
    curves: Mapping[str, Knots]
    steep_deg: float
    cover_error_m: float
    elevation_error_m: float
    map_cell_m: float
    line_error_m: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Draws:
    """All that chance decides: maps moved (draws, places, 2), metres; errors, ratios, patches."""

    moved: Mapping[str, NDArray[np.float64]]
    weights: Mapping[str, FloatArray]
    errors: NDArray[np.float64]
    flow: NDArray[np.float64]
    patches: Patches
    heading: tuple[NDArray[np.float64], ...]
    missed: NDArray[np.float64]


@remembered("land")
def draw(points: Points, land: Shaken, *, rules: StabilityRules) -> Draws:
    rng = np.random.default_rng(rules.seed)
    centre = points.easting[points.first], points.northing[points.first]
    n = rules.draws

    def shifts(error_m: float) -> NDArray[np.float64]:
        return draw_shifts(*centre, error_m=error_m, alike_m=rules.alike_m, n_draws=n, rng=rng)

    moved = {name: shifts(land.line_error_m.get(name, rules.line_error_m)) for name in LINES}
    if "crossings" not in land.line_error_m:  # Where two maps meet the errors of both add up.
        moved["crossings"] *= np.sqrt(2.0)
    moved[COVER] = shifts(land.cover_error_m)
    # Elevations do not shift, they err: their error comes with the gradient below.
    moved[ELEVATION] = np.zeros((n, len(points.first), 2))
    weights = draw_weights(
        land.weights,
        spreads=land.spreads,
        n_draws=n,
        rng=rng,
        never_above_0=tuple(criteria.conditions()),
    )
    errors = draw_gradient_errors(
        *centre,
        error_m=land.elevation_error_m,
        correlation_m=rules.correlation_m,
        n_draws=n,
        rng=rng,
    )
    flow = np.exp(rules.travel_spread * rng.standard_normal((n, len(points.first))) / 2)
    patches = _patches(points, land, rules=rules, rng=rng)
    heading = tuple(
        rules.heading_spread * rng.standard_normal((n, size))
        for size in (len(points.first), len(points.row))
    )
    missed = _missed(land, rules) * rng.standard_normal((n, len(points.first)))
    return Draws(moved, weights, errors, flow, patches, heading, missed)


def _missed(land: Shaken, rules: StabilityRules) -> float:
    """Error of the logarithm that reading moved maps makes, in proportion to the cell size."""
    return rules.missed_spread * min(land.map_cell_m / _MISSED_CELL_M, 1.0)


@dataclass(frozen=True)
class Patches:
    """Patches of misread cover: (draws, places, k) metres from the place, radius, role, there."""

    east: FloatArray
    north: FloatArray
    radius: FloatArray
    role: IndexArray
    there: BoolArray


def _patches(
    points: Points, land: Shaken, *, rules: StabilityRules, rng: np.random.Generator
) -> Patches:
    shape = (rules.draws, len(points.first), MOST_PATCHES)
    low, high = _PATCH_M
    radius = rng.uniform(low, high, shape)
    patch_m2 = np.pi * (high**3 - low**3) / (3 * (high - low))
    expected = rules.misread_share * np.pi * _PATCH_REACH_M**2 / patch_m2
    number = rng.poisson(expected, shape[:2])
    away, turn = _PATCH_REACH_M * np.sqrt(rng.random(shape)), 2 * np.pi * rng.random(shape)
    seen = land.role[points.row, points.col]
    return Patches(
        away * np.sin(turn),
        away * np.cos(turn),
        radius,
        seen[rng.integers(0, len(seen), shape)].astype(np.int64),
        np.arange(MOST_PATCHES) < number[..., None],
    )
