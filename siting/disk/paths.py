"""Paths as records may hold them: no record says where on a machine a file lay."""

from __future__ import annotations

from pathlib import Path
from typing import Any


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
    name, mark, layer = value.partition("::")
    return _told_path(name, folder) + mark + layer


def _told_path(name: str, folder: Path) -> str:
    path = Path(name)
    if not path.is_absolute():
        return name
    home = folder.absolute()
    return path.relative_to(home).as_posix() if path.is_relative_to(home) else path.name
