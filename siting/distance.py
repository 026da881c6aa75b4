"""Distance from every cell centre to the true geometry of a layer, and set-backs from it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize
from scipy import ndimage
from shapely import Geometry

from siting.grid import FloatArray, Grid
from siting.types import BoolArray

# A buffer drawn with 32 straight pieces to a quarter circle is at most 0.03 % short.
_QUARTER_PIECES = 32


def burn(geometries: Sequence[Geometry], *, grid: Grid, all_touched: bool = False) -> BoolArray:
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
    out: BoolArray = marks.astype(bool)
    return out


def within(geometries: Sequence[Geometry], *, distance_m: float, grid: Grid) -> BoolArray:
    """Cells whose centre is nearer than `distance_m` to a geometry (or inside it).

    The geometry itself is widened, not its cells, so the limit is exact at cell centres but for
    0.03 % of the distance.
    """
    if distance_m <= 0:
        return burn(geometries, grid=grid)
    near = _near_grid(geometries, grid=grid, margin_m=distance_m)
    wide = shapely.buffer(near, distance_m, quad_segs=_QUARTER_PIECES)
    return burn(list(np.atleast_1d(wide)), grid=grid)


def distance_to(geometries: Sequence[Geometry], *, grid: Grid) -> FloatArray | None:
    """Distance in metres from each cell centre to the nearest geometry.

    The nearest touched cell is found by the exact Euclidean distance transform; the distance is
    then measured to the point of the geometry nearest to that cell's centre, so it is a distance
    to the true shape: never too small, and too large by less than half a cell.

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
    touched = burn(geometries, grid=grid, all_touched=True)
    if not touched.any():
        return None
    anchor_e, anchor_n = _anchors(touched, geometries, grid=grid)
    row, col = ndimage.distance_transform_edt(
        ~touched, return_distances=False, return_indices=True
    )
    easting, northing = grid.xy(np.arange(grid.n_rows), np.arange(grid.n_cols))
    east = anchor_e[row, col] - easting[np.newaxis, :].astype(np.float64)
    north = anchor_n[row, col] - northing[:, np.newaxis].astype(np.float64)
    out: FloatArray = np.hypot(east, north).astype(np.float32)
    out[burn(_polygons(geometries), grid=grid)] = 0.0
    return out


def _anchors(
    touched: BoolArray, geometries: Sequence[Geometry], *, grid: Grid
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """For each touched cell the point of the geometries nearest to its centre."""
    row, col = np.nonzero(touched)
    easting, northing = grid.xy(row, col)
    centre = shapely.points(easting, northing)
    pieces = _pieces(geometries)
    tree = shapely.STRtree(pieces)
    nearest = pieces[tree.nearest(centre)]
    link = shapely.shortest_line(centre, nearest)
    end = shapely.get_coordinates(shapely.get_point(link, 1))
    anchor_e = np.zeros(grid.shape)
    anchor_n = np.zeros(grid.shape)
    anchor_e[row, col], anchor_n[row, col] = end[:, 0], end[:, 1]
    return anchor_e, anchor_n


def _pieces(geometries: Sequence[Geometry]) -> NDArray[np.object_]:
    """The geometries as single parts, long lines cut into runs so that look-up stays quick."""
    parts = shapely.get_parts(np.asarray([g for g in geometries if g is not None], dtype=object))
    parts = parts[~shapely.is_empty(parts)]
    lines = np.isin(shapely.get_type_id(parts), [1, 2])
    runs = [part for line in parts[lines] for part in _runs(line)]
    return np.array([*parts[~lines], *runs], dtype=object)


_RUN = 50


def _runs(line: Geometry) -> list[Geometry]:
    points = shapely.get_coordinates(line)
    if len(points) <= _RUN + 1:
        return [line]
    starts = range(0, len(points) - 1, _RUN)
    return [shapely.linestrings(points[start : start + _RUN + 1]) for start in starts]


def _polygons(geometries: Sequence[Geometry]) -> list[Geometry]:
    return [g for g in geometries if g is not None and g.geom_type in ("Polygon", "MultiPolygon")]


def _near_grid(
    geometries: Sequence[Geometry], *, grid: Grid, margin_m: float
) -> NDArray[np.object_]:
    shapes = np.asarray([g for g in geometries if g is not None], dtype=object)
    left, bottom, right, top = grid.bounds
    window = shapely.box(left - margin_m, bottom - margin_m, right + margin_m, top + margin_m)
    near: NDArray[np.object_] = shapes[shapely.intersects(shapes, window)]
    return near


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
    far = ndimage.distance_transform_edt(~cells, sampling=cell_size_m)
    out: FloatArray = np.maximum(far - cell_size_m / 2, 0.0).astype(np.float32)
    return out


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
    plus = ndimage.generate_binary_structure(2, 1)
    at_border = (first & ndimage.binary_dilation(second, structure=plus)) | (
        second & ndimage.binary_dilation(first, structure=plus)
    )
    if not at_border.any():
        return None
    # The border runs along the edges of these cells, half a cell from their centres.
    far = ndimage.distance_transform_edt(~at_border, sampling=cell_size_m)
    out: FloatArray = (far + cell_size_m / 2).astype(np.float32)
    return out
