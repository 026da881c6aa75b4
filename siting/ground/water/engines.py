"""Which program fills hollows, measures slope and finds the flow of water: our own, or richdem.

The protocol names the engine ([terrain] engine); what happens to be installed never chooses it.
Both give the same answer within the tolerances of tests/reference/test_engine_richdem.py, so
richdem is for a survey that must name a published program.

References
----------
Barnes R (2018) RichDEM: High-Performance Terrain Analysis, doi 10.7287/peerj.preprints.27099v1.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from siting.errors import SitingError
from siting.ground import terrain
from siting.ground.water import flow
from siting.kernels.remembered import remembered

Engine = Literal["built-in", "richdem"]
# Far below any ground on Earth, and exact in float32.
_NO_DATA = -99999.0
# richdem's neighbours 1 to 8 (west, then clockwise) as the codes of `siting.ground.water.flow`.
_CODES = np.array([flow.OUTLET, 16, 32, 64, 128, 1, 2, 4, 8], dtype=np.uint8)


@remembered()
def slope_deg(
    dem: NDArray[Any], cell_size_m: float, *, engine: Engine = "built-in"
) -> NDArray[Any]:
    """Slope of the ground as `siting.ground.terrain.slope_deg` gives it, by the engine named.

    Parameters
    ----------
    dem : (rows, cols) float, metres above any datum, NaN = no data, north up
    cell_size_m : float, edge of a cell, metres

    Returns
    -------
    (rows, cols) float32, degrees; NaN where any of the nine cells is NaN and along the border

    Raises
    ------
    SitingError
        E-ENGINE-01 when the engine is not installed.
    """
    own = terrain.slope_deg(dem, cell_size_m)
    if engine == "built-in":
        return own
    richdem = _richdem()
    ground = _ringed(dem, cell_size_m)
    found = np.array(richdem.TerrainAttribute(ground, attrib="slope_degrees"))[1:-1, 1:-1]
    # richdem puts the cell's own height for a missing neighbour; such a slope is not known.
    return np.where(np.isnan(own), np.nan, found).astype(np.float32)


def fill_depressions(dem: NDArray[Any], *, engine: Engine = "built-in") -> NDArray[np.float32]:
    """Ground with every hollow filled, as `siting.ground.water.flow.fill_depressions` gives it.

    Parameters
    ----------
    dem : (rows, cols) float, metres, NaN = no data, north up
    engine : "built-in" or "richdem"

    Returns
    -------
    (rows, cols) float32, metres; NaN where `dem` is NaN

    Raises
    ------
    SitingError
        E-ENGINE-01 when the engine is not installed.
    """
    if engine == "built-in":
        return flow.fill_depressions(dem)
    filled = np.array(_richdem().FillDepressions(_ringed(dem), epsilon=False))[1:-1, 1:-1]
    return np.where(np.isnan(dem), np.nan, filled).astype(np.float32)


@remembered()
def flow_directions(dem: NDArray[Any], *, engine: Engine = "built-in") -> NDArray[np.uint8]:
    """D8 codes over filled ground, as `siting.ground.water.flow.flow_directions`.

    Of equally steep ways down, and across flats, the engines may take another one; beside missing
    cells inside the ground richdem holds water back that ours lets go.

    Parameters
    ----------
    dem : (rows, cols) float, metres, NaN = no data, north up
    engine : "built-in" or "richdem"

    Returns
    -------
    (rows, cols) uint8, the codes of `siting.ground.water.flow`

    Raises
    ------
    SitingError
        E-ENGINE-01 when the engine is not installed.

    References
    ----------
    Freeman TG (1991) Computers & Geosciences 17:413-422 (from memory).
    """
    if engine == "built-in":
        return flow.flow_directions(dem)
    richdem = _richdem()
    ground = richdem.FillDepressions(_ringed(dem), epsilon=False)
    richdem.ResolveFlats(ground, in_place=True)
    # Its method named D8 looks for the lowest neighbour, not for the steepest way; the largest
    # share of Freeman's (1991) division of the water goes down the steepest.
    shares = np.array(richdem.FlowProportions(ground, method="Freeman", exponent=1.0))[1:-1, 1:-1]
    codes: NDArray[np.uint8] = _CODES[np.argmax(shares[..., 1:], axis=2) + 1]
    codes[shares[..., 1:].max(axis=2) <= 0] = flow.OUTLET
    codes[np.isnan(dem)] = flow.NO_DATA
    return codes


def _ringed(dem: NDArray[Any], cell_size_m: float = 1.0) -> Any:
    """The elevations as richdem takes them, in a ring of cells without data.

    richdem lets no water leave from a cell of the array's edge; within the ring there is none.
    """
    known = np.where(np.isnan(dem), _NO_DATA, dem).astype(np.float64)
    size = (0.0, cell_size_m, 0.0, 0.0, 0.0, -cell_size_m)
    ringed = np.pad(known, 1, constant_values=_NO_DATA)
    ground = _richdem().rdarray(ringed, no_data=_NO_DATA)
    # The constructor does not keep a geotransform that it is given.
    ground.geotransform = size
    return ground


def _richdem() -> Any:
    """The library, or what to do where it is missing."""
    try:
        return import_module("richdem")
    except ImportError as error:
        raise SitingError(
            "E-ENGINE-01",
            f'The protocol asks for terrain.engine = "richdem", which cannot be loaded: {error}.',
            rule="The engine that the protocol names must be installed; no other is used instead.",
            cure='Install it as docs/method.md says ("Another engine"), or write '
            'engine = "built-in".',
        ) from error
