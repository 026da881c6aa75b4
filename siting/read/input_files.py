"""Paths of the inputs, and what kind of file stands there, before any library opens it.

Libraries that read maps recognise a file by its content, whatever its name, and some kinds point
to other files, unpack archives or call the network. So the content is looked at first.
"""

from __future__ import annotations

import difflib
import unicodedata
from pathlib import Path

from siting.errors import SitingError
from siting.read.file_kinds import is_esri_grid, is_remote
from siting.settings.given.rasters import RasterInput
from siting.settings.inputs import Inputs


def resolve(file: str, folder: Path, *, allow_remote: bool) -> str:
    """The path of a file of the inputs.

    Raises
    ------
    SitingError
        E-FILE-01 when there is none, E-FILE-03 when its folder may not be entered, E-FILE-04 for
        network and virtual paths that are not allowed and for what is neither file nor folder.
    """
    if is_remote(file):
        if not allow_remote:
            raise SitingError(
                "E-FILE-04",
                f"{file} is a network or virtual path.",
                rule="Nothing is downloaded or unpacked unless you allow it.",
                cure="Copy the file here, or set allow_remote = true in the inputs file.",
            )
        return file
    path = Path(file)
    path = path if path.is_absolute() else folder / path
    _check_name(path)
    try:
        there, ordinary = path.exists(), path.is_file() or path.is_dir()
        near = "" if there else _near_names(path)
    except PermissionError as error:
        raise SitingError(
            "E-FILE-03",
            f"{path} cannot be read: {error.strerror}.",
            rule="Every file of the inputs must be readable.",
            cure="Ask its owner for read access.",
        ) from error
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise _missing(path, f" ({why})") from error
    if not there:
        raise _missing(path, near)
    if not ordinary:
        raise SitingError(
            "E-FILE-04",
            f"{path} is neither a file nor a folder.",
            rule="Inputs are read from ordinary files.",
            cure="Copy the data into a file.",
        )
    return str(path)


RasterPath = str | tuple[str, ...]
"""One raster file, or the tiles of one raster."""

# Names of files that are tiles of a raster, in a folder that is given as one.
_TILE_SUFFIXES = (
    ".tif", ".tiff", ".asc", ".img", ".hgt", ".bil", ".flt", ".dem", ".dt1", ".dt2", ".jp2",
)  # fmt: skip
# A state at 1 m has some thousand; a folder with more is likely not one raster.
_MOST_TILES = 5000


def input_path(inputs: Inputs, file: str) -> str:
    """The path of a file named in the inputs, checked; see `resolve`."""
    return resolve(file, inputs.folder, allow_remote=inputs.allow_remote)


def raster_path(inputs: Inputs, spec: RasterInput, *, key: str) -> RasterPath:
    """The path of a raster named in the inputs, or of all its tiles.

    A folder is an Esri grid, or holds tiles; a list is tiles.

    Raises
    ------
    SitingError
        E-FILE-04 for a folder without rasters, and all of `resolve`.
    """
    paths: list[str] = []
    for file in spec.files:
        path = input_path(inputs, file)
        paths += _tiles_in(Path(path), key) if _is_tile_folder(path) else [path]
    # A folder and a file in it may both be named: each tile counts once.
    paths = list(dict.fromkeys(paths))
    return paths[0] if len(paths) == 1 else tuple(paths)


def _is_tile_folder(path: str) -> bool:
    return not is_remote(path) and Path(path).is_dir() and not is_esri_grid(path)


def _tiles_in(folder: Path, key: str) -> list[str]:
    try:
        names = sorted(p for p in folder.iterdir() if p.suffix.lower() in _TILE_SUFFIXES)
    except PermissionError as error:
        raise SitingError(
            "E-FILE-03",
            f"{folder} ({key}) cannot be listed: {error.strerror}.",
            rule="Every file of the inputs must be readable.",
            cure="Ask its owner for read access.",
        ) from error
    tiles = [str(p) for p in names if p.is_file()]
    if tiles and len(tiles) <= _MOST_TILES:
        return tiles
    raise SitingError(
        "E-FILE-04",
        f"{folder} ({key}) is a folder that holds {f'{len(tiles):,}' if tiles else 'no'} rasters.",
        rule=f"A folder is an Esri grid (it holds hdr.adf), or holds 1 to {_MOST_TILES:,} tiles of "
        f"one raster ({', '.join(_TILE_SUFFIXES[:5])} ...).",
        cure="Name the raster file itself, or the folder with the tiles.",
    )


def _check_name(path: Path) -> None:
    """E-FILE-04 for a name that is not text: the map libraries take names in UTF-8 only, and
    drop control characters from them."""
    try:
        str(path).encode("utf-8")
        if any(unicodedata.category(sign) == "Cc" for sign in str(path)):
            raise ValueError
    except ValueError as error:  # that of a name that is no UTF-8 is one, too
        shown = "".join(c if c.isprintable() else repr(c)[1:-1] for c in str(path))
        raise SitingError(
            "E-FILE-04",
            f"The name {shown} is not valid UTF-8, or holds control characters.",
            rule="File and folder names must be text that every program can read.",
            cure="Rename the file or folder, for instance with plain letters and digits.",
        ) from error


def _missing(path: Path, more: str) -> SitingError:
    return SitingError(
        "E-FILE-01",
        f"There is no file {path}{more}.",
        rule="Paths in an inputs file start from its folder, paths given as options from "
        "the current folder.",
        cure="Check the name and the folder.",
    )


def _near_names(path: Path) -> str:
    """What was perhaps meant: a name that looks the same, or nearly."""
    if path.is_symlink():
        return f", only a link to {path.readlink()}, which is missing"
    try:
        names = sorted(p.name for p in path.parent.iterdir())[:5000]
    except OSError:
        return ", nor its folder" if not path.parent.is_dir() else ""
    # Some systems store letters with marks in two parts: the names look alike and are not equal.
    plain = {unicodedata.normalize("NFC", name).casefold(): name for name in names}
    same = plain.get(unicodedata.normalize("NFC", path.name).casefold())
    near = [same] if same else difflib.get_close_matches(path.name, names, n=1, cutoff=0.75)
    return f"; there is {near[0]!r}" if near else ""
