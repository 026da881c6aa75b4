"""Where water gathers: upstream area, streams, height above them, wetness.

Every function takes and returns plain arrays; directions are the codes of
`siting.ground.water.flow`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.ground.water.flow import CODES, NO_DATA, OFFSETS, flow_directions
from siting.kernels.bands import in_bands
from siting.kernels.remembered import remembered

if TYPE_CHECKING:
    from affine import Affine
    from shapely import LineString

IndexArray = NDArray[np.int64]


@remembered()
def upstream_area_m2(directions: NDArray[np.uint8], *, cell_size_m: float) -> NDArray[np.float64]:
    """Area that drains through each cell, itself counted, in square metres.

    Parameters
    ----------
    directions : (rows, cols) uint8
        D8 codes as `flow_directions` returns them.
    cell_size_m : float
        Edge of a cell in metres, above 0.

    Returns
    -------
    (rows, cols) float64
        Square metres, at least one cell's area; NaN where the code is 247. Only ground inside
        the array is counted, so the figure is a lower bound near the border.
    """
    from siting import kernels

    # Counted in whole cells, so that the sum does not hang on the order in which they are added.
    area = kernels.upstream_cells(np.ascontiguousarray(directions)) * float(cell_size_m**2)
    area[directions == NO_DATA] = np.nan
    return np.asarray(area)


def stream_cells(area_m2: NDArray[np.float64], *, threshold_ha: float) -> NDArray[np.bool_]:
    """Cells through which at least ``threshold_ha`` hectares drain (bool, same shape).

    ``area_m2`` is what `upstream_area_m2` returns; NaN counts as no stream.
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(area_m2 >= threshold_ha * 10_000.0)


