"""Raster files: opening them, what they say of themselves, and which cells lie under a grid."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from pyproj.exceptions import ProjError

# GDAL's own errors pass through rasterio undressed where a file is damaged.
from rasterio._err import CPLE_BaseError, CPLE_OutOfMemoryError
from rasterio.env import get_gdal_config
from rasterio.errors import NotGeoreferencedWarning, RasterioError, RasterioIOError
from rasterio.io import DatasetReader
from rasterio.windows import Window

from siting.errors import SitingError, memory_error, out_of_memory
from siting.grid import FloatArray, Grid, transformer
from siting.read import library
from siting.read.crs.datum import check_environment
from siting.read.crs.projection import file_crs, metres_per_unit, name_of
from siting.read.file_kinds import TIFF_HEADS, check_mask, check_raster_file, is_remote, starts_like
from siting.read.input_files import RasterPath
from siting.read.raster import tiles
from siting.read.raster.notices import unreadable_notices_ignored
from siting.read.vector import views
from siting.settings.given.rasters import RasterInput

# What may be opened, by GDAL's own driver names; a file that only another driver knows is refused.
DRIVERS = (
    "GTiff", "AAIGrid", "HFA", "GPKG", "ENVI", "EHdr", "SRTMHGT", "JP2OpenJPEG", "USGSDEM", "DTED",
    "SAGA", "GSAG", "GSBG", "AIG",
)  # fmt: skip
# Remote reads follow GDAL's advice for cloud files: no folder listing, few retries.
_REMOTE = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_HTTP_MAX_RETRY": "3",
    "GDAL_HTTP_RETRY_DELAY": "1",
    "GDAL_HTTP_MULTIRANGE": "SERIAL",
}
# Nine such cells are 20 ha: nothing of what is looked for shows in them.
_COARSEST_M = 150.0
_MOST_PIECE_BYTES = 1_000_000_000
_MOST_BANDS = 256  # of a file whose band is not named
_LEAST_EDGE = 1e-9  # of a cell, in the map's own unit; less is a damaged number


@dataclass(frozen=True)
class RasterFacts:
    """What a raster file says of itself, read without its cells."""

    file: str
    crs: str
    transform: Affine
    shape: tuple[int, int]
    dtype: str
    no_data: float | None
    unit: str
    scale: float
    offset: float
    band: int
    cell_m: float
    north_up: bool


@contextmanager
def opened(
    path: RasterPath,
    *,
    key: str,
    spec: RasterInput | None = None,
    allow_remote: bool = False,
    keep: bool = False,
) -> Iterator[DatasetReader]:
    """An open raster, or the tiles of one joined; every failure is told as a `SitingError`.

    Only the formats of `DRIVERS` are opened; virtual rasters (VRT), which may point anywhere,
    only when remote files are allowed. `spec` says which coordinate system tiles without one have.
    With `keep` the raster stays open after the context, until nothing holds it any more.
    """
    if isinstance(path, str):
        with _opened(path, key=key, allow_remote=allow_remote, keep=keep) as dataset:
            yield dataset
        return

    given = spec if spec is not None else RasterInput(file=path)

    def tile(one: str) -> tiles.Tile:
        with _opened(one, key=key, allow_remote=allow_remote) as dataset:
            return tiles.tile_of(dataset, given, path=one, key=key)

    text = tiles.joined(path, given, key=key, open_tile=tile)
    with _opened(text, key=key, allow_remote=allow_remote, ours=given.label, keep=keep) as dataset:
        yield dataset


@contextmanager
def _opened(
    path: str, *, key: str, allow_remote: bool, ours: str = "", keep: bool = False
) -> Iterator[DatasetReader]:
    """One open file, or a joined raster of ours (its name to show in `ours`)."""
    check_environment()
    library.check_unset(_setting)
    remote = not ours and is_remote(path)
    # Named one by one: some of the library's many drivers run programs or ask the network.
    drivers = ["VRT"] if ours else [*DRIVERS, "VRT"] if allow_remote else list(DRIVERS)
    if not ours and not remote and not allow_remote:
        check_raster_file(path, key=key)
        check_mask(path, key=key)
        if starts_like(Path(path), (b"SQLite format 3",)):
            views.check_tiles(path, key=key)
    shown = ours or path
    try:
        with (
            rasterio.Env(**library.for_rasters(remote=_REMOTE if remote else None)),
            warnings.catch_warnings(),
            unreadable_notices_ignored(),
        ):
            # Told as E-GEO-01 or E-CRS-01 by `describe`, in words a user can act on.
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            # Reduced copies are used by `overviews` alone, which looks at them first.
            dataset = DatasetReader(path, driver=drivers, OVERVIEW_LEVEL="NONE")
            with nullcontext() if keep else dataset:
                yield dataset
    except PermissionError as error:
        raise _unreadable(shown, key, str(error), code="E-FILE-03") from error
    except UnicodeDecodeError as error:
        raise _unreadable(shown, key, "a text in it is no UTF-8", code="E-FILE-02") from error
    except (RasterioIOError, RasterioError, ProjError, CPLE_BaseError, MemoryError) as error:
        if isinstance(error, CPLE_OutOfMemoryError) or out_of_memory(error):
            text = f"{shown} ({key}) cannot be read: the machine has no more memory."
            raise memory_error(text) from error
        denied = "ermission denied" in str(error)
        code = "E-FILE-03" if denied else "E-FILE-02"
        raise _unreadable(shown, key, str(error), code=code) from error


def _setting(name: str) -> object:
    return get_gdal_config(name, normalize=False)


def is_plain_overview(path: str, dataset: DatasetReader) -> bool:
    """Whether the reduced copies of a raster lie in it or in a TIFF beside it, and nowhere else."""
    if "OVERVIEW_FILE" in dataset.tags(ns="OVERVIEWS"):
        return False
    beside = Path(path + ".ovr")
    return not beside.exists() or starts_like(beside, TIFF_HEADS)


def _unreadable(path: str, key: str, why: str, *, code: str) -> SitingError:
    first = why.splitlines()[0][:200].rstrip(".") if why else "no reason given"
    return SitingError(
        code,
        f"{path} ({key}) cannot be read as a raster: {first}.",
        rule=f"A raster must be complete and in a known format ({', '.join(DRIVERS[:4])} ...).",
        cure="Check the file with a viewer and copy or download it again.",
    )


def describe(dataset: DatasetReader, spec: RasterInput, *, key: str) -> RasterFacts:
    """The facts of an open raster, checked: position, system, band, number type, cell size."""
    file = spec.label
    if dataset.width < 3 or dataset.height < 3:
        raise SitingError(
            "E-GEO-03",
            f"{file} has {dataset.height} x {dataset.width} cells.",
            rule="A raster needs at least 3 x 3 cells; slope needs all eight neighbours.",
            cure="Use a raster that covers the parcel and ground around it.",
        )
    transform = _position(dataset, file)
    crs = file_crs(dataset.crs, file=file, asserted=spec.crs, key=f"{key}.crs")
    _check_degrees(dataset, transform, crs, file)
    band = _band(dataset, spec.band, file, key)
    dtype = dataset.dtypes[band - 1]
    if dtype.startswith("complex"):
        raise SitingError(
            "E-VALUE-01",
            f"{file} holds {dtype} numbers.",
            rule="Cells must be whole or decimal numbers.",
            cure="Save the real part, or use the right file.",
        )
    _check_pieces(dataset, band, file)
    cell_m = _cell_metres(transform, crs, dataset.shape)
    if cell_m > _COARSEST_M:
        raise SitingError(
            "E-GEO-04",
            f"{file} has cells of {cell_m:,.0f} m.",
            rule=f"Cells wider than {_COARSEST_M:g} m can hide a whole parcel.",
            cure="Use a finer raster; see docs/data.md.",
        )
    no_data = dataset.nodatavals[band - 1]
    return RasterFacts(
        file,
        crs,
        transform,
        dataset.shape,
        dtype,
        None if no_data is None else float(no_data),
        (dataset.units[band - 1] or "").strip(),
        float(dataset.scales[band - 1]),
        float(dataset.offsets[band - 1]),
        band,
        cell_m,
        transform.b == 0 and transform.d == 0 and transform.a > 0 and transform.e < 0,
    )


def _check_pieces(dataset: DatasetReader, band: int, file: str) -> None:
    """E-FILE-06 when the file is stored in pieces so large that reading one cell needs them all."""
    rows, cols = dataset.block_shapes[band - 1]
    size = rows * cols * np.dtype(dataset.dtypes[band - 1]).itemsize * dataset.count
    if size > _MOST_PIECE_BYTES:
        raise SitingError(
            "E-FILE-06",
            f"{file} is stored in pieces of {rows:,} x {cols:,} cells, {size / 1e9:,.1f} GB each.",
            rule=f"A piece may have {_MOST_PIECE_BYTES / 1e9:g} GB at most; it is read whole.",
            cure="Save it in tiles, for instance as a cloud-optimized GeoTIFF (COG).",
        )


def _position(dataset: DatasetReader, file: str) -> Affine:
    transform: Affine = dataset.transform
    gcps, _ = dataset.gcps
    # Opened without its reduced copies, a raster with control points or a sensor model alone has
    # no sizes of cells.
    placed_otherwise = bool(gcps or dataset.rpcs)
    if not transform.is_identity and not (placed_otherwise and transform.is_degenerate):
        sound = all(math.isfinite(v) for v in transform) and not transform.is_degenerate
        edges = math.hypot(transform.a, transform.d), math.hypot(transform.b, transform.e)
        if not sound or min(edges) < _LEAST_EDGE:
            raise _no_position(file, "its cells have no size")
        return transform
    if placed_otherwise:
        raise SitingError(
            "E-GEO-02",
            f"{file} is placed by {'control points' if gcps else 'a sensor model'} only.",
            rule="Every cell needs a definite place on the map.",
            cure="Warp it to a map first, for instance with gdalwarp.",
        )
    raise _no_position(file, "it has no georeferencing")


def _no_position(file: str, why: str) -> SitingError:
    return SitingError(
        "E-GEO-01",
        f"{file} has no position on the ground: {why}.",
        rule="Every cell needs a definite place on the map.",
        cure="Use the georeferenced file, with its world file beside it if it has one.",
    )


def _check_degrees(dataset: DatasetReader, transform: Affine, crs: str, file: str) -> None:
    """E-CRS-07 when numbers and declared system do not fit: degrees tagged as metres or reverse."""
    corners = [transform @ point for point in ((0, 0), (dataset.width, dataset.height))]
    # Degrees end at 180 (some files count to 360); a map in metres has its corners thousands away.
    far = max(abs(v) for corner in corners for v in corner)
    unit_m = metres_per_unit(crs)
    degrees_as_metres = unit_m is not None and far <= 360 and abs(transform.determinant) < 0.01
    metres_as_degrees = unit_m is None and far > 720
    if degrees_as_metres or metres_as_degrees:
        raise SitingError(
            "E-CRS-07",
            f"{file} declares {name_of(crs)} and has corners at {corners[0][0]:.6g}, "
            f"{corners[0][1]:.6g} and {corners[1][0]:.6g}, {corners[1][1]:.6g}.",
            rule="Coordinates must fit the declared system: "
            + ("these are degrees, not metres." if degrees_as_metres else "these are not degrees."),
            cure="Declare the right coordinate system in the file.",
        )


def _band(dataset: DatasetReader, asked: int, file: str, key: str) -> int:
    if asked and asked <= dataset.count:
        return asked
    # A damaged head may tell of thousands of bands, and each question goes through all of them.
    colours = dataset.colorinterp if dataset.count <= _MOST_BANDS else ()
    data = [number for number, colour in enumerate(colours, start=1) if colour.name != "alpha"]
    if asked or len(data) != 1:
        raise SitingError(
            "E-BAND-01",
            f"{file} has {dataset.count} bands"
            + (f", and band {asked} was asked." if asked else "."),
            rule="The values must be in one band.",
            cure=f"Name it with {key}.band = 1, or use a raster with one band (a picture of the "
            "land is no DEM).",
        )
    return data[0]


def _cell_metres(transform: Affine, crs: str, shape: tuple[int, int]) -> float:
    """Mean edge of a cell at the raster's middle, metres."""
    unit_m = metres_per_unit(crs)
    # The side of a square of the same area, for cells in degrees are no squares on the ground.
    edge = math.sqrt(abs(transform.determinant))
    if unit_m is not None:
        return edge * unit_m
    _, lat = transform @ (shape[1] / 2, shape[0] / 2)
    return edge * 111_132.0 * math.sqrt(max(math.cos(math.radians(lat)), 1e-6))


