"""The land shaken: maps, cover, elevations and ratios drawn within what they may err.

A whole run takes seconds, so the trials do not run the program again. The places that could win are
surrounded by points, and each draw reads the layers at those points as if every map had been laid
down a few metres off, alike over about 75 m; cover is misread in patches, elevations and flow of
travel carry errors, ratios are drawn from their intervals. `tests.calibration` compares the shares
that come out with whole runs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from siting import criteria
from siting.grid import FloatArray, Grid
from siting.kernels.bands import of_parts
from siting.kernels.curves import Knots, membership
from siting.kernels.remembered import remembered
from siting.scoring.candidates import Points
from siting.scoring.combine import log_factors
from siting.scoring.stability import draw_gradient_errors, draw_shifts, draw_weights
from siting.settings.protocol_score import Scoring
from siting.settings.protocol_travel import StabilityRules
from siting.types import BoolArray, NoGo, NoGoArray

IndexArray = NDArray[np.int64]

# A block of so many draws stays in the processor's memory.
_BLOCK = 25

# Which map a criterion moves with.
_MOVES_WITH: Mapping[str, str] = {
    "trail": "trails",
    "water": "water",
    "crossing": "crossings",
    "quiet": "roads",
}
LINES = ("trails", "water", "crossings", "roads")
"""Maps of lines that a draw lays down a few metres off."""

_COVER, _ELEVATION = "cover", "elevation"
# Patches of misread cover, and how far around a place they are thought of, metres.
_PATCH_M, _PATCH_REACH_M = (8.0, 25.0), 60.0
_MOST_PATCHES = 3
# Cells for which `missed_spread` is stated; finer ones show more of what moves.
_MISSED_CELL_M = 30.0


@dataclass(frozen=True)
class Shaken:
    """What is read while the land is shaken.

    Parameters
    ----------
    memberships : mapping from criterion to (rows, cols) 0..1, without the heading
    no_go : (rows, cols) bits
    slope : (east, north) rise per metre, (rows, cols) each, NaN = no data
    view_slope_deg : (rows, cols) mean slope within the view, degrees
    funnel_ratio : (rows, cols) or None
    heading_score : (rows, cols), NaN where it was not judged; None where headings do not count
    clear_of_role : (roles,) membership of a clear view in each kind of cover
    role : (rows, cols) int8
    weights, spreads : mapping from criterion to the logarithm of its ratio and its sd
    curves : mapping from criterion to its curve
    cover_error_m, elevation_error_m : float, metres
    line_error_m : stated error of some of `LINES`, metres; else the protocol's `line_error_m`
    """

    grid: Grid
    memberships: Mapping[str, FloatArray]
    no_go: NoGoArray
    slope: tuple[FloatArray, FloatArray]
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
    line_error_m: Mapping[str, float] = field(default_factory=dict)


def shaken_index(
    points: Points, land: Shaken, *, scoring: Scoring, rules: StabilityRules
) -> NDArray[np.float32]:
    """Logarithm of the index of every point in every draw; -inf where no camera may stand.

    Returns
    -------
    (draws, points) float32
    """
    drawn = _draws(points, land, rules=rules)
    judged = land.heading_score
    known = None if judged is None else judged[points.row, points.col]
    out = _open_index(points, land, drawn, known, scoring=scoring).copy()
    # Last, for the least of it is new after most edits: a feeder closes ground and moves no map.

    def close(some: slice) -> None:
        out[some][_closed(points, land, drawn, some)] = -np.inf

    of_parts(close, len(out), size=_BLOCK)
    if known is not None:
        # Where no heading is open no camera stands, however the maps may lie.
        out[:, known == 0] = -np.inf
    return out


@dataclass(frozen=True)
class _Draws:
    """All that chance decides: maps moved (draws, places, 2), errors, ratios, misread patches."""

    moved: Mapping[str, NDArray[np.float64]]
    weights: Mapping[str, FloatArray]
    errors: NDArray[np.float64]
    flow: NDArray[np.float64]
    patches: _Patches
    heading: tuple[NDArray[np.float64], ...]
    missed: NDArray[np.float64]


@remembered("land")
def _draws(points: Points, land: Shaken, *, rules: StabilityRules) -> _Draws:
    rng = np.random.default_rng(rules.seed)
    centre = points.easting[points.first], points.northing[points.first]
    n = rules.draws

    def shifts(error_m: float) -> NDArray[np.float64]:
        return draw_shifts(*centre, error_m=error_m, alike_m=rules.alike_m, n_draws=n, rng=rng)

    moved = {name: shifts(land.line_error_m.get(name, rules.line_error_m)) for name in LINES}
    if "crossings" not in land.line_error_m:  # Where two maps meet the errors of both add up.
        moved["crossings"] *= np.sqrt(2.0)
    moved[_COVER] = shifts(land.cover_error_m)
    # Elevations do not shift, they err: their error comes with the gradient below.
    moved[_ELEVATION] = np.zeros((n, len(points.first), 2))
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
    return _Draws(moved, weights, errors, flow, patches, heading, missed)


@remembered("land")
def _open_index(
    points: Points, land: Shaken, drawn: _Draws, known: FloatArray | None, *, scoring: Scoring
) -> NDArray[np.float32]:
    """What `shaken_index` gives were all ground open; `known` is (points,) heading scores."""
    n = len(drawn.flow)
    out = np.empty((n, len(points.row)), dtype=np.float32)

    def fill(some: slice) -> None:
        where = _moved_cells(points, drawn, some, land.grid)
        parts = _memberships(points, land, where, drawn.flow[some])
        slope, own = _slopes(points, land, drawn.errors[some])
        if "flat" in parts:
            parts["flat"] = membership(slope.ravel(), land.curves["flat"]).reshape(slope.shape)
        _lay_patches(parts, points, drawn.patches, some, land)
        if known is not None:
            noise = [part[some] for part in drawn.heading]
            parts["heading"] = _headings(points, known, land.curves["heading"], noise)
        weights = {name: drawn.weights[name][some] for name in parts}
        draws, holds = log_factors(parts, weights, scoring, slope.shape)
        missed = drawn.missed[some][:, points.place]
        total = np.nan_to_num(draws + holds + missed, nan=-np.inf)
        out[some] = np.where(own > land.steep_deg, -np.inf, total)

    of_parts(fill, n, size=_BLOCK)
    return out


def _missed(land: Shaken, rules: StabilityRules) -> float:
    """Error of the logarithm that reading moved maps makes, in proportion to the cell size."""
    return rules.missed_spread * min(land.grid.cell_size_m / _MISSED_CELL_M, 1.0)


def _moved_cells(points: Points, drawn: _Draws, some: slice, grid: Grid) -> dict[str, IndexArray]:
    """Where each map is read in some of the draws."""
    return {name: _cells(points, shift[some], grid) for name, shift in drawn.moved.items()}


def _cells(points: Points, shift_m: NDArray[np.float64], grid: Grid) -> IndexArray:
    """The cells, by number, at which a map that lies `shift_m` off is read; (draws, points)."""
    from siting.kernels import moved_cells

    corner = grid.top, grid.left, grid.cell_size_m
    return moved_cells(points.easting, points.northing, points.place, shift_m, corner, grid.shape)


def _memberships(
    points: Points,
    land: Shaken,
    where: Mapping[str, IndexArray],
    flow: NDArray[np.float64],
) -> dict[str, FloatArray]:
    parts: dict[str, FloatArray] = {}
    for name, values in land.memberships.items():
        at = where[_MOVES_WITH.get(name, _COVER)]
        if name == "funnel" and land.funnel_ratio is not None:
            ratio = 1.0 + (np.take(land.funnel_ratio, at) - 1.0) * flow[:, points.place]
            curve = land.curves[name]
            parts[name] = membership(ratio.ravel(), curve).reshape(ratio.shape)
        else:
            parts[name] = np.take(values, at)
    return parts


def _slopes(
    points: Points, land: Shaken, errors: NDArray[np.float64]
) -> tuple[FloatArray, FloatArray]:
    """(draws, points) slope within the view and at the point itself, degrees.

    The error is the same all over the view, which holds while the view is small against the
    distance over which elevations err alike.
    """
    east, north = (part[points.row, points.col] for part in land.slope)
    own = np.hypot(east, north)
    view = np.tan(np.radians(land.view_slope_deg[points.row, points.col]))
    scale = np.where(own > 0, view / np.maximum(own, 1e-9), 0.0)
    found = []
    for factor in (scale, np.ones_like(scale)):
        along = (east * factor)[None] + errors[:, points.place, 0]
        across = (north * factor)[None] + errors[:, points.place, 1]
        found.append(np.degrees(np.arctan(np.hypot(along, across))))
    return found[0], found[1]


def _closed(points: Points, land: Shaken, drawn: _Draws, some: slice) -> BoolArray:
    """Where no camera may stand; set-backs go with the maps they are measured from."""
    with_map = {"water": NoGo.WATER, "roads": NoGo.ROAD | NoGo.BUILDING}
    moving = int(NoGo.WATER | NoGo.ROAD | NoGo.BUILDING | NoGo.STEEP)
    # Elevations err but do not shift: what goes with them is the same in every draw.
    still = _cells(points, drawn.moved[_ELEVATION][:1], land.grid)
    bits = np.take(land.no_go, still) & ~np.uint16(moving)
    for name, flags in with_map.items():
        there = _cells(points, drawn.moved[name][some], land.grid)
        bits = bits | (np.take(land.no_go, there) & np.uint16(int(flags)))
    return np.asarray(bits != 0)


def _headings(
    points: Points, known: FloatArray, curve: Knots, noise: Sequence[FloatArray]
) -> FloatArray:
    """Membership of the best heading: the one judged, else the mean of its place, with an error."""
    n = len(points.first)
    seen = np.isfinite(known) & (known > 0)
    count = np.bincount(points.place[seen], minlength=n)
    total = np.bincount(points.place[seen], known[seen], minlength=n)
    # Where no point of a place was looked at, a good heading is taken for granted.
    mean = np.where(count > 0, total / np.maximum(count, 1), 0.9)
    base = np.where(seen, known, mean[points.place])
    alike, apart = noise
    score = base + alike[:, points.place] + apart
    clipped = np.clip(score, 0.0, 1.0)
    return membership(clipped.ravel(), curve).reshape(clipped.shape)


@dataclass(frozen=True)
class _Patches:
    """Patches of misread cover: (draws, places, k) metres from the place, radius, role, there."""

    east: FloatArray
    north: FloatArray
    radius: FloatArray
    role: IndexArray
    there: BoolArray


def _patches(
    points: Points, land: Shaken, *, rules: StabilityRules, rng: np.random.Generator
) -> _Patches:
    shape = (rules.draws, len(points.first), _MOST_PATCHES)
    low, high = _PATCH_M
    radius = rng.uniform(low, high, shape)
    patch_m2 = np.pi * (high**3 - low**3) / (3 * (high - low))
    expected = rules.misread_share * np.pi * _PATCH_REACH_M**2 / patch_m2
    number = rng.poisson(expected, shape[:2])
    away, turn = _PATCH_REACH_M * np.sqrt(rng.random(shape)), 2 * np.pi * rng.random(shape)
    seen = land.role[points.row, points.col]
    return _Patches(
        away * np.sin(turn),
        away * np.cos(turn),
        radius,
        seen[rng.integers(0, len(seen), shape)].astype(np.int64),
        np.arange(_MOST_PATCHES) < number[..., None],
    )


def _lay_patches(
    parts: dict[str, FloatArray],
    points: Points,
    patches: _Patches,
    some: slice,
    land: Shaken,
) -> None:
    """A point in a patch has the view of the class it is misread as, and no edge of its own."""
    east = points.easting - points.easting[points.first][points.place]
    north = points.northing - points.northing[points.first][points.place]
    for k in range(_MOST_PATCHES):
        # Most places have no patch or one: only points of those that have are looked at.
        draw, point = np.nonzero(patches.there[some, :, k][:, points.place])
        at = (draw + some.start, points.place[point], k)
        away = np.hypot(east[point] - patches.east[at], north[point] - patches.north[at])
        inside = away <= patches.radius[at]
        draw, point, role = draw[inside], point[inside], patches.role[at][inside]
        if "view" in parts:
            parts["view"][draw, point] = land.clear_of_role[role]
        for name in ("edge", "soft_edge", "opening"):
            if name in parts:
                parts[name][draw, point] = 0.0