@remembered()
def stream_lines(
    directions: NDArray[np.uint8], cells: NDArray[np.bool_], *, transform: Affine
) -> list[LineString]:
    """Stream cells as lines from source or junction to the next junction or outlet.

    Parameters
    ----------
    directions : (rows, cols) uint8
        D8 codes.
    cells : (rows, cols) bool
        Stream cells; every cell downstream of a stream cell must be one too, as a threshold on
        the upstream area gives it.
    transform : affine.Affine
        From (col, row) of a cell corner to easting, northing in metres; north up, not turned.

    Returns
    -------
    list of shapely.LineString
        Coordinates at cell centres in map metres, each line drawn downstream, in the order of
        the first cell (row by row). A line ends on the cell where the next begins.
    """
    from shapely import LineString

    cols = directions.shape[1]
    size, corner = (transform.a, transform.e), (transform.c, transform.f)
    lines = []
    for path in _paths(directions, cells):
        centre = np.column_stack([path % cols, path // cols]) + 0.5
        lines.append(LineString(centre * size + corner))
    return lines


@remembered()
def derive_streams(
    dem: NDArray[Any],
    *,
    transform: Affine,
    cell_size_m: float,
    threshold_ha: float,
    directions: NDArray[np.uint8] | None = None,
) -> list[LineString]:
    """Stream lines read from the ground alone, for a place with no stream layer.

    Fill, steepest descent, contributing area, threshold. What comes back is derived from the
    terrain and must be shown as such.

    Parameters
    ----------
    dem : (rows, cols) float
        Elevation in metres, north up, NaN = no data.
    transform : affine.Affine
        From (col, row) of a cell corner to easting, northing in metres.
    cell_size_m : float
        Edge of a cell in metres, above 0.
    threshold_ha : float
        Hectares that must drain through a cell to call it a stream, above 0; 5 to 50 is usual
        in moist country, far more in dry.
    directions : (rows, cols) uint8 or None
        D8 codes of this ground where another engine found them; None works them out here.

    Returns
    -------
    list of shapely.LineString
        As `stream_lines` returns them; empty where no cell gathers enough ground.

    """
    if directions is None:
        directions = flow_directions(dem)
    area = upstream_area_m2(directions, cell_size_m=cell_size_m)
    cells = stream_cells(area, threshold_ha=threshold_ha)
    return stream_lines(directions, cells, transform=transform)


def outside(lines: Sequence[Geometry], area: Geometry) -> list[Geometry]:
    """The pieces of valley lines where water was not mapped: in `area` the map says all.

    Examples
    --------
    >>> from shapely import LineString, box
    >>> outside([LineString([(0, 0), (9, 0)])], box(4, -1, 20, 1))
    [<LINESTRING (0 0, 4 0)>]
    """
    rest = shapely.get_parts(shapely.difference(shapely.union_all(list(lines)), area))
    return [part for part in rest if part.geom_type == "LineString" and not part.is_empty]


def height_above_drainage_m(
    dem: NDArray[Any],
    directions: NDArray[np.uint8],
    *,
    drainage: NDArray[np.bool_],
    water_level: NDArray[Any] | None = None,
) -> NDArray[np.float32]:
    """Height of each cell above the stream or water cell it drains to, in metres.

    Parameters
    ----------
    dem : (rows, cols) float
        Elevation in metres as measured (not filled), NaN = no data.
    directions : (rows, cols) uint8
        D8 codes of the same ground.
    drainage : (rows, cols) bool
        Stream and water cells; here the height is 0 unless a water level is given.
    water_level : (rows, cols) float, optional
        Elevation of the water at the drainage cells, metres; the ground's own when left out.

    Returns
    -------
    (rows, cols) float32
        Metres; below 0 in a hollow that lies under the level of its stream; NaN where there is
        no data or the way down leaves the map before it meets a stream.

    References
    ----------
    Renno CD et al. (2008), doi 10.1016/j.rse.2008.03.018;
    Nobre AD et al. (2011), doi 10.1016/j.jhydrol.2011.03.051.
    """
    ground = np.asarray(dem, dtype=np.float32)
    end = _downstream_index(directions)
    start = np.flatnonzero(drainage)
    end[start] = start
    # Jump twice as far each round: after log2(longest way) rounds all stand at their end.
    while True:
        further = end[end]
        if np.array_equal(further, end):
            break
        end = further
    level = ground if water_level is None else np.asarray(water_level, dtype=np.float32)
    height = np.where(drainage.ravel()[end], ground.ravel() - level.ravel()[end], np.nan)
    height[directions.ravel() == NO_DATA] = np.nan
    return height.reshape(ground.shape).astype(np.float32)


def wetness_index(
    area_m2: NDArray[np.float64],
    slope_deg: NDArray[Any],
    *,
    cell_size_m: float,
    slope_floor_deg: float = 0.1,
) -> NDArray[np.float32]:
    """Topographic wetness index ln(a / tan(slope)), higher where water gathers and stands.

    Parameters
    ----------
    area_m2 : (rows, cols) float
        Upstream area in square metres; a is this over the width of a cell, in metres.
    slope_deg : (rows, cols) float
        Slope in degrees, 0 to below 90, NaN = no data.
    cell_size_m : float
        Edge of a cell in metres.
    slope_floor_deg : float
        Flatter ground counts as this slope (0.1 degrees), for the index has no value at 0.

    Returns
    -------
    (rows, cols) float32
        No unit (natural logarithm of metres); NaN where either input is NaN. The figure depends
        on the cell size: compare it within one map only.

    References
    ----------
    Beven KJ, Kirkby MJ (1979), doi 10.1080/02626667909491834.
    """
    from siting import kernels

    slope = np.asarray(slope_deg)
    out = np.empty(slope.shape, dtype=np.float32)

    def fill(rows: slice) -> None:
        kernels.wetness(area_m2[rows], slope[rows], cell_size_m, slope_floor_deg, out[rows])

    in_bands(fill, out.shape)
    return out


def _paths(directions: NDArray[np.uint8], cells: NDArray[np.bool_]) -> list[IndexArray]:
    """Flat indices of the cells of each stream line, downstream, by the first cell."""
    inside = np.flatnonzero(cells & (directions != NO_DATA))
    below = _next_cell(directions, inside)
    # Places in `inside`; an outlet stands below itself.
    onward = np.searchsorted(inside, below)
    flows = below != inside
    joins = np.bincount(onward[flows], minlength=inside.size)
    paths = []
    # A line begins at a source (no cell above) or a junction (two or more), and nowhere else.
    for start in np.flatnonzero(joins != 1):
        path = [int(start)]
        while flows[path[-1]]:
            path.append(int(onward[path[-1]]))
            if joins[path[-1]] != 1:
                break
        if len(path) > 1:
            paths.append(inside[path])
    return paths


def _downstream_index(directions: NDArray[np.uint8]) -> IndexArray:
    """Flat index of the next cell down; outlets and missing cells point at themselves."""
    return _next_cell(directions, np.arange(directions.size))


def _next_cell(directions: NDArray[np.uint8], at: IndexArray) -> IndexArray:
    """`_downstream_index` of some cells only, by their flat index."""
    step = np.zeros(256, dtype=np.int64)
    for code, (down, right) in zip(CODES, OFFSETS, strict=True):
        step[code] = down * directions.shape[1] + right
    below = step[directions.ravel()[at]]
    below += at
    return below
