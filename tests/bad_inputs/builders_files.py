"""Faults of files and of paths."""

from __future__ import annotations

import os
import shutil
import sqlite3
import struct
import unicodedata
import zipfile
from pathlib import Path

import numpy as np
import pyogrio
import rasterio
from shapely.affinity import translate

from tests.bad_inputs.land import (
    CRS,
    LEFT,
    SIZE,
    TOP,
    Land,
    builder,
    codes,
    frame,
    geojson,
    raster,
    relief,
    to_lonlat,
)

VRT = """<VRTDataset rasterXSize="{n}" rasterYSize="{n}"><SRS>{crs}</SRS>
<GeoTransform>{left}, 5, 0, {top}, 0, -5</GeoTransform><VRTRasterBand dataType="Float32" band="1">
<SimpleSource><SourceFilename relativeToVRT="1">{source}</SourceFilename><SourceBand>1</SourceBand>
</SimpleSource></VRTRasterBand></VRTDataset>"""
OGR_VRT = """<OGRVRTDataSource><OGRVRTLayer name="parcel"><SrcDataSource>{source}</SrcDataSource>
</OGRVRTLayer></OGRVRTDataSource>"""
KML = """<?xml version="1.0" encoding="UTF-8"?>{doctype}
<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>{name}</name><Polygon>
<outerBoundaryIs><LinearRing><coordinates>{ring}</coordinates></LinearRing></outerBoundaryIs>
</Polygon></Placemark></Document></kml>"""
_LEVELS = "".join(f'<!ENTITY a{n} "{10 * f"&a{n - 1};"}">' for n in range(1, 9))
BOMB = f'<!DOCTYPE b [<!ENTITY a0 "{1000 * chr(120)}">{_LEVELS}]>'


def _parcel_file(land: Land, name: str, data: bytes | str) -> Land:
    path = land.folder / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return land.set("parcel.file", name)


def _parcel_shapefile(land: Land) -> Path:
    pyogrio.write_dataframe(frame(land.outline, label=["Lot"]), land.folder / "lot.shp")
    land.set("parcel.file", "lot.shp")
    return land.folder / "lot.shp"


