"""Views of GeoPackages: tried under limits before the map library runs them without any.

A view is a question that the file asks of itself each time it is read. One that never ends, or
gathers gigabytes, would hang the program; the map library has no limit for it.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from siting.errors import SitingError

_MOST_S, _MOST_ROWS = 10.0, 2_000_000
_MOST_BYTES_A_VALUE, _MOST_HEAP = 100_000_000, 400_000_000
_STEPS = 10_000  # of SQLite's machine between two looks at the clock


def check_views(path: str, source: str | bytes, *, key: str) -> bool:
    """E-FILE-06 when a file has a view that takes too long, too much, or cannot be tried.

    All views of the file are tried, for the map library asks each of them what it holds when it
    only lists the layers.

    Parameters
    ----------
    source : the file, or its bytes
    """
    if not path.lower().endswith(".gpkg"):
        return True
    # One clock for all views together, for the library asks every one of them.
    end = time.monotonic() + _MOST_S
    with _opened(path, source) as base:
        asked = "select name from sqlite_master where type = 'view' order by name"
        for (layer,) in base.execute(asked).fetchall():
            why = _why_not(base, layer, end)
            if why:
                raise SitingError(
                    "E-FILE-06",
                    f"{path} ({key}): {layer} is a view that {why}.",
                    rule=f"The views of a file must give their rows within {_MOST_S:g} s: they are "
                    "worked out anew at every reading.",
                    cure="Save what the view shows as a layer of its own, in a file without views.",
                )
    return True


def check_tiles(path: str, *, key: str) -> None:
    """E-FILE-04 when the tiles of a raster in a GeoPackage are a view."""
    with _opened(path, path) as base:
        asked = (
            "select name from sqlite_master where type = 'view' and name in (select table_name "
            "from gpkg_contents where data_type in ('tiles', '2d-gridded-coverage'))"
        )
        found = base.execute(asked).fetchone()
    if found:
        raise SitingError(
            "E-FILE-04",
            f"{path} ({key}): the tiles {found[0]} are a view.",
            rule="The cells of a raster must be in the file, not computed each time it is read.",
            cure="Save the raster as GeoTIFF.",
        )


@contextmanager
def _opened(path: str, source: str | bytes) -> Iterator[sqlite3.Connection]:
    """The database, looked at without a lock or a file beside it; an empty one where it is none."""
    if isinstance(source, bytes):
        base = sqlite3.connect(":memory:")
        base.deserialize(source)
    else:
        # Immutable: SQLite then makes no lock and no file beside the user's.
        address = Path(path).absolute().as_uri() + "?mode=ro&immutable=1"
        base = sqlite3.connect(address, uri=True)
    with closing(base):
        try:
            yield base
        except sqlite3.Error as error:
            raise SitingError(
                "E-FILE-02",
                f"{path} cannot be read: {error}.",
                rule="A GeoPackage must be complete.",
                cure="Copy or download it again.",
            ) from error


def _why_not(base: sqlite3.Connection, layer: str, end: float) -> str:
    """What is wrong with a view, "" when it gives its rows before `end` (monotonic seconds)."""
    base.set_progress_handler(lambda: time.monotonic() > end, _STEPS)
    base.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _MOST_BYTES_A_VALUE)
    # The limit holds for the whole library in this process, so it is lifted again.
    base.execute(f"pragma hard_heap_limit = {_MOST_HEAP}")
    try:
        # A name cannot be a parameter of a question; doubled quotes keep it a name.
        name = layer.replace('"', '""')
        for number, _ in enumerate(base.execute(f'select * from "{name}"')):
            if number >= _MOST_ROWS:
                return f"gives more than {_MOST_ROWS:,} rows"
    except (sqlite3.Error, MemoryError, OverflowError) as error:
        if time.monotonic() > end:
            return f"gave no end within {_MOST_S:g} s"
        if isinstance(error, MemoryError) or "too big" in str(error) or "memory" in str(error):
            return f"needs more than {_MOST_HEAP / 1e6:,.0f} MB"
        return f"cannot be tried ({error})"
    finally:
        base.execute("pragma hard_heap_limit = 0")
    return ""
