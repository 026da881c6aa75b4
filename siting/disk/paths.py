"""Paths as the inputs give them, and as records may hold them: not where on a machine they lay."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

VECTOR_SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".kml", ".fgb")
"""Endings of the vector files that are read."""

_SUFFIX_AND_MARK = re.compile(
    f"({'|'.join(re.escape(one) for one in VECTOR_SUFFIXES)})::", re.IGNORECASE
)


def file_and_layer(text: str) -> tuple[str, str]:
    """File and layer of `FILE::LAYER`; the layer is "" where none is named.

    A folder's name may hold the two colons as well: they count after the ending of a vector file,
    or in the last part of the path.

    Examples
    --------
    >>> file_and_layer("land.gpkg::trails")
    ('land.gpkg', 'trails')
    >>> file_and_layer("week::14/land.gpkg")
    ('week::14/land.gpkg', '')
    """
    found = _SUFFIX_AND_MARK.search(text)
    if found is None:
        found = re.search(r"()::(?!.*[/\\])", text, re.DOTALL)
    return (text[: found.end(1)], text[found.end() :]) if found else (text, "")


def told_paths(value: Any, folder: Path) -> Any:
    """Settings as records may hold them: paths relative to a folder, or plain names outside it.

    A record is passed on; where on a machine a file lay, and whose home that was, stays here.

    Parameters
    ----------
    value : str, list, mapping or anything else
        Texts that are absolute paths (`FILE` or `FILE::LAYER`) are changed.
    folder : Path
        That of the inputs file.
    """
    if isinstance(value, dict):
        return {key: told_paths(item, folder) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [told_paths(item, folder) for item in value]
    if not isinstance(value, str):
        return value
    file, layer = file_and_layer(value)
    mark = value[len(file) : len(value) - len(layer)]
    return _told_path(file, folder) + mark + layer


def _told_path(name: str, folder: Path) -> str:
    path = Path(name)
    if not path.is_absolute():
        return name
    home = folder.absolute()
    return path.relative_to(home).as_posix() if path.is_relative_to(home) else path.name
