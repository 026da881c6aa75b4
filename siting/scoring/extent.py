"""Where the maps cannot tell a point: the stretch of a line, or the area, that is as good.

From rasters with wide cells many places score alike. A point among them would claim more than the
maps know; so a spot there has an extent, and the point only marks its middle.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
import scipy
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.ground.shapes.features import called
from siting.spot_parts import Extent
from siting.types import BoolArray, Land, Spot

LEAST_RADIUS_M = 20.0
"""Search radius from which a point is not claimed: below it the circle is the answer."""

AREA_REACH_M = 100.0
"""How far about its middle an area goes that is only to be looked over: our choice."""

# Scores within a tenth are alike to maps so coarse; the extent ends some circles away.
_ALIKE_SHARE = 0.9
_REACH_RADII = 4.0
# Lines that a spot may lie along, by its kind: the layer, and what it is called without a name.
_LINES = {"trail": ("trails", "trail"), "water": ("water", "stream")}
_EIGHT = np.ones((3, 3), dtype=bool)


def extents_of(
    spots: Sequence[Spot],
    total: FloatArray,
    open_ground: BoolArray,
    *,
    land: Land,
    valley_lines: Sequence[Geometry] = (),
) -> list[Extent | None]:
    """The stretch or area around each spot that scores as well, or None where a point is known.

    Where nothing draws animals (`Spot.plain`) there is never a point, however fine the maps.

    Parameters
    ----------
    spots : the spots, each of which claims the ground that is nearer to it than to the others
    total : (rows, cols) float, score of every cell, NaN = not known
    open_ground : (rows, cols) bool, True where a camera may stand
    land : Land
    valley_lines : lines worked out from the elevations, where no water layer was given
    """
    found = []
    for spot in spots:
        others = [other for other in spots if other is not spot]
        found.append(_extent_of(spot, others, total, open_ground, land, valley_lines))
    return found


def _extent_of(
    spot: Spot,
    others: Sequence[Spot],
    total: FloatArray,
    open_ground: BoolArray,
    land: Land,
    valley_lines: Sequence[Geometry],
) -> Extent | None:
    if spot.search_radius_m < LEAST_RADIUS_M and not spot.plain:
        return None
    alike = _alike(spot, others, total, open_ground, grid=land.grid)
    area = shapely.intersection(alike, land.parcel_shape)
    line, along = _line_of(spot, land, valley_lines, area)
    # A shorter piece lies within the circle, and says no more than the circle does.
    if line is not None and line.length >= 2.0 * spot.search_radius_m:
        beside = shapely.intersection(area, shapely.buffer(line, spot.search_radius_m))
        return Extent("stretch", line, float(line.length), float(beside.area), along, beside)
    return Extent("area", area, 0.0, float(area.area), "", area)


def _alike(
    spot: Spot, others: Sequence[Spot], total: FloatArray, open_ground: BoolArray, *, grid: Grid
) -> Geometry:
    """The connected ground about a spot that scores as well and is nearer to it than to another."""
    reach_m = AREA_REACH_M if spot.plain else 0.0
    rows, cols = _square((spot.row, spot.col), _farthest_m(spot.search_radius_m, reach_m), grid)
    easting, northing = grid.xy(*_numbers(rows, cols))
    away = np.hypot(easting - spot.easting, northing - spot.northing)
    free = np.zeros(grid.shape, dtype=bool)
    free[rows, cols] = open_ground[rows, cols]
    for other in others:
        # Two spots never claim the same ground: each has what is nearer to it, the better one a
        # cell halfway between them.
        theirs = np.hypot(easting - other.easting, northing - other.northing)
        free[rows, cols] &= away <= theirs if spot.rank < other.rank else away < theirs
    mine = alike_ground(
        (spot.row, spot.col),
        total,
        free,
        grid=grid,
        radius_m=spot.search_radius_m,
        reach_m=reach_m,
    )
    # Only the square: over the whole grid, for each spot, this took a quarter of a warm run.
    part = mine[rows, cols]
    found = shapes(part.astype(np.uint8), mask=part, connectivity=8)
    outlines = np.array([shape(outline) for outline, _ in found], dtype=object)
    return shapely.union_all(shapely.transform(outlines, partial(_placed, rows, cols, grid)))


def _placed(
    rows: slice, cols: slice, grid: Grid, corner: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(n, 2) easting and northing of corners of cells by (column, row) in a part of the grid."""
    easting = grid.left + (cols.start + corner[:, 0]) * grid.cell_size_m
    northing = grid.top - (rows.start + corner[:, 1]) * grid.cell_size_m
    return np.column_stack([easting, northing])


