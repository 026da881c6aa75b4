"""What kind of file stands under a name: looked at before any library opens it."""

from __future__ import annotations

import re
from pathlib import Path
from xml.parsers import expat

from siting.disk.paths import VECTOR_SUFFIXES
from siting.errors import SitingError

# The document type stands at the head of XML, and JSON names its kind there.
HEAD_BYTES = 1_000_000
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


def is_esri_grid(path: str) -> bool:
    """Whether a folder is one binary Esri grid: it holds hdr.adf."""
    return not is_remote(path) and (Path(path) / "hdr.adf").is_file()


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
    head = head_of(place, key)
    if suffix in (".geojson", ".json", ".kml") and place.stat().st_size > _MOST_TEXT_BYTES:
        raise SitingError(
            "E-FILE-06",
            f"{path} ({key}) has {place.stat().st_size / 1e6:,.0f} MB of text.",
            rule=f"Text files of shapes have at most {_MOST_TEXT_BYTES / 1e6:,.0f} MB.",
            cure="Save it as a GeoPackage, of which only the part needed is read.",
        )
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    # By the first bytes: a name is a promise, and a wrong one leads the library to another driver.
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
            # Read to the end once: the map library would take the first half of a torn file without
            # a word.
            expat.ParserCreate().ParseFile(stream)
    except (expat.ExpatError, LookupError, ValueError) as error:
        raise SitingError(
            "E-FILE-02",
            f"{path} ({key}) is incomplete: {error}.",
            rule="An XML file must be well formed from beginning to end.",
            cure="Copy or download it again.",
        ) from error


def head_of(path: Path, key: str) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(HEAD_BYTES)
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
    head = head_of(place, key)[:4096]
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
    data = head_of(path, key)
    if len(data) == HEAD_BYTES:
        raise SitingError(
            "E-FILE-06",
            f"{path} ({key}) has more than {HEAD_BYTES:,} bytes.",
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