def cell_metres_at(facts: RasterFacts, easting: float, northing: float, *, crs: str) -> float:
    """Mean edge of a raster's cells on the ground at a place of a metric map, metres.

    Cells in degrees or on a world map have another size at every latitude.
    """
    x, y = transformer(crs, facts.crs).transform(easting, northing)
    if not (math.isfinite(x) and math.isfinite(y)):
        return facts.cell_m
    t = facts.transform
    east, north = transformer(facts.crs, crs).transform(
        [x, x + t.a, x + t.b], [y, y + t.d, y + t.e]
    )
    # By the two sides of a cell there, so that a turned raster has its true size, too.
    area = (east[1] - east[0]) * (north[2] - north[0]) - (east[2] - east[0]) * (north[1] - north[0])
    return math.sqrt(abs(area)) if math.isfinite(area) and area else facts.cell_m


def source_window(facts: RasterFacts, grid: Grid, *, margin: int) -> Window | None:
    """The cells of a raster under a grid, with a margin, as a window; None when there are none."""
    east, north = grid.boundary_points()
    change = transformer(grid.crs, facts.crs)
    x, y = (np.asarray(v) for v in change.transform(east, north))
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        return None
    if metres_per_unit(facts.crs) is not None:
        return _window_of(facts, x, y, margin)
    # Longitudes of one window must not jump at 180 degrees, and some files count from 0 to 360.
    x = x[0] + (x - x[0] + 180.0) % 360.0 - 180.0
    found = (_window_of(facts, x + turn, y, margin) for turn in (0.0, 360.0, -360.0))
    return max((w for w in found if w is not None), key=lambda w: w.width, default=None)


def _window_of(facts: RasterFacts, x: FloatArray, y: FloatArray, margin: int) -> Window | None:
    inverse = ~facts.transform
    col = inverse.a * x + inverse.b * y + inverse.c
    row = inverse.d * x + inverse.e * y + inverse.f
    rows, cols = facts.shape
    if row.max() <= 0 or row.min() >= rows or col.max() <= 0 or col.min() >= cols:
        return None
    row0, row1 = math.floor(row.min()) - margin, math.ceil(row.max()) + margin
    col0, col1 = math.floor(col.min()) - margin, math.ceil(col.max()) + margin
    row0, col0 = max(row0, 0), max(col0, 0)
    row1, col1 = min(row1, rows), min(col1, cols)
    return Window(col0, row0, col1 - col0, row1 - row0)
