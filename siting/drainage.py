"""Where water runs and stands: filled ground, flow directions, streams, height above them, wetness.

Every function takes and returns plain arrays. The same answer comes out whether or not the
optional ``richdem`` is installed: it only fills hollows quicker.

Directions are the common D8 codes: 1 east, 2 south-east, 4 south, 8 south-west, 16 west,
32 north-west, 64 north, 128 north-east; 0 an outlet (water leaves the map here), 247 no data.
"""

from __future__ import annotations

import contextlib
import io
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from affine import Affine
    from numpy.typing import NDArray
    from shapely import LineString

DERIVED_STREAMS_NOTE = (
    "No stream layer was given, so stream lines were derived from the terrain: the beds that "
    "drain at least {threshold_ha:g} ha inside the area read. They show where water would run, "
    "not that it does; a stream that comes in from outside is shown only from the point where "
    "the ground inside the area read reaches that size."
)

OUTLET = 0
NO_DATA = 247
_CODES = (1, 2, 4, 8, 16, 32, 64, 128)
_OFFSETS = ((0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1))


def drainage_engine() -> str:
    """Name the library that fills hollows: "richdem" where it imports, else "pyflwdir"."""
    try:
        import richdem  # noqa: F401
    except Exception:  # beside a numpy it was not made for it fails with errors of its own
        return "pyflwdir"
    return "richdem"


def fill_depressions(dem: NDArray[Any]) -> NDArray[np.float32]:
    """Ground with every hollow filled to the level at which it would spill, in metres.

    Water may leave at the outer border and next to missing cells; every other hollow is raised
    to its lowest rim and becomes flat. Nothing is lowered.

    Parameters
    ----------
    dem : (rows, cols) float
        Elevation in metres, north up, NaN = no data.

    Returns
    -------
    (rows, cols) float32
        Elevation in metres, never below ``dem``; NaN exactly where ``dem`` is NaN.

    References
    ----------
    Barnes R, Lehman C, Mulla D (2014), doi 10.1016/j.cageo.2013.04.024;
    Wang L, Liu H (2006), doi 10.1080/13658810500433453.
    """
    ground = np.asarray(dem, dtype=np.float32)
    # richdem does not let water leave next to missing cells, so it may do whole ground only.
    if drainage_engine() == "richdem" and np.isfinite(ground).all():
        return _filled_by_richdem(ground)
    from pyflwdir import fill_depressions as fill

    # In float64 the library's "level + (rim - level)" is exact for float32 elevations, so a
    # filled hollow is truly flat.
    filled, _ = fill(ground.astype(np.float64), nodata=np.nan)
    return np.asarray(filled, dtype=np.float32)


def flow_directions(dem: NDArray[Any]) -> NDArray[np.uint8]:
    """D8 code of the steepest way down from each cell, over ground whose hollows are filled.

    The drop is divided by the distance (a diagonal is the root of two cells long); of equal
    drops the first in the order east, south-east, south ... wins. Across a flat the water takes
    the shortest way to the flat's own lowest rim. A border cell with no lower neighbour is an
    outlet (0).

    Parameters
    ----------
    dem : (rows, cols) float
        Elevation in metres, north up, NaN = no data. It is filled here; filled ground may be
        given too.

    Returns
    -------
    (rows, cols) uint8
        D8 codes; 0 = outlet, 247 = no data. Following them never comes round in a circle.

    References
    ----------
    O'Callaghan JF, Mark DM (1984), doi 10.1016/S0734-189X(84)80011-0;
    Jenson SK, Domingue JO (1988), Photogramm. Eng. Remote Sens. 54:1593-1600.
    """
    filled = fill_depressions(dem).astype(np.float64)
    directions = np.full(filled.shape, OUTLET, dtype=np.uint8)
    steepest = np.zeros(filled.shape)
    for code, offset in zip(_CODES, _OFFSETS, strict=True):
        drop = _drop_towards(filled, offset)
        steeper = drop > steepest
        directions[steeper] = code
        steepest[steeper] = drop[steeper]
    directions[np.isnan(filled)] = NO_DATA
    return _across_flats(filled, directions)


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
    missing = directions == NO_DATA
    if missing.all():
        return np.full(directions.shape, np.nan)
    counts = _flow_network(directions).upstream_area("cell").astype(np.float64)
    return np.where(missing, np.nan, counts * cell_size_m**2)


