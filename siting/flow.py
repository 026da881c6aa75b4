"""Which way water runs: hollows filled, flow directions, flats.

The same answer comes out whether or not the optional ``richdem`` is installed: it only fills
hollows quicker.

Directions are the common D8 codes: 1 east, 2 south-east, 4 south, 8 south-west, 16 west,
32 north-west, 64 north, 128 north-east; 0 an outlet (water leaves the map here), 247 no data.
"""

from __future__ import annotations

import contextlib
import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

OUTLET = 0
NO_DATA = 247
CODES = (1, 2, 4, 8, 16, 32, 64, 128)
OFFSETS = ((0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1))


def filling_engine() -> str:
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
    if filling_engine() == "richdem" and np.isfinite(ground).all():
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
    for code, offset in zip(CODES, OFFSETS, strict=True):
        drop = _drop_towards(filled, offset)
        steeper = drop > steepest
        directions[steeper] = code
        steepest[steeper] = drop[steeper]
    directions[np.isnan(filled)] = NO_DATA
    return _across_flats(filled, directions)


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


def _across_flats(filled: NDArray[np.float64], directions: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Directions with every flat cell sent along the shortest way to its flat's rim."""
    flat = (directions == OUTLET) & ~_beside_the_outside(filled)
    if not flat.any():
        return directions
    steps = _steps_to_rim(filled, flat, directions)
    best = np.full(filled.shape, np.inf)
    out = directions.copy()
    for code, offset in zip(CODES, OFFSETS, strict=True):
        level = _shifted(filled, offset, np.nan) == filled
        there = np.where(level, _shifted(steps, offset, np.inf), np.inf)
        nearer = flat & (there < best)
        best[nearer] = there[nearer]
        out[nearer] = code
    return out


def _beside_the_outside(filled: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Cells on the border or next to a missing cell: water may leave the map here."""
    outside = np.zeros(filled.shape, dtype=bool)
    for offset in OFFSETS:
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
    for offset in OFFSETS:
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
