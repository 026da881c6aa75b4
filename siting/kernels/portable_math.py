"""Arc tangents, tangents, logarithms and exponentials of whole grids, the same on every processor.

numpy works these out by other formulas where the processor has wide registers, and the last digit
differs; here it is always the mathematical library of the system.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.kernels.compiled import compiled


@compiled("f4[::1], f4[::1]")
def arc_tangents(values: NDArray[Any], out: NDArray[Any]) -> None:
    """Arc tangent of each value, radians.

    Parameters
    ----------
    values : (n,) float
    out : (n,) of the same kind, filled here
    """
    for k in range(values.size):
        out[k] = math.atan(values[k])


@compiled("f8[::1], f8[::1]")
def exponentials(values: NDArray[Any], out: NDArray[Any]) -> None:
    """Natural exponential of each value.

    Parameters
    ----------
    values : (n,) float
    out : (n,) of the same kind, filled here
    """
    for k in range(values.size):
        out[k] = math.exp(values[k])


@compiled("f8[:,::1], f4[:,::1], f8, f8, f4[:,::1]")
def wetness(
    area_m2: NDArray[np.float64],
    slope_deg: NDArray[np.float32],
    cell_size_m: float,
    floor_deg: float,
    out: NDArray[np.float32],
) -> None:
    """Logarithm of the upstream area to a metre of width over the tangent of the slope.

    Parameters
    ----------
    area_m2, slope_deg : (rows, cols) float, NaN = not known
    cell_size_m : float
    floor_deg : float, flatter ground counts as this slope
    out : (rows, cols) float32, filled here; NaN where either input is
    """
    for row in range(out.shape[0]):
        for col in range(out.shape[1]):
            slope = float(slope_deg[row, col])
            # A comparison with NaN is false, so that a slope that is not known stays so.
            if slope < floor_deg:
                slope = floor_deg
            tangent = math.tan(math.radians(slope))
            out[row, col] = math.log(area_m2[row, col] / cell_size_m / tangent)