def stream_cells(area_m2: NDArray[np.float64], *, threshold_ha: float) -> NDArray[np.bool_]:
    """Cells through which at least ``threshold_ha`` hectares drain (bool, same shape).

    ``area_m2`` is what `upstream_area_m2` returns; NaN counts as no stream.
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(area_m2 >= threshold_ha * 10_000.0)


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

    if not cells.any():
        return []
    cols = directions.shape[1]
    row, col = np.indices(directions.shape)
    paths = []
    for feature in _flow_network(directions).streams(mask=cells, xs=col, ys=row):
        path = [(int(x), int(y)) for x, y in feature["geometry"]["coordinates"]]
        if path[-1] == path[-2]:
            path.pop()  # an outlet flows to itself
        if len(path) > 1:
            paths.append(path)
    paths.sort(key=lambda path: path[0][1] * cols + path[0][0])
    centres = [np.array(path) + 0.5 for path in paths]
    size, corner = (transform.a, transform.e), (transform.c, transform.f)
    return [LineString(centre * size + corner) for centre in centres]


def derive_streams(
    dem: NDArray[Any], *, transform: Affine, cell_size_m: float, threshold_ha: float
) -> list[LineString]:
    """Stream lines read from the ground alone, for a place with no stream layer.

    Fill, steepest descent, contributing area, threshold. What comes back is derived from the
    terrain and must be shown as such (`DERIVED_STREAMS_NOTE`).

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

    Returns
    -------
    list of shapely.LineString
        As `stream_lines` returns them; empty where no cell gathers enough ground.

    """
    directions = flow_directions(dem)
    area = upstream_area_m2(directions, cell_size_m=cell_size_m)
    cells = stream_cells(area, threshold_ha=threshold_ha)
    return stream_lines(directions, cells, transform=transform)


def height_above_drainage_m(
    dem: NDArray[Any], directions: NDArray[np.uint8], *, drainage: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Height of each cell above the stream or water cell it drains to, in metres.

    Parameters
    ----------
    dem : (rows, cols) float
        Elevation in metres as measured (not filled), NaN = no data.
    directions : (rows, cols) uint8
        D8 codes of the same ground.
    drainage : (rows, cols) bool
        Stream and water cells; here the height is 0.

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
    level = ground.ravel()
    height = np.where(drainage.ravel()[end], level - level[end], np.nan)
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
    tangent = np.tan(np.radians(np.maximum(slope_deg, slope_floor_deg), dtype=np.float64))
    return np.asarray(np.log(area_m2 / cell_size_m / tangent), dtype=np.float32)


def _filled_by_richdem(ground: NDArray[np.float32]) -> NDArray[np.float32]:
    import richdem

    raster = richdem.rdarray(ground, no_data=-9999.0, geotransform=[0.0, 1.0, 0.0, 0.0, 0.0, -1.0])
    with contextlib.redirect_stdout(io.StringIO()):  # it prints a warning that means nothing here
        return np.array(richdem.FillDepressions(raster, epsilon=False, in_place=False))


def _shifted(array: NDArray[Any], offset: tuple[int, int], fill: Any) -> NDArray[Any]:
    """The value each cell would see at ``offset`` (rows, cols); ``fill`` beyond the border."""
    down, right = offset
    padded = np.pad(array, 1, constant_values=fill)
    rows, cols = array.shape
    return padded[1 + down : 1 + down + rows, 1 + right : 1 + right + cols]


def _drop_towards(filled: NDArray[np.float64], offset: tuple[int, int]) -> NDArray[np.float64]:
    drop = (filled - _shifted(filled, offset, np.nan)) / np.hypot(*offset)
    return np.where(np.isnan(drop), -np.inf, drop)


def _downstream_index(directions: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Flat index of the next cell down; outlets and missing cells point at themselves."""
    rows, cols = directions.shape
    step = np.zeros(256, dtype=np.int64)
    for code, (down, right) in zip(_CODES, _OFFSETS, strict=True):
        step[code] = down * cols + right
    return np.arange(rows * cols) + step[directions.ravel()]


def _flow_network(directions: NDArray[np.uint8]) -> Any:
    import pyflwdir

    return pyflwdir.from_array(directions, ftype="d8", check_ftype=False)


def _across_flats(filled: NDArray[np.float64], directions: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Directions with every flat cell sent along the shortest way to its flat's rim."""
    flat = (directions == OUTLET) & ~_beside_the_outside(filled)
    if not flat.any():
        return directions
    steps = _steps_to_rim(filled, flat, directions)
    best = np.full(filled.shape, np.inf)
    out = directions.copy()
    for code, offset in zip(_CODES, _OFFSETS, strict=True):
        level = _shifted(filled, offset, np.nan) == filled
        there = np.where(level, _shifted(steps, offset, np.inf), np.inf)
        nearer = flat & (there < best)
        best[nearer] = there[nearer]
        out[nearer] = code
    return out


def _beside_the_outside(filled: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Cells on the border or next to a missing cell: water may leave the map here."""
    outside = np.zeros(filled.shape, dtype=bool)
    for offset in _OFFSETS:
        outside |= np.isnan(_shifted(filled, offset, np.nan))
    return outside & ~np.isnan(filled)


def _steps_to_rim(
    filled: NDArray[np.float64], flat: NDArray[np.bool_], directions: NDArray[np.uint8]
) -> NDArray[np.float64]:
    """Steps from each cell to the nearest level cell from which water runs on; inf elsewhere."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra

    index = np.arange(filled.size).reshape(filled.shape)
    pairs = []
    for offset in _OFFSETS:
        level = flat & (_shifted(filled, offset, np.nan) == filled)
        pairs.append(np.stack([index[level], _shifted(index, offset, -1)[level]]))
    inner, other = np.concatenate(pairs, axis=1)
    used = np.zeros(filled.size, dtype=bool)
    used[inner], used[other] = True, True
    nodes = np.flatnonzero(used)
    compact = np.cumsum(used) - 1
    count = inner.size
    graph = coo_matrix((np.ones(count), (compact[other], compact[inner])), (nodes.size,) * 2)
    rims = np.flatnonzero(~flat.ravel()[nodes] & (directions.ravel()[nodes] != NO_DATA))
    steps = np.full(filled.size, np.inf)
    steps[nodes] = dijkstra(graph.tocsr(), indices=rims, unweighted=True, min_only=True)
    return steps.reshape(filled.shape)
