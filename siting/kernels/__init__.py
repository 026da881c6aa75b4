"""Loops that array libraries cannot do quickly, compiled once and kept on disk.

All numba code of the package is here. Each kernel has a slow plain twin, and an outside reference,
in tests/test_kernels.py. Loading numba takes a third of a second: a kernel is loaded when first
asked for; the modules about how steps are run (`bands`, `remembered`) load none.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from siting.kernels.distance import distances, from_nearest, nearest_rows, source_distances
    from siting.kernels.portable_math import arc_tangents, exponentials, wetness
    from siting.kernels.sight import between_centres, disc_mean, hidden_lines, moved_cells, rises
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
    "moved_cells",
    "nearest_rows",
    "rises",
    "source_distances",
    "steepest",
    "upstream_cells",
    "wetness",
]

_HOMES = {
    "distance": ("distances", "from_nearest", "nearest_rows", "source_distances"),
    "portable_math": ("arc_tangents", "exponentials", "wetness"),
    "sight": ("between_centres", "disc_mean", "hidden_lines", "moved_cells", "rises"),
    "water": ("NO_DATA", "OUTLET", "fill", "steepest", "upstream_cells"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