def alike_ground(
    place: tuple[int, int],
    total: FloatArray,
    open_ground: BoolArray,
    *,
    grid: Grid,
    radius_m: float,
    reach_m: float = 0.0,
) -> BoolArray:
    """The connected open ground about a place that the maps cannot tell apart from it.

    Parameters
    ----------
    place : row and column
    total : (rows, cols) float, score of every cell, NaN = not known
    open_ground : (rows, cols) bool, True where a camera may stand
    grid : Grid
    radius_m : search radius of the place, metres; the ground ends four of them off
    reach_m : where it ends at the least, metres

    Returns
    -------
    (rows, cols) bool
    """
    farthest_m = _farthest_m(radius_m, reach_m)
    # Only the square within reach: over the whole grid, for each spot, this took a third of a run.
    rows, cols = _square(place, farthest_m, grid)
    row, col = _numbers(rows, cols)
    away = np.hypot(row - place[0], col - place[1]) * grid.cell_size_m
    free = open_ground[rows, cols] & (away <= farthest_m)
    with np.errstate(invalid="ignore"):
        alike = free & (total[rows, cols] >= _ALIKE_SHARE * total[place])
    # Within the circle no two cells can be told apart, whatever they score.
    alike |= free & (away <= radius_m)
    label, _ = scipy.ndimage.label(alike, structure=_EIGHT)
    its = label[place[0] - rows.start, place[1] - cols.start]
    out = np.zeros(grid.shape, dtype=bool)
    out[rows, cols] = (label == its) & (label > 0)
    return out


def _farthest_m(radius_m: float, reach_m: float) -> float:
    return max(_REACH_RADII * radius_m, reach_m)


def _square(place: tuple[int, int], reach_m: float, grid: Grid) -> tuple[slice, slice]:
    """Rows and columns within reach of a cell."""
    reach = int(np.ceil(reach_m / grid.cell_size_m)) + 1
    return (
        slice(max(place[0] - reach, 0), min(place[0] + reach + 1, grid.n_rows)),
        slice(max(place[1] - reach, 0), min(place[1] + reach + 1, grid.n_cols)),
    )


def _numbers(rows: slice, cols: slice) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    return np.arange(rows.start, rows.stop)[:, None], np.arange(cols.start, cols.stop)[None, :]


def _line_of(
    spot: Spot, land: Land, valley_lines: Sequence[Geometry], area: Geometry
) -> tuple[Geometry | None, str]:
    """The part of the line a spot lies along, through its extent, and what it is called."""
    if spot.kind == "valley":
        lines, names = list(valley_lines), ["the valley line"] * len(valley_lines)
    elif spot.kind in _LINES and _LINES[spot.kind][0] in land.vectors:
        layer, plain = _LINES[spot.kind]
        frame = land.vectors[layer]
        lines = list(frame.geometry)
        rows = zip(frame["name"], frame["kind"], strict=True)
        names = [called(name, kind, otherwise=plain) for name, kind in rows]
    else:
        return None, ""
    # A line may run along the rim of the open ground, half a cell beyond its cells.
    near = shapely.buffer(area, land.grid.cell_size_m / 2.0)
    best, name = None, ""
    for line, said in zip(lines, names, strict=True):
        if not line.geom_type.endswith("LineString"):
            continue
        parts = shapely.get_parts(shapely.line_merge(shapely.intersection(line, near)))
        for part in parts:
            if part.geom_type == "LineString" and (best is None or part.length > best.length):
                best, name = part, said
    return best, name
