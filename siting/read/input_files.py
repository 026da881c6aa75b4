"""Paths of the inputs, and what kind of file stands there, before any library opens it.

Libraries that read maps recognise a file by its content, whatever its name, and some kinds point
to other files, unpack archives or call the network. So the content is looked at first.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from pathlib import Path
from xml.parsers import expat

from siting.disk.paths import VECTOR_SUFFIXES
from siting.errors import SitingError
from siting.settings.given.rasters import RasterInput
from siting.settings.inputs import Inputs

_HEAD_BYTES = 1_000_000
_MOST_TEXT_BYTES = 200_000_000
# An XML document type can define entities that unfold to gigabytes or read other files.
_DOCTYPE = re.compile(rb"<!\s*(DOCTYPE|ENTITY)", re.IGNORECASE)
_ARCHIVES = (b"PK\x03\x04", b"\x1f\x8b", b"7z\xbc\xaf", b"Rar!")
# The old form of GeoJSON could name its system by a link, which the map library follows.
_LINKED_SYSTEM = re.compile(
    rb'"crs"\s*:\s*\{[^{}]*(\{[^{}]*\})?[^{}]*"type"\s*:\s*"(link|url)"', re.IGNORECASE
)
_ALGORITHM = re.compile(rb'"type"\s*:\s*"gdal', re.IGNORECASE)


def is_remote(path: str) -> bool:
    """True for an address on the network or a virtual path of the library."""
    return "://" in path or path.startswith("/vsi")


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
    paths = list(dict.fromkeys(paths))
    return paths[0] if len(paths) == 1 else tuple(paths)


def _is_tile_folder(path: str) -> bool:
    return not is_remote(path) and Path(path).is_dir() and not is_esri_grid(path)


def is_esri_grid(path: str) -> bool:
    """Whether a folder is one binary Esri grid: it holds hdr.adf."""
    return not is_remote(path) and (Path(path) / "hdr.adf").is_file()


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
    plain = {unicodedata.normalize("NFC", name).casefold(): name for name in names}
    same = plain.get(unicodedata.normalize("NFC", path.name).casefold())
    near = [same] if same else difflib.get_close_matches(path.name, names, n=1, cutoff=0.75)
    return f"; there is {near[0]!r}" if near else ""


def check_vector_file(path: str, *, key: str) -> None:
    """E-FILE-04 or E-FILE-02 when a file is not the kind of vector file its name says.

    A GeoPackage, shapefile, GeoJSON, KML or FlatGeobuf is known by its first bytes. Files that
    would point to other files or run something are refused.
    """
    place = Path(path)
    suffix = place.suffix.lower()
    if suffix not in VECTOR_SUFFIXES or place.is_dir():
        kind = "a folder" if place.is_dir() else f"a file of kind {suffix or '(no ending)'}"
        raise SitingError(
            "E-FILE-04",
            f"{path} ({key}) is {kind}.",
            rule=f"Vector files end in {', '.join(VECTOR_SUFFIXES)}.",
            cure="Unpack it if it is an archive, or save the layer as a GeoPackage or GeoJSON.",
        )
    head = _head(place, key)
    if suffix in (".geojson", ".json", ".kml") and place.stat().st_size > _MOST_TEXT_BYTES:
        raise SitingError(
            "E-FILE-06",
            f"{path} ({key}) has {place.stat().st_size / 1e6:,.0f} MB of text.",
            rule=f"Text files of shapes have at most {_MOST_TEXT_BYTES / 1e6:,.0f} MB.",
            cure="Save it as a GeoPackage, of which only the part needed is read.",
        )
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    expected = {
        ".gpkg": head.startswith(b"SQLite format 3\0"),
        ".shp": head.startswith(b"\x00\x00\x27\x0a"),
        ".fgb": head.startswith(b"fgb\x03"),
        ".kml": text.startswith(b"<") and b"<kml" in head,
    }
    if not expected.get(suffix, text.startswith(b"{") and not _ALGORITHM.search(head)):
        raise SitingError(
            "E-FILE-02",
            f"{path} ({key}) does not match its ending {suffix}"
            f"{'; it is empty' if not head else ''}.",
            rule="A file's content must match its ending and be complete.",
            cure="Check the file with a viewer; save it again as GeoPackage or GeoJSON.",
        )
    if suffix == ".kml":
        _check_xml(place, head, key)
    if suffix in (".geojson", ".json") and _LINKED_SYSTEM.search(place.read_bytes()):
        raise SitingError(
            "E-FILE-04",
            f"{path} ({key}) names its coordinate system by an address.",
            rule="Everything must be in the file you name; nothing is downloaded.",
            cure="Save the file again with its coordinates in longitude and latitude (WGS 84).",
        )


def _check_xml(path: Path, head: bytes, key: str) -> None:
    """E-FILE-04 for definitions that unfold, E-FILE-02 for XML that is not whole.

    The map library takes what it gets of a file that was cut short, and half an outline with it.
    """
    if _DOCTYPE.search(head):
        raise SitingError(
            "E-FILE-04",
            f"{path} ({key}) defines a document type.",
            rule="A KML file does not need one, and such definitions can expand to gigabytes.",
            cure="Save the file again with a mapping program.",
        )
    try:
        with path.open("rb") as stream:
            expat.ParserCreate().ParseFile(stream)
    except (expat.ExpatError, LookupError, ValueError) as error:
        raise SitingError(
            "E-FILE-02",
            f"{path} ({key}) is incomplete: {error}.",
            rule="An XML file must be well formed from beginning to end.",
            cure="Copy or download it again.",
        ) from error


def _head(path: Path, key: str) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(_HEAD_BYTES)
    except PermissionError as error:
        raise SitingError(
            "E-FILE-03",
            f"{path} ({key}) cannot be read: {error.strerror}.",
            rule="Every file of the inputs must be readable.",
            cure="Ask its owner for read access.",
        ) from error
    except OSError as error:
        raise SitingError(
            "E-FILE-02",
            f"{path} ({key}) cannot be read: {error.strerror}.",
            rule="An input file must be complete.",
            cure="Copy or download it again.",
        ) from error


def check_raster_file(path: str, *, key: str) -> None:
    """E-FILE-04 for rasters that only point to other files; E-FILE-02 for empty ones."""
    place = Path(path)
    if is_esri_grid(path):
        return
    head = _head(place, key)[:4096]
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith((b"<VRT", b"<GDAL_WMS", b"<WMS", b"<WCS", b"<OGR")) or (
        place.suffix.lower() == ".vrt"
    ):
        raise SitingError(
            "E-FILE-04",
            f"{path} ({key}) is a virtual raster: it only points to other files.",
            rule="Everything must be in the file you name; a virtual raster may point anywhere.",
            cure="Convert it to one file, for instance with gdal_translate.",
        )
    if head.startswith(_ARCHIVES):
        raise SitingError(
            "E-FILE-04",
            f"{path} ({key}) is an archive.",
            rule="Archives are not unpacked.",
            cure="Unpack it and name the raster inside.",
        )
    if not head:
        raise SitingError(
            "E-FILE-02",
            f"{path} ({key}) is empty.",
            rule="The raster must be complete.",
            cure="Copy or download it again.",
        )


TIFF_HEADS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def starts_like(path: Path, heads: tuple[bytes, ...]) -> bool:
    """Whether a file begins with one of these bytes; False for what cannot be read."""
    try:
        with path.open("rb") as stream:
            return stream.read(max(map(len, heads))).startswith(heads)
    except OSError:
        return False


def check_mask(path: str, *, key: str) -> None:
    """E-FILE-04 when the mask beside a raster (.msk) is no TIFF: it may point to any file."""
    beside = Path(path + ".msk")
    if beside.exists() and not starts_like(beside, TIFF_HEADS):
        raise SitingError(
            "E-FILE-04",
            f"{beside} (mask of {key}) is not a TIFF.",
            rule="A file beside a raster must hold cells; one of another kind may point anywhere.",
            cure="Delete it, or make the mask again.",
        )


def read_text(path: Path, *, key: str) -> str:
    """The text of a small UTF-8 file; E-FILE-02, E-FILE-03 or E-FILE-06 when it is none."""
    data = _head(path, key)
    if len(data) == _HEAD_BYTES:
        raise SitingError(
            "E-FILE-06",
            f"{path} ({key}) has more than {_HEAD_BYTES:,} bytes.",
            rule="It is a small text file.",
            cure="Check that this is the right file.",
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SitingError(
            "E-FILE-02",
            f"{path} ({key}) is not valid UTF-8: byte {error.start} is {data[error.start]:#04x}.",
            rule="It must be a text file in UTF-8.",
            cure="Save it again in UTF-8.",
        ) from error
