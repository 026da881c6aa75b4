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
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid
from siting.ground.terrain import base_level_m, gradient_at
from siting.kernels.bands import of_parts
from siting.kernels.curves import Knots, membership
from siting.kernels.remembered import lasting, near_change, remembering
from siting.scoring.candidates import Points
from siting.scoring.combine import Memberships, by_fact, membership_at
from siting.scoring.shaken.draws import (
    COVER,
    LINES,
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

if TYPE_CHECKING:
    from siting.kernels import At, Read

# A block of so many draws stays in the processor's memory.
_BLOCK = 25

# Which map a criterion moves with.
_MOVES_WITH: Mapping[str, str] = {
    "trail": "trails",
    "water": "water",
    "crossing": "crossings",
    "quiet": "roads",
}
_MAPS = (*LINES, COVER)


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
    out = _open_index(points, land, drawn, known, scoring=scoring)
    out = out.copy() if remembering() else out
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
    level_m = base_level_m(land.dem)
    kept = lasting("trials", points, drawn, scoring, fixed, level_m, list(layers), known is None)
    again = np.ones(len(points.first), dtype=bool)
    out: NDArray[np.float32] = np.empty((0, 0), dtype=np.float32)
    if kept:
        again = _changed(points, land.grid, drawn, (kept["layers"], layers), (kept["known"], known))
        out = kept["index"].copy()
    of_those = np.flatnonzero(again[points.place])
    # Most often all: what was drawn for them is large, and is not copied.
    if len(of_those) == len(points.row):
        out = _index_of(points, land, drawn, known, scoring=scoring)
    elif len(of_those):
        some, heard = _some_points(points, drawn, of_those)
        headings = None if known is None else known[of_those]
        out[:, of_those] = _index_of(some, land, heard, headings, scoring=scoring)
    kept.update(layers=layers, known=known, index=out)
    return out


# Fields of Shaken of which a point depends only on the cells around it, or not at all here.
_BY_POINT = frozenset(
    {"memberships", "dem", "view_slope_deg", "funnel_ratio", "no_go", "heading_score", "role"}
)


def _layers(land: Shaken) -> dict[str, FloatArray]:
    """The layers that `_index_of` reads, (rows, cols) each."""
    judged = land.memberships
    # The curves are among what counts for every point; the layers are the same objects as before.
    read = judged.layers if isinstance(judged, Memberships) else judged
    out = {**read, "elevation": land.dem, "view slope": land.view_slope_deg}
    return out if land.funnel_ratio is None else {**out, "funnel ratio": land.funnel_ratio}


def _changed(
    points: Points,
    grid: Grid,
    drawn: Draws,
    layers: tuple[Mapping[str, FloatArray], Mapping[str, FloatArray]],
    known: tuple[FloatArray | None, FloatArray | None],
) -> BoolArray:
    """(places,) whether cells under a point of a place, or headings known there, have changed."""
    was, now = (list(part.values()) for part in layers)
    changed = near_change(was, now, (points.row, points.col), reach=_reach(drawn, grid))
    before, after = known
    if before is not None and after is not None:
        changed |= (before != after) & ((before == before) | (after == after))
    return np.bincount(points.place[changed], minlength=len(points.first)) > 0


def _reach(drawn: Draws, grid: Grid) -> int:
    """How many rows and columns away a map may be read at most."""
    farthest_m = max(float(np.abs(shift).max()) for shift in drawn.moved.values())
    return int(np.ceil(farthest_m / grid.cell_size_m)) + 1


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
    from siting.kernels import index_of_draws

    n = len(drawn.flow)
    out = np.empty((n, len(points.row)), dtype=np.float32)
    at, slot, cells = _near(points, land, _reach(drawn, land.grid))
    facts = by_fact([*land.memberships, *(["heading"] if known is not None else [])])
    given = [name for name in facts if _is_worked_out(name, land)]
    read = _read(facts, cells, given, land)
    steps = np.stack([_steps(drawn.moved[name], land.grid) for name in _MAPS], axis=1)
    weights = np.concatenate([drawn.weights[name] for name in facts], axis=1)
    patch = _patched(points, drawn.patches, n)
    rise = gradient_at(land.dem, land.grid.cell_size_m, (points.row, points.col))
    scale, steepest = _scale(points, land, rise), np.tan(np.radians(land.steep_deg))

    def fill(some: slice) -> None:
        errors = [np.take(drawn.errors[some, :, axis], points.place, axis=1) for axis in (0, 1)]
        worked = np.empty((len(given), *errors[0].shape), dtype=np.float32)
        for layer, name in zip(worked, given, strict=True):
            if name == "flat":
                slope = np.arctan(_gradients([part * scale for part in rise], errors))
                layer[...] = _on_curve(np.degrees(slope), land.curves[name])
            elif name == "funnel":
                layer[...] = _funnels(points, land, drawn, some)
            elif known is not None:
                noise = [part[some] for part in drawn.heading]
                layer[...] = _headings(points, known, land.curves[name], noise)
        total = index_of_draws(
            at, slot, steps[some], read, worked, patch[some], weights[some], drawn.missed[some],
            scoring.second_share,
        )  # fmt: skip
        out[some] = np.where(_gradients(rise, errors) > steepest, -np.inf, total)

    of_parts(fill, n, size=_BLOCK)
    return out


def _at(points: Points) -> At:
    from siting.kernels import At

    return At(*(np.ascontiguousarray(axis) for axis in (points.row, points.col, points.place)))


def _steps(shift_m: NDArray[np.float64], grid: Grid) -> IndexArray:
    """Rows and columns to the cell under a point when a map lies off; (draws, places, 2)."""
    # From the centre of the point's own cell; rows count southward.
    right, down = -shift_m[..., 0], shift_m[..., 1]
    cells = np.stack([down, right], axis=-1) / grid.cell_size_m
    return np.floor(0.5 + cells).astype(np.int64)


def _near(points: Points, land: Shaken, reach: int) -> tuple[At, NDArray[np.int32], BoolArray]:
    """Points in the part of the land where maps may be laid, where its cells stand, and which."""
    there = np.zeros(land.grid.shape, dtype=bool)
    for place in np.unique(points.place):
        mine = points.place == place
        there[_box(points.row[mine], points.col[mine], reach)] = True
    box = _box(points.row, points.col, reach)
    slot = np.zeros(there[box].shape, dtype=np.int32)
    slot[there[box]] = np.arange(there.sum(), dtype=np.int32)
    top, left = (part.start for part in box)
    return _at(replace(points, row=points.row - top, col=points.col - left)), slot, there


def _box(row: IndexArray, col: IndexArray, reach: int) -> tuple[slice, slice]:
    rows, cols = (slice(max(a.min() - reach, 0), a.max() + reach + 1) for a in (row, col))
    return rows, cols


def _is_worked_out(name: str, land: Shaken) -> bool:
    """Whether a membership is worked out anew in each draw, and not read from its map."""
    return name in ("flat", "heading") or (name == "funnel" and land.funnel_ratio is not None)


def _read(facts: Mapping[str, int], cells: BoolArray, given: Sequence[str], land: Shaken) -> Read:
    """How each criterion is read in a draw, in the order of `facts`, on some cells."""
    from siting.kernels import Read

    values = np.zeros((len(facts), cells.sum()), dtype=np.float32)
    for k, name in enumerate(facts):
        if name in land.memberships:
            # One at a time: of large land it is much.
            values[k] = membership_at(land.memberships, name, cells)
    in_patch = np.full((len(facts), len(land.clear_of_role)), -1.0, dtype=np.float32)
    for k, name in enumerate(facts):
        # A point in a patch has the view of the class it is misread as, and no edge of its own.
        if name == "view":
            in_patch[k] = land.clear_of_role
        elif name in ("edge", "soft_edge", "opening"):
            in_patch[k] = 0.0
    return Read(
        values=values,
        map_of=np.array([_MAPS.index(_MOVES_WITH.get(name, COVER)) for name in facts]),
        given_of=np.array([given.index(name) if name in given else -1 for name in facts]),
        in_patch=in_patch,
        group=np.array(list(facts.values())),
    )


def _funnels(points: Points, land: Shaken, drawn: Draws, some: slice) -> FloatArray:
    """(draws, points) membership of narrow passages, whose flow is drawn as well."""
    from siting.kernels import moved_cells

    ratio = land.funnel_ratio
    if ratio is None:
        raise ValueError("Narrow passages are drawn where their ratio is known.")
    cells = moved_cells(_at(points), _steps(drawn.moved[COVER][some], land.grid), land.grid.shape)
    above = np.take(ratio, cells) - 1.0
    drawn_ratio = 1.0 + above * np.take(drawn.flow[some], points.place, axis=1)
    return _on_curve(drawn_ratio, land.curves["funnel"])


def _on_curve(values: FloatArray, curve: Knots) -> FloatArray:
    # In one row: a block of draws is too small to be worth bands.
    return membership(values.ravel(), curve).reshape(values.shape)


def _scale(points: Points, land: Shaken, rise: tuple[FloatArray, FloatArray]) -> FloatArray:
    """(points,) by how much the ground within the view is steeper than the point itself."""
    own = np.hypot(*rise)
    view = np.tan(np.radians(land.view_slope_deg[points.row, points.col]))
    return np.where(own > 0, view / np.maximum(own, 1e-9), 0.0)


def _gradients(rise: Sequence[FloatArray], errors: Sequence[FloatArray]) -> FloatArray:
    """(draws, points) metres per metre, of (points,) east and north and (draws, points) errors.

    The error is the same all over the view, which holds while the view is small against the
    distance over which elevations err alike.
    """
    along, across = (part[None] + error for part, error in zip(rise, errors, strict=True))
    return np.asarray(np.hypot(along, across))


def _closed(points: Points, land: Shaken, drawn: Draws, some: slice) -> BoolArray:
    """Where no camera may stand; set-backs go with the maps they are measured from."""
    from siting.kernels import moved_cells

    at, shape = _at(points), land.grid.shape
    with_map = {"water": NoGo.WATER, "roads": NoGo.ROAD | NoGo.BUILDING}
    moving = int(NoGo.WATER | NoGo.ROAD | NoGo.BUILDING | NoGo.STEEP)
    # Elevations err but do not shift: what goes with them is the same in every draw.
    bits = (land.no_go[points.row, points.col] & ~np.uint16(moving))[None]
    for name, flags in with_map.items():
        there = moved_cells(at, _steps(drawn.moved[name][some], land.grid), shape)
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
    score = base + np.take(alike, points.place, axis=1) + apart
    return _on_curve(np.clip(score, 0.0, 1.0), curve)


def _patched(points: Points, patches: Patches, draws: int) -> NDArray[np.int8]:
    """(draws, points) role of the patch of misread cover that each point lies in, -1 for none."""
    out = np.full((draws, len(points.row)), -1, dtype=np.int8)
    east = points.easting - points.easting[points.first][points.place]
    north = points.northing - points.northing[points.first][points.place]
    # Most places have no patch or one: only points of those that have are looked at.
    mine = [np.flatnonzero(points.place == place) for place in range(len(points.first))]
    for k in range(MOST_PATCHES):
        for place, some in enumerate(mine):
            draw = np.flatnonzero(patches.there[:, place, k])
            at = (draw, place, k)
            away = np.hypot(
                east[some] - patches.east[at][:, None], north[some] - patches.north[at][:, None]
            )
            line, inside = np.nonzero(away <= patches.radius[at][:, None])
            out[draw[line], some[inside]] = patches.role[at][line]
    return out
