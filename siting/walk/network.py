"""The ground as a net of points a walker steps between, and the seconds of each step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.ground.distance import cells_covered
from siting.ground.terrain import slope_deg
from siting.kernels.remembered import remembered
from siting.settings.protocol_field import WalkRules
from siting.types import BoolArray, CoverRole, Land

IntArray = NDArray[np.int64]

# A knight's step passes two cells on its way; a diagonal one passes between two.
_PASSED: dict[tuple[int, int], tuple[tuple[int, int], ...]] = {
    (0, 1): (),
    (1, 0): (),
    (1, 1): ((0, 1), (1, 0)),
    (1, 2): ((0, 1), (1, 1)),
    (2, 1): ((1, 0), (1, 1)),
}
STEPS: tuple[tuple[int, int], ...] = tuple(
    sorted({(r * i, c * j) for r, c in _PASSED for i in (-1, 1) for j in (-1, 1)})
)
"""The 16 (row, column) steps of the net; a way is at most 2.75 % longer than the straight line."""

_LINES, _POLYGON = (1, 2), 3  # shapely's type numbers of line, ring and polygon
# A net of so many cells has 4.8 million steps and takes about 90 MB.
_MOST_CELLS = 300_000
_MARGIN_M = 150.0
SNAP_CELLS = 4


class Ways(NamedTuple):
    """What helps and what stops a walker; shapely geometries in the grid's coordinate system.

    `paths` are roads, tracks and trails, `streams` lines of running water, `crossings` places
    where water may be crossed, `water` open water, `fields` fields with livestock, `closed` other
    ground not to be entered, `parcel` the land that the user has leave to walk on, `fences` lines
    passed only where a path or a known crossing (a gate, a stile) leads through.
    """

    paths: tuple[Geometry, ...]
    streams: tuple[Geometry, ...]
    crossings: tuple[Geometry, ...]
    water: tuple[Geometry, ...]
    fields: tuple[Geometry, ...]
    closed: tuple[Geometry, ...]
    parcel: Geometry
    fences: tuple[Geometry, ...] = ()


class Net(NamedTuple):
    """The searched cells: flat arrays of one value to a cell, and the grid they lie on."""

    grid: Grid
    height_m: FloatArray
    steep_deg: FloatArray
    free: BoolArray
    on_path: BoolArray
    outside: BoolArray


class Steps(NamedTuple):
    """Steps from cell to cell by flat index; `run_m` is their length on the map.

    Of a whole net they are the most that a walk needs: numbers of 32 bits, as the search takes.
    """

    tail: NDArray[np.integer]
    head: NDArray[np.integer]
    run_m: FloatArray


def tobler_km_per_h(rise: FloatArray | float) -> FloatArray:
    """Walking speed on a path in km/h, by Tobler's hiking function.

    Parameters
    ----------
    rise : float or array
        Metres up per metre forward; downhill is negative. -0.05 is quickest (6 km/h).

    References
    ----------
    Tobler W (1993) Three presentations on geographical analysis and modeling, National Center
    for Geographic Information and Analysis, Technical Report 93-1.

    Examples
    --------
    >>> round(float(tobler_km_per_h(0.0)), 6)
    5.036742
    """
    speed: FloatArray = 6.0 * np.exp(-3.5 * np.abs(np.asarray(rise, dtype=np.float64) + 0.05))
    return speed


def ways_of(land: Land) -> Ways:
    """What helps and what stops a walker, from the layers that were read."""
    water = layer_shapes(land, "water")
    return Ways(
        paths=(*layer_shapes(land, "roads"), *layer_shapes(land, "trails")),
        streams=tuple(g for g in water if shapely.get_type_id(g) in _LINES),
        crossings=layer_shapes(land, "crossings"),
        water=tuple(g for g in water if shapely.get_type_id(g) == _POLYGON),
        fields=layer_shapes(land, "livestock"),
        closed=(*layer_shapes(land, "buildings"), *layer_shapes(land, "no_go")),
        parcel=land.parcel_shape,
        fences=layer_shapes(land, "fences"),
    )


def layer_shapes(land: Land, layer: str) -> tuple[Geometry, ...]:
    """The single parts of a layer's geometries; none when the layer was not given."""
    parts = shapely.get_parts(np.asarray(land.shapes(layer), dtype=object))
    return tuple(part for part in parts if part is not None and not part.is_empty)


