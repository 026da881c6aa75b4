"""Distance from every cell centre to the true geometry of a layer, and set-backs from it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import scipy
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.kernels.bands import in_bands
from siting.kernels.remembered import remembered
from siting.types import BoolArray

# Above this many shapes a buffer of all at once is slower than of each alone.
_MOST_PARTS = 1_000
# A buffer drawn with 32 straight pieces to a quarter circle is at most 0.03 % short.
_QUARTER_PIECES = 32


@remembered()
def cells_covered(
    geometries: Sequence[Geometry], *, grid: Grid, all_touched: bool = False
) -> BoolArray:
    """Cells covered by geometries: by their centre, or when touched at all.

    Parameters
    ----------
    geometries : shapely geometries in the grid's coordinate system
    grid : Grid
    all_touched : bool
        True marks every cell that the geometry touches, False those whose centre it covers.

    Returns
    -------
    (rows, cols) bool
    """
    usable = [g for g in geometries if g is not None and not g.is_empty]
    if not usable:
        return np.zeros(grid.shape, dtype=bool)
    marks = rasterize(
        usable,
        out_shape=grid.shape,
        transform=grid.transform,
        all_touched=all_touched,
        dtype="uint8",
    )
    out: BoolArray = marks.view(bool)  # only 0 and 1 were written
    return out


@remembered()
def within(geometries: Sequence[Geometry], *, distance_m: float, grid: Grid) -> BoolArray:
    """Cells whose centre is nearer than `distance_m` to a geometry (or inside it).

    The geometry itself is widened, not its cells, so the limit is exact at cell centres except for
    0.03 % of the distance.

    Parameters
    ----------
    geometries : shapely geometries in the grid's coordinate system
    distance_m : float, metres; 0 and less marks only what lies inside a polygon
    grid : Grid

    Returns
    -------
    (rows, cols) bool, north first
    """
    if distance_m <= 0:
        # A line or a point has no inside; GDAL would mark the cells along it.
        solid = [g for g in geometries if g is not None]
        return cells_covered(_polygons(np.asarray(solid, dtype=object)), grid=grid)
    near = _near_grid(geometries, grid=grid, margin_m=distance_m)
    if shapely.get_num_geometries(near).sum() > _MOST_PARTS:
        # Widened one by one: to melt thousands of rings into one shape takes a minute.
        near = shapely.get_parts(near)
    wide = shapely.buffer(near, distance_m, quad_segs=_QUARTER_PIECES)
    return cells_covered(list(np.atleast_1d(wide)), grid=grid)


def distance_to(geometries: Sequence[Geometry], *, grid: Grid) -> FloatArray | None:
    """Distance in metres from each cell centre to the nearest geometry.

    The nearest touched cell is found by the exact Euclidean distance transform; the distance is
    then measured to the straight piece of the geometry that is nearest to that cell's centre. So
    it is a distance to the true shape: never too small, and too large by less than one and a half
    cells where two pieces compete (on average, near very crooked lines, by 0.003 of a cell of 2 m,
    0.015 of one of 10 m and 0.033 of one of 30 m).

    Parameters
    ----------
    geometries : shapely points, lines or polygons in the grid's coordinate system
    grid : Grid

    Returns
    -------
    (rows, cols) float32, metres, 0 inside a polygon; None when nothing lies on the grid

    References
    ----------
    Felzenszwalb P, Huttenlocher D (2012) Distance transforms of sampled functions, Theory of
    Computing 8:415-428.
    """
    # Every cell touched: of a line between two centres the plain rule would mark nothing.
    touched = cells_covered(geometries, grid=grid, all_touched=True)
    if not touched.any():
        return None
    near = _near_grid(geometries, grid=grid, margin_m=grid.cell_size_m)
    segments = _segments(near)
    piece = np.zeros(grid.shape, dtype=np.int32)
    piece[touched] = _nearest_segment(touched, segments, grid=grid)
    out = _to_pieces(touched, piece, segments, grid=grid)
    out[cells_covered(_polygons(near), grid=grid)] = 0.0
    return out


@remembered()
def distance_everywhere(geometries: Sequence[Geometry], *, grid: Grid) -> FloatArray:
    """`distance_to`, metres, (rows, cols) float32; infinite everywhere when nothing is near."""
    found = distance_to(geometries, grid=grid) if geometries else None
    return found if found is not None else np.full(grid.shape, np.inf, dtype=np.float32)


def _to_pieces(
    touched: BoolArray, piece: NDArray[np.int32], segments: NDArray[np.float64], *, grid: Grid
) -> FloatArray:
    """Distance from each cell centre to the piece of its nearest touched cell, float32."""
    from siting import kernels

    easting, northing = grid.xy(np.arange(grid.n_rows), np.arange(grid.n_cols))
    # Counted from the corner of the grid, float32 is exact to a thousandth of a metre.
    local = (segments - np.tile([grid.left, grid.top], 2)).astype(np.float32)
    east, north = (easting - grid.left).astype(np.float32), (northing - grid.top).astype(np.float32)
    nearest = kernels.nearest_rows(touched)
    out = np.empty(grid.shape, dtype=np.float32)

    def fill(rows: slice) -> None:
        kernels.distances(rows.start, nearest, piece, local, east, north, out[rows])

    in_bands(fill, grid.shape)
    return out


def _segments(geometries: NDArray[np.object_]) -> NDArray[np.float64]:
    """All straight pieces as (n, 4) start and end coordinates; a point is a piece of length 0."""
    parts = shapely.get_parts(shapely.get_parts(geometries))
    # Type 3 is a polygon; it counts by its rings, for its inside is set to 0 later.
    solid = np.isin(shapely.get_type_id(parts), [3])
    rings = shapely.get_rings(parts[solid])
    lines = np.concatenate([parts[~solid], rings])
    points, owner = shapely.get_coordinates(lines, return_index=True)
    follows = owner[1:] == owner[:-1]
    pieces = np.hstack([points[:-1][follows], points[1:][follows]])
    single = points[np.bincount(owner, minlength=len(lines))[owner] == 1]
    return np.vstack([pieces, np.hstack([single, single])])


def _nearest_segment(
    touched: BoolArray, segments: NDArray[np.float64], *, grid: Grid
) -> NDArray[np.int64]:
    """For each touched cell the straight piece nearest to its centre."""
    lines = np.atleast_1d(np.asarray(shapely.linestrings(segments.reshape(-1, 2, 2))))
    # Only touched cells ask the tree; all others take the piece of their nearest touched cell.
    tree = shapely.STRtree(lines)
    easting, northing = grid.xy(*np.nonzero(touched))
    return np.asarray(tree.nearest(shapely.points(easting, northing)), dtype=np.int64)


def _polygons(geometries: NDArray[np.object_]) -> list[Geometry]:
    return list(geometries[np.isin(shapely.get_type_id(geometries), [3, 6])])


def _near_grid(
    geometries: Sequence[Geometry], *, grid: Grid, margin_m: float
) -> NDArray[np.object_]:
    shapes = np.asarray([g for g in geometries if g is not None], dtype=object)
    left, bottom, right, top = grid.bounds
    window = shapely.box(left - margin_m, bottom - margin_m, right + margin_m, top + margin_m)
    near: NDArray[np.object_] = shapes[shapely.intersects(shapes, window)]
    return near


@remembered()
def distance_to_cells(cells: BoolArray, *, cell_size_m: float) -> FloatArray | None:
    """Distance in metres from each cell centre to the edge of the nearest marked cell.

    Half a cell is taken off the distance between centres, because the marked patch ends at its
    cells' edges; marked cells have distance 0.

    Returns
    -------
    (rows, cols) float32, metres; None when no cell is marked
    """
    if not cells.any():
        return None
    return _to_cells(cells, cell_size_m=cell_size_m, more_m=-cell_size_m / 2)


def cells_to(cells: BoolArray) -> FloatArray:
    """Distance in cells from each cell's centre to that of the nearest marked cell.

    Returns
    -------
    (rows, cols) float32; inf when no cell is marked
    """
    if not cells.any():
        return np.full(cells.shape, np.inf, dtype=np.float32)
    # The distances to unknown ground ask in cells, whatever a cell measures.
    return _to_cells(cells, cell_size_m=1.0, more_m=0.0)


@remembered()
def distance_to_border(
    first: BoolArray, second: BoolArray, *, cell_size_m: float
) -> FloatArray | None:
    """Distance in metres to the nearest place where the two kinds of cells touch.

    Parameters
    ----------
    first, second : (rows, cols) bool, for instance woods and fields; they do not overlap

    Returns
    -------
    (rows, cols) float32, metres from cell centre to the border line; None when they never touch
    """
    plus = scipy.ndimage.generate_binary_structure(2, 1)
    at_border = (first & scipy.ndimage.binary_dilation(second, structure=plus)) | (
        second & scipy.ndimage.binary_dilation(first, structure=plus)
    )
    if not at_border.any():
        return None
    # The border runs along the edges of these cells, half a cell from their centres.
    return _to_cells(at_border, cell_size_m=cell_size_m, more_m=cell_size_m / 2)


def _to_cells(cells: BoolArray, *, cell_size_m: float, more_m: float) -> FloatArray:
    from siting import kernels

    nearest = kernels.nearest_rows(cells)
    out = np.empty(cells.shape, dtype=np.float32)

    def fill(rows: slice) -> None:
        kernels.source_distances(rows.start, nearest, cell_size_m, more_m, out[rows])

    in_bands(fill, out.shape)
    return out


@remembered()
def nearest_value(values: NDArray[Any], sources: BoolArray) -> NDArray[Any]:
    """Every cell takes the value of its nearest source.

    Parameters
    ----------
    values : (rows, cols), read where `sources` is true
    sources : (rows, cols) bool, at least one true

    Returns
    -------
    (rows, cols) of the same kind
    """
    from siting import kernels

    nearest = kernels.nearest_rows(sources)
    out = np.empty_like(values)

    def fill(rows: slice) -> None:
        kernels.from_nearest(rows.start, nearest, values, out[rows])

    in_bands(fill, out.shape)
    return out
