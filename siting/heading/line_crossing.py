"""The line an animal follows past a place, and the angle at which a heading crosses it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import scipy
import shapely
from numpy.typing import NDArray
from shapely import LineString, STRtree
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.ground.distance import cells_to
from siting.kernels.remembered import remembered
from siting.types import BoolArray


@dataclass(frozen=True)
class Lines:
    """Lines of one kind.

    kind : str, the plain word a reader sees ("trail")
    geometries : shapely lines in the grid's coordinate system; polygons count by their outline
    half_length_m : float, how far to both sides the local bearing is taken; at least the size of
        the cells the lines were drawn from
    """

    kind: str
    geometries: Sequence[Geometry]
    half_length_m: float = 5.0

    @cached_property
    def tree(self) -> tuple[NDArray[np.object_], STRtree]:
        """The single lines (metres on the grid), and their index; made once for all that ask."""
        parts: NDArray[np.object_] = np.array(_parts(self.geometries), dtype=object)
        return parts, STRtree(parts)


class NearestLine(NamedTuple):
    """The line that passes each place.

    kind : (n,) str, "" where none is near
    bearing_deg : (n,) of the line at its nearest point, [0, 180); NaN where none
    distance_m : (n,) to the nearest point; NaN where none
    toward_deg : (n,) bearing from the place to the nearest point, [0, 360); NaN where none
    """

    kind: NDArray[np.str_]
    bearing_deg: FloatArray
    distance_m: FloatArray
    toward_deg: FloatArray


def nearest_line(
    easting: FloatArray,
    northing: FloatArray,
    *,
    lines: Sequence[Lines],
    within_m: float,
    convergence_deg: float = 0.0,
) -> NearestLine:
    """The line near each place, the first kind in the order given winning over later kinds.

    A trail a few metres further than an edge is still what an animal walks on; so kinds come in
    order of how surely animals follow them.

    Parameters
    ----------
    easting, northing : (n,) metres
    lines : sequence of Lines, the surest kind first
    within_m : float, lines further away do not count
    convergence_deg : float, bearing of grid north from true north
    """
    n = len(easting)
    point: NDArray[np.object_] = np.asarray(shapely.points(easting, northing))
    # Room for the longest kind: numpy would cut a longer word off without a sound.
    kind = np.full(n, "", dtype="U40")
    bearing, distance, toward = (np.full(n, np.nan) for _ in range(3))
    for group in lines:
        parts, tree = group.tree
        free = np.flatnonzero(kind == "")
        if not len(parts) or not len(free):
            continue
        found, gap = tree.query_nearest(
            # One match only: `_parts` has put the lines in a fixed order, so that the first is
            # always the same.
            point[free],
            max_distance=within_m,
            all_matches=False,
            return_distance=True,
        )
        where, line = free[found[0]], parts[found[1]]
        at = shapely.line_locate_point(line, point[where])
        before = shapely.line_interpolate_point(line, np.maximum(at - group.half_length_m, 0.0))
        after = shapely.line_interpolate_point(
            line, np.minimum(at + group.half_length_m, shapely.length(line))
        )
        near = shapely.line_interpolate_point(line, at)
        kind[where] = group.kind
        bearing[where] = (_bearing(before, after) + convergence_deg) % 180.0
        distance[where] = gap
        toward[where] = (_bearing(point[where], near) + convergence_deg) % 360.0
    return NearestLine(kind, bearing, distance, toward)


def crossing_angle_deg(near: NearestLine, headings_deg: FloatArray) -> FloatArray:
    """Angle between each heading and the line: 0 along it, 90 square to it.

    Returns
    -------
    (n, n_headings) float, degrees, NaN where there is no line

    Examples
    --------
    >>> east_west = NearestLine(np.array(["trail"]), *(np.array([v]) for v in (90.0, 4.0, 0.0)))
    >>> crossing_angle_deg(east_west, np.array([0.0, 60.0, 90.0, 225.0]))
    array([[90., 30.,  0., 45.]])
    """
    turn = (headings_deg[None, :] - near.bearing_deg[:, None] + 90.0) % 180.0 - 90.0
    return np.abs(turn)


def crossing_distance_m(
    near: NearestLine, headings_deg: FloatArray, *, on_line_m: float
) -> FloatArray:
    """How far ahead each heading meets the line, taken as straight; infinite when it never does.

    Within `on_line_m` of the line the place is as good as on it: the camera can stand to either
    side, and every heading has the line in view.

    Returns
    -------
    (n, n_headings) float, metres, NaN where there is no line
    """
    ahead = np.cos(np.radians(headings_deg[None, :] - near.toward_deg[:, None]))
    gap = near.distance_m[:, None]
    with np.errstate(divide="ignore"):
        met = np.where(ahead > 1e-6, gap / np.maximum(ahead, 1e-6), np.inf)
    met = np.where(gap <= on_line_m, gap, met)
    return np.where(np.isnan(gap), np.nan, met)


def _parts(geometries: Sequence[Geometry]) -> list[Geometry]:
    """Single lines in an order that does not depend on the order of the features."""
    shapes = np.array(list(geometries), dtype=object)
    flat = shapely.get_parts(shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))])
    area = shapely.get_dimensions(flat) == 2
    outline = shapely.get_parts(shapely.boundary(flat[area]))
    lines = [*flat[shapely.get_dimensions(flat) == 1], *outline]
    return sorted((line for line in lines if line.length > 0), key=lambda line: line.wkb)


def _bearing(start: NDArray[np.object_], end: NDArray[np.object_]) -> FloatArray:
    east = shapely.get_x(end) - shapely.get_x(start)
    north = shapely.get_y(end) - shapely.get_y(start)
    out: FloatArray = np.degrees(np.arctan2(east, north))
    return out


@remembered()
def border_lines(
    a: BoolArray,
    b: BoolArray,
    *,
    grid: Grid,
    smooth_m: float,
    within: tuple[float, float, float, float],
) -> list[Geometry]:
    """The line where two kinds of cells meet, drawn smoothly enough to have a bearing.

    The border of cells runs in steps; the contour of half cover of the smoothed first kind does
    not. Only stretches with the second kind within `smooth_m` count.

    Parameters
    ----------
    a, b : (rows, cols) bool
    grid : Grid
    smooth_m : float, the cell size of the raster the kinds come from
    within : (left, bottom, right, top), the part of the grid that matters
    """
    from skimage.measure import find_contours

    (row1, row0), (col0, col1) = grid.rowcol(np.array(within[::2]), np.array(within[1::2]))
    pad = int(np.ceil(3 * smooth_m / grid.cell_size_m)) + 1
    rows = slice(max(int(row0) - pad, 0), max(int(row1) + pad + 1, 0))
    cols = slice(max(int(col0) - pad, 0), max(int(col1) + pad + 1, 0))
    kind, other = a[rows, cols], b[rows, cols]
    if min(kind.shape) < 2 or not kind.any() or kind.all() or not other.any():
        return []
    reach = max(smooth_m / grid.cell_size_m, 1.0)
    # 0.7 of a source cell takes the steps out and hardly moves the corner of a field.
    smooth = scipy.ndimage.gaussian_filter(kind.astype(np.float32), 0.7 * reach)
    near = cells_to(other) <= reach + 0.5
    lines: list[Geometry] = []
    contours = find_contours(smooth, 0.5)  # type: ignore[no-untyped-call]
    for contour in contours:
        at = np.rint(contour).astype(int)
        # A contour also runs round clearings of a third kind, which are no border of these two.
        counts = near[at[:, 0], at[:, 1]]
        runs = np.flatnonzero(np.diff(counts)) + 1
        for part, kept in zip(np.split(contour, runs), counts[np.r_[0, runs]], strict=True):
            if kept and len(part) > 1:
                x = grid.left + (cols.start + part[:, 1] + 0.5) * grid.cell_size_m
                y = grid.top - (rows.start + part[:, 0] + 0.5) * grid.cell_size_m
                lines.append(LineString(np.column_stack([x, y])))
    return lines
