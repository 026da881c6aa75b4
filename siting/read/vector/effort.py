"""Shapes so jagged that testing them for faults would take minutes: refused before it begins.

A ring is tested by holding its pieces against those whose boxes overlap. Drawn by people or traced
from pictures, a piece meets a handful of others; a made-up or damaged one may meet thousands.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.errors import SitingError

_MOST_CORNERS = 5_000_000
_MOST_PAIRS = 2e7  # about 20 s of repair
_LOOKED_AT = 20_000  # shapes of fewer corners are never too much
_SAMPLES = 200


def check_effort(shapes: NDArray[np.object_] | list[Geometry], *, what: str) -> None:
    """E-FILE-06 for a shape with too many corners, or too many pieces across one another.

    Parameters
    ----------
    shapes : (n,) geometries, None and empty ones let pass
    what : name to show
    """
    corners = shapely.get_num_coordinates(np.asarray(shapes, dtype=object))
    for index in np.flatnonzero(corners > _LOOKED_AT):
        count = int(corners[index])
        if count > _MOST_CORNERS or _pairs(shapes[index]) > _MOST_PAIRS:
            raise SitingError(
                "E-FILE-06",
                f"{what} holds a shape of {count:,} corners whose lines run across one another.",
                rule=f"A shape has at most {_MOST_CORNERS:,} corners, and can be tested for faults "
                "within seconds.",
                cure="Simplify it in a mapping program, within a metre, and save it again.",
            )


def _pairs(shape: Geometry) -> float:
    """About how many pairs of pieces have boxes that overlap, from evenly spread pieces."""
    points = shapely.get_coordinates(shape)
    low, high = np.minimum(points[:-1], points[1:]), np.maximum(points[:-1], points[1:])
    # Two hundred pieces spread over the ring tell its kind; all of them would take what is to be
    # saved.
    some = np.linspace(0, len(low) - 1, _SAMPLES).astype(int)
    met = 0
    for piece in some:
        across = (low[:, 0] <= high[piece, 0]) & (high[:, 0] >= low[piece, 0])
        across &= (low[:, 1] <= high[piece, 1]) & (high[:, 1] >= low[piece, 1])
        met += int(across.sum())
    # Each pair is met from both of its pieces, hence the half.
    return met / _SAMPLES * len(low) / 2
