"""The land shaken: maps, cover, elevations and ratios drawn within what they may err.

A whole run takes seconds, so the trials do not run the program again. The places that could win are
surrounded by points, and each draw reads the layers at those points as if every map had been laid
down a few metres off, alike over about 75 m; cover is misread in patches, elevations and flow of
travel carry errors, ratios are drawn from their intervals. `tests.calibration` compares the shares
that come out with whole runs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid
from siting.kernels.bands import of_parts
from siting.kernels.curves import Knots, membership
from siting.kernels.remembered import lasting, near_change
from siting.scoring.candidates import Points
from siting.scoring.combine import log_factors
from siting.scoring.shaken.draws import (
    COVER,
    ELEVATION,
    MOST_PATCHES,
    Draws,
    IndexArray,
    Patches,
    Shaken,
    draw,
)
from siting.settings.protocol_score import Scoring
from siting.settings.protocol_travel import StabilityRules
from siting.types import BoolArray, NoGo

# A block of so many draws stays in the processor's memory.
_BLOCK = 25

# Which map a criterion moves with.
_MOVES_WITH: Mapping[str, str] = {
    "trail": "trails",
    "water": "water",
    "crossing": "crossings",
    "quiet": "roads",
}


def shaken_index(
    points: Points, land: Shaken, *, scoring: Scoring, rules: StabilityRules
) -> NDArray[np.float32]:
    """Logarithm of the index of every point in every draw; -inf where no camera may stand.

    Returns
    -------
    (draws, points) float32
    """
    drawn = draw(points, land, rules=rules)
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


def _open_index(
    points: Points, land: Shaken, drawn: Draws, known: FloatArray | None, *, scoring: Scoring
) -> NDArray[np.float32]:
    """What `shaken_index` gives were all ground open; `known` is (points,) heading scores.

    A point follows from the cells that the draws may lay under it, and from the headings known of
    its place. Where steps are remembered, only places of which these have changed are tried again.
    """
    layers = _layers(land)
    # All but the layers: a field that is added one day counts for every point.
    fixed = {f.name: getattr(land, f.name) for f in fields(land) if f.name not in _BY_POINT}
    kept = lasting("trials", points, drawn, scoring, fixed, list(layers), known is None)
    again = np.ones(len(points.first), dtype=bool)
    out: NDArray[np.float32] = np.empty((len(drawn.flow), len(points.row)), dtype=np.float32)
    if kept:
        again = _changed(points, land.grid, drawn, (kept["layers"], layers), (kept["known"], known))
        out[:] = kept["index"]
    of_those = np.flatnonzero(again[points.place])
    if len(of_those):
        some, heard = _some_points(points, drawn, of_those)
        headings = None if known is None else known[of_those]
        out[:, of_those] = _index_of(some, land, heard, headings, scoring=scoring)
    kept.update(layers=layers, known=known, index=out)
    return out


# Fields of Shaken of which a point depends only on the cells around it, or not at all here.
_BY_POINT = frozenset(
    {"memberships", "slope", "view_slope_deg", "funnel_ratio", "no_go", "heading_score", "role"}
)


def _layers(land: Shaken) -> dict[str, FloatArray]:
    """The layers that `_index_of` reads, (rows, cols) each."""
    out = {**land.memberships, "rise east": land.slope[0], "rise north": land.slope[1]}
    out["view slope"] = land.view_slope_deg
    return out if land.funnel_ratio is None else {**out, "funnel ratio": land.funnel_ratio}


def _changed(
    points: Points,
    grid: Grid,
    drawn: Draws,
    layers: tuple[Mapping[str, FloatArray], Mapping[str, FloatArray]],
    known: tuple[FloatArray | None, FloatArray | None],
) -> BoolArray:
    """(places,) whether cells under a point of a place, or headings known there, have changed."""
    farthest_m = max(float(np.abs(shift).max()) for shift in drawn.moved.values())
    reach = int(np.ceil(farthest_m / grid.cell_size_m)) + 1
    was, now = (list(part.values()) for part in layers)
    changed = near_change(was, now, (points.row, points.col), reach=reach)
    before, after = known
    if before is not None and after is not None:
        changed |= (before != after) & ((before == before) | (after == after))
    return np.bincount(points.place[changed], minlength=len(points.first)) > 0


def _some_points(points: Points, drawn: Draws, some: IndexArray) -> tuple[Points, Draws]:
    """Whole places of these points, (n,) indices, with what was drawn for each point."""
    at = np.zeros(len(points.row), dtype=np.int64)
    at[some] = np.arange(len(some))
    part = Points(
        points.row[some],
        points.col[some],
        points.place[some],
        points.easting[some],
        points.northing[some],
        # Of the other places no point is left, so that nobody asks for their first.
        at[points.first],
    )
    alike, apart = drawn.heading
    return part, replace(drawn, heading=(alike, apart[:, some]))


def _index_of(
    points: Points, land: Shaken, drawn: Draws, known: FloatArray | None, *, scoring: Scoring
) -> NDArray[np.float32]:
    """(draws, points) logarithm of the index on open ground; see `_open_index`."""
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


def _moved_cells(points: Points, drawn: Draws, some: slice, grid: Grid) -> dict[str, IndexArray]:
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
        at = where[_MOVES_WITH.get(name, COVER)]
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


def _closed(points: Points, land: Shaken, drawn: Draws, some: slice) -> BoolArray:
    """Where no camera may stand; set-backs go with the maps they are measured from."""
    with_map = {"water": NoGo.WATER, "roads": NoGo.ROAD | NoGo.BUILDING}
    moving = int(NoGo.WATER | NoGo.ROAD | NoGo.BUILDING | NoGo.STEEP)
    # Elevations err but do not shift: what goes with them is the same in every draw.
    still = _cells(points, drawn.moved[ELEVATION][:1], land.grid)
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


def _lay_patches(
    parts: dict[str, FloatArray],
    points: Points,
    patches: Patches,
    some: slice,
    land: Shaken,
) -> None:
    """A point in a patch has the view of the class it is misread as, and no edge of its own."""
    east = points.easting - points.easting[points.first][points.place]
    north = points.northing - points.northing[points.first][points.place]
    for k in range(MOST_PATCHES):
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
