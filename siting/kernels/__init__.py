"""Loops that array libraries cannot do quickly, compiled once and kept on disk.

All numba code of the package is here. Each kernel has a slow plain twin, and an outside reference,
in tests/test_kernels.py. Loading numba takes a third of a second: a kernel is loaded when first
asked for; the modules about how steps are run (`bands`, `remembered`) load none.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache, partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from siting.kernels.aside import done_aside

if TYPE_CHECKING:
    from siting.kernels.distance import distances, from_nearest, nearest_rows, source_distances
    from siting.kernels.portable_math import arc_tangents, exponentials, wetness
    from siting.kernels.shaken import At, Read, index_of_draws, moved_cells
    from siting.kernels.sight import between_centres, disc_mean, hidden_lines, raise_skyline
    from siting.kernels.water import NO_DATA, OUTLET, fill, steepest, upstream_cells

__all__ = [
    "NO_DATA",
    "OUTLET",
    "At",
    "Read",
    "arc_tangents",
    "between_centres",
    "disc_mean",
    "distances",
    "exponentials",
    "fill",
    "from_nearest",
    "hidden_lines",
    "index_of_draws",
    "moved_cells",
    "nearest_rows",
    "raise_skyline",
    "source_distances",
    "steepest",
    "upstream_cells",
    "wetness",
]

_HOMES = {
    "distance": ("distances", "from_nearest", "nearest_rows", "source_distances"),
    "portable_math": ("arc_tangents", "exponentials", "wetness"),
    "shaken": ("At", "Read", "index_of_draws", "moved_cells"),
    "sight": ("between_centres", "disc_mean", "hidden_lines", "raise_skyline"),
    "water": ("NO_DATA", "OUTLET", "fill", "steepest", "upstream_cells"),
}
_LIBRARIES = ("scipy.ndimage", "scipy.sparse.csgraph", "scipy.sparse.linalg")
# About half of what a first run has to compile.
_SECOND_HALF = ("water", "portable_math", "shaken")
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


@contextmanager
def compiled_ahead() -> Iterator[Callable[[], None]]:
    """On a first run half of the loops are compiled by a second process; yields what waits for it.

    numba holds one lock for all that it compiles, so that threads would not help.
    """
    if _kept():
        yield lambda: None
        return
    with done_aside(partial(_prepare, _SECOND_HALF)) as wait:
        yield wait


def load(others: Callable[[], None] = lambda: None) -> None:
    """Load every kernel, and the libraries of grids and equations that go with them.

    Together they take about as long as reading a parcel; the first kernel as long as all others.
    `others` waits for what `compiled_ahead` began.
    """
    for library in _LIBRARIES:
        import_module(library)
    _prepare(tuple(home for home in _HOMES if home not in _SECOND_HALF))
    others()
    _prepare(_SECOND_HALF)


@cache
def _prepare(homes: tuple[str, ...]) -> None:
    # Once in a process: the next parcel of a batch need not ask for any of it again.
    for home in homes:
        import_module(f"{__name__}.{home}")
    compiling = import_module(f"{__name__}.compiled")
    compiling.prepare([loop for loop in compiling.ASKED if loop[0].__module__ in _modules(homes)])


def _modules(homes: Sequence[str]) -> list[str]:
    return [f"{__name__}.{home}" for home in homes]


def _kept() -> bool:
    """Whether loops of an earlier run lie on disk."""
    asked = os.environ.get("NUMBA_CACHE_DIR", "")
    place = Path(asked) if asked else Path(__file__).parent / "__pycache__"
    return next(place.glob("**/*.nbi"), None) is not None


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