@remembered("land")
def build_net(
    land: Land, ways: Ways, *, points: Sequence[tuple[float, float]], rules: WalkRules
) -> Net:
    """The net over the parcel and `points` (easting, northing), with a margin around them."""
    fine, dem = _cropped(land, points)
    factor = _factor(fine, rules.cell_m)
    grid = fine.coarsened(factor)
    height = _block_mean(dem, factor, fine)
    steep = slope_deg(height, grid.cell_size_m)
    on_path = cells_covered(ways.paths, grid=grid, all_touched=True)
    crossable = on_path | _near_crossings(ways, grid=grid, reach_m=rules.crossing_reach_m)
    # Water by its touched cells, so that no step slips over a narrow arm of a pond.
    wet = cells_covered(ways.water, grid=grid, all_touched=True) | _wet_cover(land, grid)
    # A hut smaller than a cell closes the cells it touches; only fields go by their centres.
    shut = cells_covered(ways.fields, grid=grid) | cells_covered(
        ways.closed, grid=grid, all_touched=True
    )
    fenced = cells_covered(ways.fences, grid=grid, all_touched=True)
    shut |= (wet | fenced) & ~crossable
    # Where the slope is not known, along the border and beside holes, nobody is led either.
    too_steep = ~(steep <= rules.steep_deg) & ~on_path
    free = np.isfinite(height) & ~shut & ~too_steep
    outside = ~cells_covered([ways.parcel], grid=grid, all_touched=True)
    return Net(grid, height.ravel(), steep.ravel(), free.ravel(), on_path.ravel(), outside.ravel())


def _cropped(land: Land, points: Sequence[tuple[float, float]]) -> tuple[Grid, FloatArray]:
    """The grid and elevations around the parcel and the points, with a margin."""
    shapes = np.array([land.parcel_shape, shapely.MultiPoint(points)], dtype=object)
    left, bottom, right, top = shapely.total_bounds(shapes)
    (row0, row1), (col0, col1) = land.grid.rowcol(
        np.array([left - _MARGIN_M, right + _MARGIN_M]),
        np.array([top + _MARGIN_M, bottom - _MARGIN_M]),
    )
    row0, col0 = max(int(row0), 0), max(int(col0), 0)
    grid = land.grid.window(row0, col0, int(row1) - row0 + 1, int(col1) - col0 + 1)
    return grid, land.dem[row0 : row0 + grid.n_rows, col0 : col0 + grid.n_cols]


def _factor(grid: Grid, cell_m: float) -> int:
    least = math.sqrt(grid.n_rows * grid.n_cols / _MOST_CELLS)
    return max(round(cell_m / grid.cell_size_m), math.ceil(least), 1)