@builder
def file_dem(land: Land, kind: str) -> Land:
    """Something else where the DEM should be."""
    path = land.folder / "dem.tif"
    data = path.read_bytes()
    path.unlink()
    if kind == "empty":
        path.write_bytes(b"")
    elif kind == "folder":
        path.mkdir()
    elif kind == "text":
        path.write_text("These are no heights.\n" * 40)
    elif kind == "cut in the header":
        path.write_bytes(data[:100])
    elif kind == "cut in the data":
        path.write_bytes(data[: len(data) // 2])
    elif kind == "link to nothing":
        path.symlink_to("gone.tif")
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "vectors":
        frame(land.outline).to_file(land.folder / "dem.gpkg")
        land.set("dem.file", "dem.gpkg")
    elif kind == "five empty gigabytes":
        with path.open("wb") as stream:
            stream.truncate(5 * 2**30)
    return land


@builder
def file_far(land: Land, kind: str) -> Land:
    """A coarser DEM for the skyline that is not what it should be."""
    path = land.folder / "far.tif"
    land.set("dem.far", path.name)
    if kind == "missing":
        return land
    wide = relief(cell_m=30.0, rows=40, cols=40)
    where = {"left": land.left - 450.0, "top": land.top + 450.0, "cell_m": 30.0}
    if kind == "elsewhere":
        where["left"] += 200_000.0
    elif kind == "without heights":
        wide = np.full_like(wide, -9999.0)
    raster(path, wide, **where, **({"crs": None} if kind == "without a system" else {}))
    if kind == "text":
        path.write_text("These are no heights.\n" * 40)
    elif kind == "cut in the data":
        path.write_bytes(path.read_bytes()[:3000])
    elif kind == "folder":
        path.unlink()
        path.mkdir()
    return land


@builder
def file_notice(land: Land, _: str) -> Land:
    """A name inside the file that is no UTF-8: the library's notice of it cannot be read."""
    path = land.folder / "dem.tif"
    path.write_bytes(path.read_bytes().replace(b"<GDALMetadata", b"<GDALM\xfftadata"))
    return land


@builder
def file_many_bands(land: Land, count: str) -> Land:
    """A head that tells of far more bands than there are: the tag of samples to a pixel."""
    land.cover(codes(), compress="lzw", nodata=0)
    path = land.folder / "cover.tif"
    path.write_bytes(with_tag(path.read_bytes(), 277, value=int(count)))
    return land


def with_tag(data: bytes, tag: int, **change: int) -> bytes:
    """A little-endian TIFF with the kind or the (short) value of a tag changed."""
    out = bytearray(data)
    (at,) = struct.unpack_from("<I", out, 4)
    (entries,) = struct.unpack_from("<H", out, at)
    for entry in range(at + 2, at + 2 + 12 * entries, 12):
        if struct.unpack_from("<H", out, entry)[0] == tag:
            for name, number in change.items():
                struct.pack_into("<H", out, entry + {"kind": 2, "value": 8}[name], number)
    return bytes(out)


@builder
def file_system_no_text(land: Land, _: str) -> Land:
    """One point on the map and no size of cells, and the system's name is no UTF-8."""
    land.cover(codes(), compress="lzw", nodata=0)
    path = land.folder / "cover.tif"
    data = path.read_bytes().replace(b"WGS 84|", b"WGS 8\xb4|")
    # The number of the system (key 3072) is lost, and its name told to be longer than it is.
    for before, after in (((3072, 0, 1, 32617), (3104, 0, 1, 32617)),
                          ((1026, 34737, 22, 0), (1026, 34737, 278, 0))):  # fmt: skip
        data = data.replace(struct.pack("<4H", *before), struct.pack("<4H", *after))
    path.write_bytes(with_tag(data, 33550, kind=16396))
    return land


@builder
def file_suffix(land: Land, text: str) -> Land:
    """A sound file under the suffix of another kind: "NAME NEW_NAME KEY"."""
    name, other, key = text.split()
    (land.folder / name).rename(land.folder / other)
    return land.set(key, other)


@builder
def file_zipped(land: Land, which: str) -> Land:
    """A file packed into an archive."""
    name = {"dem": "dem.tif", "parcel": "parcel.gpkg"}[which]
    with zipfile.ZipFile(land.folder / f"{name}.zip", "w") as archive:
        archive.write(land.folder / name, name)
    return land.set(f"{which}.file", f"{name}.zip")


@builder
def file_not_readable(land: Land, which: str) -> Land:
    names = {"dem": "dem.tif", "parcel": "parcel.gpkg", "inputs": "inputs.toml"}
    land.unreadable = land.folder / names[which]
    return land


@builder
def file_locked(land: Land, _: str) -> Land:
    """A GeoPackage that another program is writing to."""
    land.lock = sqlite3.connect(land.folder / "parcel.gpkg", isolation_level=None)
    land.lock.execute("begin exclusive")
    return land


@builder
def file_shapefile_without(land: Land, suffix: str) -> Land:
    path = _parcel_shapefile(land)
    path.with_suffix(suffix).unlink()
    return land


@builder
def file_layers(land: Land, text: str) -> Land:
    """A GeoPackage with so many layers, one of them named: "COUNT" or "COUNT LAYER"."""
    count, _, asked = text.partition(" ")
    path = land.folder / "many.gpkg"
    pyogrio.write_dataframe(frame(land.outline), path, layer="layer1")
    for n in range(2, int(count) + 1):
        pyogrio.write_dataframe(frame(land.outline), path, layer=f"layer{n}")
    if count == "0":
        with sqlite3.connect(path) as store:
            for table in ("gpkg_contents", "gpkg_geometry_columns", "gpkg_ogr_contents"):
                store.execute(f"delete from {table}")
            store.execute("drop table layer1")
        store.close()
    return land.set("parcel.file", f"many.gpkg::{asked}" if asked else "many.gpkg")


@builder
def file_journal_left(land: Land, _: str) -> Land:
    """What an interrupted writer left beside the GeoPackage, good for nothing."""
    (land.folder / "parcel.gpkg-journal").write_bytes(b"\0" * 512)
    return land


@builder
def file_vrt(land: Land, kind: str) -> Land:
    """A virtual raster that points to a file, to nothing, to itself, or hides its kind."""
    name = "dem_virtual.tif" if kind == "hidden" else "dem.vrt"
    source = {"missing": "gone.tif", "itself": "dem.vrt"}.get(kind, "dem.tif")
    text = VRT.format(n=SIZE, crs=CRS, left=LEFT, top=TOP, source=source)
    (land.folder / name).write_text(text)
    return land.set("dem.file", name)


@builder
def file_vector_vrt(land: Land, name: str) -> Land:
    """A virtual layer under another name; it may point anywhere."""
    return _parcel_file(land, name, OGR_VRT.format(source=land.folder / "parcel.gpkg"))


@builder
def file_bomb_beside(land: Land, _: str) -> Land:
    """Definitions that unfold to gigabytes, beside the raster where its statistics are kept."""
    text = f'<?xml version="1.0"?>{BOMB}<PAMDataset><Metadata><MDI key="a">&a8;</MDI></Metadata>'
    (land.folder / "dem.tif.aux.xml").write_text(text + "</PAMDataset>")
    return land


@builder
def file_kml(land: Land, kind: str) -> Land:
    ring = " ".join(f"{x:.9f},{y:.9f}" for x, y in to_lonlat(land.outline).exterior.coords)
    if kind == "bomb":
        return _parcel_file(land, "lot.kml", KML.format(doctype=BOMB, name="&a8;", ring=ring))
    text = KML.format(doctype="", name="Lot", ring=ring)
    return _parcel_file(land, "lot.kml", text[:-40] if kind == "cut" else text)


@builder
def file_named(land: Land, text: str) -> Land:
    """A parcel file under another name: the name as it stands in the inputs."""
    return land.set("parcel.file", text)


@builder
def file_other_normal_form(land: Land, _: str) -> Land:
    """The same letters written as one sign in the inputs and as two in the folder."""
    name = "H\u00f6fe.gpkg"
    shutil.copy(land.folder / "parcel.gpkg", land.folder / unicodedata.normalize("NFD", name))
    return land.set("parcel.file", name)


@builder
def file_parcel(land: Land, kind: str) -> Land:
    """Something else where the parcel should be."""
    package = (land.folder / "parcel.gpkg").read_bytes()
    whole = geojson(land.folder / "whole.geojson", to_lonlat(land.outline)).read_text()
    table = land.folder / "table.gpkg"
    if kind == "table":
        import pandas as pd

        pyogrio.write_dataframe(pd.DataFrame({"owner": ["A"]}), table, layer="owners")
        return land.set("parcel.file", "table.gpkg")
    name, data = {
        "package cut": ("cut.gpkg", package[: len(package) // 2]),
        "package of noise": ("noise.gpkg", package[:100] + os.urandom(0) + b"\xa5" * 9000),
        "JSON cut": ("cut.geojson", whole[: len(whole) // 2].encode()),
        "JSON of another kind": ("list.geojson", b'{"type": "Topology", "objects": 7}'),
        "JSON number": ("number.geojson", b"17"),
        "JSON nested deeply": ("deep.geojson", b'{"a":' * 100_000 + b"1" + b"}" * 100_000),
        "steps to run": ("steps.json", b'{"type": "gdal_streamed_alg", "command_line": '
                         b'"gdal vector pipeline ! read parcel.gpkg"}'),
        "text": ("lot.txt", b"a lot\n"),
    }[kind]  # fmt: skip
    return _parcel_file(land, name, data)


@builder
def file_one_huge_piece(land: Land, _: str) -> Land:
    """A small file that unfolds to one piece of 10 GB: every cell of it lies in one strip."""
    n = 50_000
    path = land.folder / "dem.tif"
    path.unlink()
    with rasterio.open(
        path, "w", driver="GTiff", width=n, height=n, count=1, dtype="float32", crs=CRS,
        transform=rasterio.Affine(5, 0, LEFT - 1000, 0, -5, TOP + 1000), blockysize=n,
        compress="deflate", SPARSE_OK="TRUE", BIGTIFF="YES",
    ):  # fmt: skip
        pass
    return land


@builder
def path_with(land: Land, name: str) -> Land:
    """A parcel file with a name that trips programs; a package unless the name says otherwise."""
    if name.endswith(".geojson"):
        geojson(land.folder / name, to_lonlat(land.outline))
        return land.set("parcel.file", name)
    if name == "200 letters":
        name = "p" * 200
    shutil.copy(land.folder / "parcel.gpkg", land.folder / f"{name}.gpkg")
    return land.set("parcel.file", f"{name}.gpkg")


@builder
def path_of_rasters(land: Land, name: str) -> Land:
    """The rasters under a name that trips programs."""
    for key, file in (("dem", "dem.tif"), ("land_cover", "cover.tif")):
        shutil.copy(land.folder / file, land.folder / f"{name} {file}")
        land.set(f"{key}.file", f"{name} {file}")
    return land


@builder
def path_in_folder(land: Land, name: str) -> Land:
    """All of the land in a folder with a name that trips programs."""
    deep = name == "300 letters deep"
    folder = land.folder.joinpath(*["d" * 60] * 5) if deep else land.folder / name
    folder.mkdir(parents=True)
    for file in ("dem.tif", "cover.tif", "parcel.gpkg"):
        shutil.move(land.folder / file, folder / file)
    for key in ("dem", "parcel", "land_cover"):
        table = land.inputs[key]
        table["file"] = f"{folder.relative_to(land.folder).as_posix()}/{table['file']}"
    return land


@builder
def path_of_parcel(land: Land, text: str) -> Land:
    """A parcel whose identifier would be a path or a reserved name, if it were one."""
    geojson(land.folder / "ids.geojson", to_lonlat(land.outline), properties=[{"id": text}])
    return land.set("parcel.file", "ids.geojson")


@builder
def path_too_long(land: Land, _: str) -> Land:
    return land.set("dem.file", "d" * 300 + ".tif")


@builder
def path_with_nul(land: Land, _: str) -> Land:
    return land.set("dem.file", "dem\0.tif")


@builder
def path_over_the_network(land: Land, text: str) -> Land:
    return land.set("dem.file", text)


@builder
def path_out(land: Land, kind: str) -> Land:
    """An output folder that cannot be used."""
    if kind == "a file":
        (land.folder / "taken").write_text("a letter")
        land.out = str(land.folder / "taken")
    elif kind == "under a file":
        (land.folder / "taken").write_text("a letter")
        land.out = str(land.folder / "taken" / "deeper")
    elif kind == "read-only":
        (land.folder / "shut").mkdir()
        land.unreadable = land.folder / "shut"
        land.out = str(land.folder / "shut" / "out")
    elif kind == "name too long":
        land.out = str(land.folder / ("o" * 300))
    land.writes = True
    return land


@builder
def path_relative(land: Land, _: str) -> Land:
    """Called from another folder: paths of the inputs count from the inputs file."""
    land.working_folder = land.folder / "elsewhere"
    land.working_folder.mkdir()
    return land


@builder
def path_option_relative(land: Land, _: str) -> Land:
    """Paths of the command line count from where the command is given."""
    land.working_folder = land.folder / "elsewhere"
    land.working_folder.mkdir()
    shutil.move(land.folder / "dem.tif", land.working_folder / "other.tif")
    land.options += ["--dem", "other.tif"]
    return land


@builder
def path_two_cases(land: Land, _: str) -> Land:
    """Two parcels whose identifiers differ only in case, and one is asked for."""
    both = [to_lonlat(translate(land.outline, 900)), to_lonlat(land.outline)]
    geojson(land.folder / "ab.geojson", *both, properties=[{"id": "lot a"}, {"id": "Lot A"}])
    return land.set("parcel.file", "ab.geojson").set("parcel.id", "Lot A")
