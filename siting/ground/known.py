"""How far each place lies from the edge of what is known.

Beyond a raster's last cell, as in a hole of it, nothing is known: a shape that reaches there may
go on, or not be one at all. So every search for shapes keeps its own reach away from that edge.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from siting.grid import FloatArray
from siting.ground.distance import cells_to
from siting.types import BoolArray, Note

LEAST_CELLS = 4
"""Source cells that a thing must have to be found: fewer may be one misread cell and its rim."""

FINEST_HEIGHT_M = 5.0
"""Elevation cells wider than this hold bank and bed in one: no height above water is told."""

# Laying a raster on another grid by the nearest cell makes a patch of four up to an eighth smaller.
_KEPT_SHARE = 0.875


def cells_to_unknown(known: BoolArray) -> FloatArray:
    """Distance in cells from each cell's centre to the nearest cell that is not known.

    Parameters
    ----------
    known : (rows, cols) bool, True where the layer has a value

    Returns
    -------
    (rows, cols) float32; what lies outside the array is not known

    Examples
    --------
    >>> cells_to_unknown(np.ones((3, 3), dtype=bool))[1, 1]
    np.float32(2.0)
    """
    # The ring of unknown cells makes the border of the array the end of what is known.
    return cells_to(~np.pad(known, 1, constant_values=False))[1:-1, 1:-1]


def layers_that_end_before(notes: Iterable[Note]) -> set[str]:
    """Names of vector layers that were given but were mapped nowhere on the parcel."""
    return {
        str(note.values["layer"])
        for note in notes
        if note.code == "W-EXTENT-01" and not note.values["share"]
    }


def least_area_m2(asked_m2: float, *, source_cell_m: float) -> float:
    """The least area of a patch that a raster can show: that asked for, or four of its cells.

    Examples
    --------
    >>> least_area_m2(400.0, source_cell_m=10.0), least_area_m2(400.0, source_cell_m=30.0)
    (400.0, 3150.0)
    """
    return max(asked_m2, _KEPT_SHARE * LEAST_CELLS * source_cell_m**2)
