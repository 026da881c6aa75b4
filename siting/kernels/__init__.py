"""Loops that array libraries cannot do quickly, compiled once and kept on disk.

All numba code of the package is here and nothing else. Each kernel has a slow plain twin, and an
outside reference, in tests/test_kernels.py. Import it inside the function that needs it: loading
numba costs a third of a second.
"""

from siting.kernels.distance import distances, from_nearest, nearest_rows, source_distances
from siting.kernels.portable_math import arc_tangents, exponentials, wetness
from siting.kernels.sight import between_centres, disc_mean, hidden_lines
from siting.kernels.water import NO_DATA, OUTLET, fill, steepest, upstream_cells

__all__ = [
    "NO_DATA",
    "OUTLET",
    "arc_tangents",
    "between_centres",
    "disc_mean",
    "distances",
    "exponentials",
    "fill",
    "from_nearest",
    "hidden_lines",
    "nearest_rows",
    "source_distances",
    "steepest",
    "upstream_cells",
    "wetness",
]
