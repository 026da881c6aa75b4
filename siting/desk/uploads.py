"""Files dropped onto the desk: recognised by their first bytes, unpacked with care, read as shapes.

This runs in the worker only: the server never opens a file from outside with a map library.
"""

from __future__ import annotations

import secrets
import stat
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.desk.storage.land import DECIMALS, Shape, corners_of
from siting.disk.files import write_atomic
from siting.errors import SitingError
from siting.read import library
from siting.read.vector.sketch_file import SHAPES, is_sketch, read_sketch, sketch_frame

if TYPE_CHECKING:
    import geopandas as gpd

# An archive of 194 kB said it held 200 MB, 1,028 times as much (tried): entries, bytes and ratio
# have a limit each.
_MOST_ENTRIES, _MOST_UNPACKED, _MOST_RATIO = 20, 200_000_000, 100
_SHAPEFILE = (".shp", ".shx", ".dbf", ".prj", ".cpg")
_MOST_FEATURES = 500
_DRIVERS = {".geojson": "GeoJSON", ".kml": "LIBKML", ".gpkg": "GPKG", ".shp": "ESRI Shapefile"}
_RULE = "The desk reads GeoJSON, KML, KMZ, GPX, a zipped shapefile, a GeoPackage and sketch files."


def shapes_in(file: Path, name: str) -> dict[str, Any]:
    """What a dropped file holds: {"kind": "sketch" or "shapes", "shapes": [...], ...}.

    Shapes are plain values as the page has them (see `Shape.as_data`), of layer "parcel" for areas
    and "trails" for lines unless it is a sketch; `label` names each.

    Raises
    ------
    SitingError
        E-DESK-02 when it is none of the formats, E-DESK-03 when it is larger than allowed.
    """
    if is_sketch(str(file)) or _says_sketch(file):
        return _sketch(file)
    with tempfile.TemporaryDirectory() as folder:
        frame = _frame(_opened(file, Path(folder)), name)
    frame = frame[~frame.geometry.is_empty & frame.geometry.notna()]
    if len(frame) > _MOST_FEATURES:
        raise _too_large(name, f"{len(frame):,} shapes; at most {_MOST_FEATURES} are taken")
    shapes = [row for number in range(len(frame)) for row in _rows(frame, number)]
    return {"kind": "shapes", "shapes": shapes, "answers": {}, "made_for": ""}


def _says_sketch(file: Path) -> bool:
    with file.open("rb") as stream:
        head = stream.read(4096)
    return b'"siting sketch ' in head


def _sketch(file: Path) -> dict[str, Any]:
    sketch = read_sketch(str(file))
    shapes: list[dict[str, Any]] = []
    for layer in SHAPES:
        frame = sketch_frame(sketch, layer, file=file.name)
        for number, geometry in enumerate(frame.geometry):
            row = frame.iloc[number]
            more = {"use": row["use"], "road_class": row["class"], "reason": row["reason"]}
            shapes += [
                _shape(part, layer, row["name"], via="sketch", said_by=sketch.said_by, **more)
                for part in shapely.get_parts(geometry)
            ]
    answers = {k: v for k, v in sketch.answers.items() if k in SHAPES and v != "marked"}
    return {
        "kind": "sketch",
        "shapes": shapes,
        "answers": answers,
        "made_for": sketch.made_for,
        "note": sketch.note,
    }


def _shape(part: Geometry, layer: str, name: str, **more: str) -> dict[str, Any]:
    kind, corners = corners_of(part)
    rounded = tuple((round(x, DECIMALS), round(y, DECIMALS)) for x, y in corners)
    shape = Shape(secrets.token_hex(8), layer, kind, rounded, name=name, **more)
    return shape.as_data()


def _rows(frame: gpd.GeoDataFrame, number: int) -> Iterator[dict[str, Any]]:
    """The parts of one feature; holes of an area come as places to leave alone."""
    geometry = frame.geometry.iloc[number]
    label = _label(frame, number)
    for part in shapely.get_parts(geometry):
        if part.geom_type == "Polygon":
            yield {**_shape(part, "parcel", label, via="file"), "label": label}
            for ring in part.interiors:
                hole = shapely.Polygon(ring)
                yield _shape(hole, "no_go", "", via="file", reason="not part of the land")
        elif part.geom_type == "LineString":
            yield {**_shape(part, "trails", label, via="file"), "label": label}


def _label(frame: gpd.GeoDataFrame, number: int) -> str:
    lower = {str(column).lower(): column for column in frame.columns}
    for name in ("label", "name", "id"):
        if name in lower:
            value = frame.iloc[number][lower[name]]
            if value is not None and str(value).strip() and str(value) != "nan":
                return str(value).strip()[:200]
    return ""


# --- opening -----------------------------------------------------------------------------------


def _opened(file: Path, folder: Path) -> Path:
    """The file under a name that says what its first bytes say; an archive unpacked."""
    with file.open("rb") as stream:
        head = stream.read(4096)
    if head.startswith(b"PK\3\4"):
        return _unpacked(file, folder)
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if head.startswith(b"SQLite format 3\0"):
        ending = ".gpkg"
    elif text.startswith(b"{"):
        ending = ".geojson"
    elif b"<kml" in head:
        ending = ".kml"
    elif b"<gpx" in head:
        ending = ".gpx"
    else:
        raise _not_known(file.name)
    target = folder / f"file{ending}"
    write_atomic(target, file.read_bytes())
    return target


