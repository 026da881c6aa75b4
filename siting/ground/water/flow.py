"""Which way water runs: hollows filled, flow directions, flats.

Every function takes and returns plain arrays; the loops are in `siting.kernels`.

Directions are the common D8 codes: 1 east, 2 south-east, 4 south, 8 south-west, 16 west,
32 north-west, 64 north, 128 north-east; 0 an outlet (water leaves the map here), 247 no data.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

OUTLET = 0
NO_DATA = 247
CODES = (1, 2, 4, 8, 16, 32, 64, 128)
OFFSETS = ((0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1))


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
    from siting import kernels

    return np.asarray(kernels.fill(np.ascontiguousarray(dem, dtype=np.float32)))


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
    from siting import kernels

    return np.asarray(kernels.steepest(fill_depressions(dem)))