def _block_mean(values: FloatArray, factor: int, grid: Grid) -> FloatArray:
    """Mean of each block of `factor` x `factor` cells without its NaN; NaN where all are."""
    wide = np.pad(values.astype(np.float64), grid.padding(factor), constant_values=np.nan)
    rows, cols = wide.shape
    blocks = wide.reshape(rows // factor, factor, cols // factor, factor)
    known = np.isfinite(blocks)
    count = known.sum(axis=(1, 3))
    total = np.where(known, blocks, 0.0).sum(axis=(1, 3))
    mean: FloatArray = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return mean


def _wet_cover(land: Land, grid: Grid) -> BoolArray:
    """Cells of the net whose centre lies in a cell of open water of the land cover."""
    row, col = np.meshgrid(np.arange(grid.n_rows), np.arange(grid.n_cols), indexing="ij")
    fine_row, fine_col = land.grid.rowcol(*grid.xy(row, col))
    inside = land.grid.contains(fine_row, fine_col)
    wet = np.zeros(grid.shape, dtype=bool)
    wet[inside] = land.role[fine_row[inside], fine_col[inside]] == CoverRole.WATER
    return wet


def _near_crossings(ways: Ways, *, grid: Grid, reach_m: float) -> BoolArray:
    if not ways.crossings or reach_m == 0:
        return np.zeros(grid.shape, dtype=bool)
    return cells_covered(
        [shapely.union_all(ways.crossings).buffer(reach_m)], grid=grid, all_touched=True
    )


def all_steps(net: Net) -> Steps:
    """All steps between free cells that do not cut through a cell that is not free."""
    free = net.free.reshape(net.grid.shape)
    index = np.arange(net.free.size, dtype=np.int32).reshape(net.grid.shape)
    tails, heads, runs = [], [], []
    for row, col in STEPS:
        usable = free.copy()
        for passed in (*_passed(row, col), (row, col)):
            usable &= _shifted(free, row=passed[0], col=passed[1])
        tail = index[usable]
        tails.append(tail)
        heads.append(tail + row * net.grid.n_cols + col)
        runs.append(np.full(tail.size, math.hypot(row, col) * net.grid.cell_size_m))
    return Steps(np.concatenate(tails), np.concatenate(heads), np.concatenate(runs))


def _passed(row: int, col: int) -> tuple[tuple[int, int], ...]:
    sign_row, sign_col = (1 if row >= 0 else -1), (1 if col >= 0 else -1)
    return tuple((r * sign_row, c * sign_col) for r, c in _PASSED[abs(row), abs(col)])


def _shifted(mask: BoolArray, *, row: int, col: int) -> BoolArray:
    """The value of the cell `row` further down and `col` further right; False off the array."""
    out = np.zeros_like(mask)
    rows, cols = mask.shape
    out[max(-row, 0) : rows - max(row, 0), max(-col, 0) : cols - max(col, 0)] = mask[
        max(row, 0) : rows + min(row, 0), max(col, 0) : cols + min(col, 0)
    ]
    return out


def step_seconds(net: Net, steps: Steps, *, off_path_factor: float) -> FloatArray:
    """Seconds of each step on foot, by Tobler's hiking function on the rise along the step."""
    rise = (net.height_m[steps.head] - net.height_m[steps.tail]) / steps.run_m
    on_path = net.on_path[steps.tail] & net.on_path[steps.head]
    speed = tobler_km_per_h(rise) * np.where(on_path, 1.0, off_path_factor) / 3.6
    # Whole microseconds: the last digit of numpy's exponentials is not the same everywhere.
    seconds: FloatArray = np.round(steps.run_m / speed, 6)
    return seconds


def steps_along(net: Net, cells: IntArray) -> Steps:
    """The steps from each of the cells to the next; `cells` are (n,) flat indices in the net."""
    tail, head = cells[:-1], cells[1:]
    return Steps(tail, head, np.hypot(*(positions(net, head) - positions(net, tail)).T))


def step_cost_s(net: Net, steps: Steps, *, ways: Ways, rules: WalkRules) -> FloatArray:
    """Seconds of each step, (n,), with what the rules add where a way should rather not lead."""
    cost = step_seconds(net, steps, off_path_factor=rules.off_path_factor)
    away = net.outside & ~net.on_path
    cost = np.where(away[steps.tail] | away[steps.head], cost * rules.outside_factor, cost)
    wet = _crosses_unknown(net, steps, ways=ways, reach_m=rules.crossing_reach_m)
    # Minutes on top and no ban: a brook that can be stepped over must not cost a way of an hour.
    cost[wet] += rules.crossing_detour_min * 60.0
    return cost


def _crosses_unknown(net: Net, steps: Steps, *, ways: Ways, reach_m: float) -> IntArray:
    """Steps that cross a stream away from any path and known crossing."""
    if not ways.streams:
        return np.empty(0, dtype=np.int64)
    pairs, crossed = _over_streams(net.grid, ways.streams)
    known = crossing_places(ways)
    if known is not None:
        pairs = pairs[shapely.distance(crossed, known) > reach_m]
    size = net.free.size
    ends = np.zeros(size, dtype=bool)
    ends[pairs // size] = ends[pairs % size] = True
    maybe = np.nonzero(ends[steps.tail] & ends[steps.head])[0]
    # There and back is the same line.
    low = np.minimum(steps.tail[maybe], steps.head[maybe]).astype(np.int64)
    high = np.maximum(steps.tail[maybe], steps.head[maybe])
    return np.asarray(maybe[np.isin(low * size + high, pairs)])


@remembered()
def _over_streams(
    grid: Grid, streams: tuple[Geometry, ...]
) -> tuple[IntArray, NDArray[np.object_]]:
    """Steps of a net that cross a stream, whoever may enter its cells, and where they cross it.

    Most of the time that a net takes goes here, and it does not change with fences or cattle.

    Returns
    -------
    (pairs, crossed) : (n,) rising numbers, the lower flat index of a step times the number of
        cells, plus the higher; (n,) shapely geometries
    """
    line_of_water = shapely.union_all(streams)
    # Both ends of a step over a stream lie within the step's length, 2.24 cells, of it.
    near = cells_covered([line_of_water.buffer(2.5 * grid.cell_size_m)], grid=grid)
    index = np.arange(near.size).reshape(grid.shape)
    found = []
    for row, col in STEPS:
        if row * grid.n_cols + col > 0:  # the other half of the steps are these, the way back
            tail = index[near & _shifted(near, row=row, col=col)]
            found.append(tail * near.size + tail + row * grid.n_cols + col)
    pairs = np.sort(np.concatenate(found))
    low, high = np.divmod(pairs, near.size)
    line = _step_lines(grid, low, head=high)
    shapely.prepare(line_of_water)
    hit = shapely.intersects(line_of_water, line)
    return pairs[hit], shapely.intersection(line[hit], line_of_water)


def crossing_places(ways: Ways) -> Geometry | None:
    """Points where water may be crossed: the known ones, and where a path meets a stream."""
    streams, paths = shapely.union_all(ways.streams), shapely.union_all(ways.paths)
    places = shapely.union_all([shapely.intersection(streams, paths), *ways.crossings])
    return None if places.is_empty else places


def _step_lines(grid: Grid, tail: IntArray, *, head: IntArray) -> NDArray[np.object_]:
    ends = np.stack([_positions(grid, tail), _positions(grid, head)], axis=1)
    return np.atleast_1d(np.asarray(shapely.linestrings(ends), dtype=object))


def positions(net: Net, cells: IntArray) -> FloatArray:
    """(n, 2) easting and northing of cells by flat index."""
    return _positions(net.grid, cells)


def _positions(grid: Grid, cells: IntArray) -> FloatArray:
    easting, northing = grid.xy(*np.divmod(cells, grid.n_cols))
    return np.column_stack([easting, northing])


def nearest_cell(net: Net, place: tuple[float, float], *, usable: BoolArray) -> int | None:
    """Flat index of the usable cell nearest to a point, None when none is within a few cells."""
    row, col = (int(at) for at in net.grid.rowcol(*place))
    reach = SNAP_CELLS + 1
    rows = np.arange(max(row - reach, 0), min(row + reach + 1, net.grid.n_rows))
    cols = np.arange(max(col - reach, 0), min(col + reach + 1, net.grid.n_cols))
    around = (rows[:, None] * net.grid.n_cols + cols).ravel()
    cells = around[usable[around]]
    if cells.size == 0:
        return None
    away = np.hypot(*(positions(net, cells) - place).T)
    best = int(np.argmin(away))
    return int(cells[best]) if away[best] <= SNAP_CELLS * net.grid.cell_size_m else None