def _unpacked(file: Path, folder: Path) -> Path:
    """The shapefile or KML of an archive, written under names of our own, never by its names."""
    try:
        with zipfile.ZipFile(file) as archive:
            entries = archive.infolist()
            if len(entries) > _MOST_ENTRIES:
                raise _too_large(file.name, f"{len(entries):,} files inside")
            wanted = [
                e for e in entries if Path(e.filename).suffix.lower() in (*_SHAPEFILE, ".kml")
            ]
            for entry in wanted:
                # A link in an archive could lead out of the folder.
                if stat.S_ISLNK(entry.external_attr >> 16):
                    raise _not_known(file.name)
                _unpack_one(archive, entry, folder, file.name)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, ValueError) as error:
        raise _not_known(file.name) from error
    for ending in (".shp", ".kml"):
        if (folder / f"file{ending}").exists():
            return folder / f"file{ending}"
    raise _not_known(file.name)


def _unpack_one(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, folder: Path, name: str) -> None:
    """One entry, counted as it is unpacked: what its header says of its size may be a lie."""
    allowed = min(_MOST_UNPACKED, _MOST_RATIO * max(entry.compress_size, 1) + 100_000)
    target = folder / f"file{Path(entry.filename).suffix.lower()}"
    done = sum(path.stat().st_size for path in folder.iterdir())
    pieces, size = [], 0
    with archive.open(entry) as source:
        while piece := source.read(1 << 16):
            size += len(piece)
            if size > allowed or done + size > _MOST_UNPACKED:
                raise _too_large(name, "more inside than its size allows")
            pieces.append(piece)
    write_atomic(target, b"".join(pieces))


def _frame(path: Path, name: str) -> gpd.GeoDataFrame:
    """The shapes of a file in degrees."""
    import geopandas as gpd
    import pyogrio

    if path.suffix == ".gpx":
        return _gpx(path, name)
    library.set_for_vectors(remote=False)
    try:
        layers = pyogrio.list_layers(path)
        info = pyogrio.read_info(path, layer=layers[0][0])
        expected = (
            {_DRIVERS[path.suffix], "KML"} if path.suffix == ".kml" else {_DRIVERS[path.suffix]}
        )
        # Another format may carry the mark of this one in a comment and pass the look at its first
        # bytes: only the driver that opened it says what it is.
        if info["driver"] not in expected:
            raise _not_known(name)
        frames = [pyogrio.read_dataframe(path, layer=one[0], force_2d=True) for one in layers]
    except SitingError:
        raise
    except Exception as error:  # a library's own words help nobody here
        raise _not_known(name) from error
    drawn = [frame for frame in frames if isinstance(frame, gpd.GeoDataFrame) and len(frame)]
    if not drawn:
        raise _not_known(name)
    if any(frame.crs is None for frame in drawn):
        raise SitingError(
            "E-CRS-01",
            f"{name} has no coordinate system.",
            rule="Shapes need one to be put on the map.",
            cure="Export it again in WGS 84 (longitude, latitude), or add its .prj file.",
        )
    return gpd.pd.concat([frame.to_crs("EPSG:4326") for frame in drawn], ignore_index=True)


def _gpx(path: Path, name: str) -> gpd.GeoDataFrame:
    """Tracks and routes of a GPX file; a track that ends where it began is an outline."""
    import geopandas as gpd

    # Not the map library: an entity in the text must not lead to another file.
    from defusedxml.ElementTree import parse

    try:
        root = parse(path).getroot()
    except Exception as error:
        raise _not_known(name) from error
    shapes, names = [], []
    for track in root.iter():
        if track.tag.rpartition("}")[2] not in ("trkseg", "rte"):
            continue
        points = [p for p in track if p.tag.rpartition("}")[2] in ("trkpt", "rtept")]
        xy = [(float(p.get("lon", "nan")), float(p.get("lat", "nan"))) for p in points]
        if len(xy) >= 2:
            shapes.append(_closed(xy))
            names.append("")
    if not shapes:
        raise _not_known(name)
    return gpd.GeoDataFrame({"name": names}, geometry=shapes, crs="EPSG:4326")


def _closed(xy: list[tuple[float, float]]) -> Geometry:
    (west, south), (east, north) = xy[0], xy[-1]
    # About 50 m: a walk round the land does not end on the very spot where it began.
    near = abs(west - east) < 0.0005 and abs(south - north) < 0.0005
    return shapely.Polygon(xy) if near and len(xy) >= 4 else shapely.LineString(xy)


def _not_known(name: str) -> SitingError:
    return SitingError(
        "E-DESK-02",
        f"{name} is not an outline file that can be read.",
        rule=_RULE,
        cure="Export the outline again in one of these.",
    )


def _too_large(name: str, said: str) -> SitingError:
    return SitingError(
        "E-DESK-03",
        f"{name} has {said}.",
        rule="A dropped file holds the land of a few sign-ups.",
        cure="Cut it down to these, or add them one by one.",
    )


def table_rows(text: str) -> list[dict[str, str]]:
    """Sign-ups of a pasted table: tabs, semicolons or commas, names of columns in the first row."""
    import csv
    import io

    sample = text[:4096]
    mark = max("\t;,", key=sample.split("\n", 1)[0].count)
    rows = csv.DictReader(io.StringIO(text), delimiter=mark)
    return [
        {str(k).strip().lower(): str(v or "").strip() for k, v in row.items() if k is not None}
        for row in rows
    ]
