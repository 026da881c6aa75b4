"""Whether files are as they were: a file and those that belong to it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from siting.disk.files import State, file_state

# Kinds that hold all themselves, or in files beside them of the same name. Others name files of
# theirs anywhere (a VRT), which nobody looks at here.
_WHOLE = frozenset({".tif", ".tiff", ".gpkg", ".json", ".geojson"})


def state_at_path(given: Mapping[str, Any]) -> tuple[tuple[str, State | None], ...] | None:
    """`states_of` the path among the arguments of a step that is remembered."""
    return states_of(given["path"])


def states_of(path: str | tuple[str, ...]) -> tuple[tuple[str, State | None], ...] | None:
    """Name and state of local files and of all beside them whose names begin alike.

    None where a file is missing, lies elsewhere or is of a kind that may name further files: then
    nothing says that what it holds is as it was.

    Parameters
    ----------
    path : path of a file, or of several that are one thing
    """
    paths = [Path(one) for one in ((path,) if isinstance(path, str) else path)]
    if any(one.suffix.lower() not in _WHOLE or file_state(one) is None for one in paths):
        return None
    beside = {
        str(other)
        for one in paths
        for other in one.parent.iterdir()
        if other.name.startswith(one.stem)
    }
    # Also the names as they were given: a message of the reading holds them.
    return (
        *((str(one), None) for one in paths),
        *((name, file_state(name)) for name in sorted(beside)),
    )
