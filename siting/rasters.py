"""The door in for rasters: windows of files, checked and laid on the grid."""

from __future__ import annotations

import hashlib
import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from pyproj.exceptions import ProjError
from rasterio.enums import MaskFlags
from rasterio.errors import NotGeoreferencedWarning, RasterioError, RasterioIOError
from rasterio.io import DatasetReader
from rasterio.warp import Resampling, reproject
from rasterio.windows import Window

from siting import checks
from siting.cover import NO_CODE
from siting.errors import SitingError
from siting.grid import FloatArray, Grid, transformer
from siting.inputs import CoverInput, RasterInput
from siting.projection import (
    WGS84,
    conversion_note,
    file_crs,
    inverse_bounds,
    metres_per_unit,
    name_of,
)
from siting.types import Note, Source

# What may be opened, by GDAL's own driver names; a file that only another driver knows is refused.
DRIVERS = (
    "GTiff", "AAIGrid", "HFA", "GPKG", "ENVI", "EHdr", "SRTMHGT", "JP2OpenJPEG", "USGSDEM", "DTED",
    "SAGA", "GSAG", "GSBG",
)  # fmt: skip
# Remote reads follow GDAL's advice for cloud files: no folder listing, few retries.
_REMOTE = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_HTTP_MAX_RETRY": "3",
    "GDAL_HTTP_RETRY_DELAY": "1",
    "GDAL_HTTP_MULTIRANGE": "SERIAL",
}
_COARSEST_M = 150.0
_COARSE_RATIO = 3.0


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


def resolve(file: str, folder: Path, *, allow_remote: bool) -> str:
    """The path of a file of the inputs; E-FILE-04 for network and virtual paths not allowed."""
    remote = "://" in file or file.startswith("/vsi")
    if remote and not allow_remote:
        raise SitingError(
            "E-FILE-04",
            f"{file} is a network or virtual path.",
            rule="Nothing is fetched and nothing is unpacked unless it is allowed.",
            cure="Copy the file here, or set allow_remote = true in the inputs file.",
        )
    if remote:
        return file
    path = Path(file)
    path = path if path.is_absolute() else folder / path
    if not path.exists():
        raise SitingError(
            "E-FILE-01",
            f"There is no file {path}.",
            rule="Paths count from the folder of the inputs file.",
            cure="Check the name and the folder.",
        )
    if not (path.is_file() or path.is_dir()):
        raise SitingError(
            "E-FILE-04",
            f"{path} is neither a file nor a folder.",
            rule="Inputs are read from ordinary files.",
            cure="Copy the data into a file.",
        )
    return str(path)


@contextmanager
def opened(path: str, *, key: str, allow_remote: bool = False) -> Iterator[DatasetReader]:
    """An open raster; every failure to open or read it is told as a `SitingError`.

    Only the formats of `DRIVERS` are opened; virtual rasters (VRT), which may point anywhere,
    only when remote files are allowed.
    """
    drivers = [*DRIVERS, "VRT"] if allow_remote else list(DRIVERS)
    remote = path.startswith("/vsi") or "://" in path
    try:
        with (
            rasterio.Env(**(_REMOTE if remote else {})),
            warnings.catch_warnings(),
            DatasetReader(path, driver=drivers) as dataset,
        ):
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            yield dataset
    except PermissionError as error:
        raise _unreadable(path, key, str(error), code="E-FILE-03") from error
    except (RasterioIOError, RasterioError, ProjError) as error:
        denied = "ermission denied" in str(error)
        code = "E-FILE-03" if denied else "E-FILE-02"
        raise _unreadable(path, key, str(error), code=code) from error


def _unreadable(path: str, key: str, why: str, *, code: str) -> SitingError:
    first = why.splitlines()[0][:200] if why else "no reason given"
    return SitingError(
        code,
        f"{path} ({key}) cannot be read as a raster: {first}.",
        rule=f"A raster must be whole and of a known format ({', '.join(DRIVERS[:4])} ...).",
        cure="Check the file with a viewer and copy or download it again.",
    )


def describe(dataset: DatasetReader, spec: RasterInput, *, key: str) -> RasterFacts:
    """The facts of an open raster, checked: position, system, band, number type, cell size."""
    file = Path(dataset.name).name
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
    cell_m = _cell_metres(transform, crs, dataset.shape)
    if cell_m > _COARSEST_M:
        raise SitingError(
            "E-GEO-04",
            f"{file} has cells of {cell_m:,.0f} m.",
            rule=f"Cells above {_COARSEST_M:g} m hide a whole parcel.",
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


def _position(dataset: DatasetReader, file: str) -> Affine:
    transform = dataset.transform
    if not transform.is_identity:
        if transform.is_degenerate or not all(math.isfinite(v) for v in transform):
            raise _no_position(file, "its cells have no size")
        return transform
    gcps, _ = dataset.gcps
    if gcps or dataset.rpcs:
        raise SitingError(
            "E-GEO-02",
            f"{file} is positioned by {'control points' if gcps else 'a sensor model'} only.",
            rule="Each cell must have a definite place on the map.",
            cure="Warp it to a map first, for instance with gdalwarp.",
        )
    raise _no_position(file, "it has no georeferencing")


def _no_position(file: str, why: str) -> SitingError:
    return SitingError(
        "E-GEO-01",
        f"{file} has no position on the ground: {why}.",
        rule="Each cell must have a definite place on the map.",
        cure="Use the georeferenced file, with its world file beside it if it has one.",
    )


def _check_degrees(dataset: DatasetReader, transform: Affine, crs: str, file: str) -> None:
    """E-CRS-07 when numbers and declared system do not fit: degrees tagged as metres or reverse."""
    corners = [transform * point for point in ((0, 0), (dataset.width, dataset.height))]
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
            + ("these are degrees, not metres." if degrees_as_metres else "these are no degrees."),
            cure="Declare the right coordinate system in the file.",
        )


def _band(dataset: DatasetReader, asked: int, file: str, key: str) -> int:
    data = [
        number
        for number, flags in enumerate(dataset.mask_flag_enums, start=1)
        if dataset.colorinterp[number - 1].name != "alpha" and flags is not None
    ]
    if asked and asked <= dataset.count:
        return asked
    if asked or len(data) != 1:
        raise SitingError(
            "E-BAND-01",
            f"{file} has {dataset.count} bands"
            + (f", and band {asked} was asked." if asked else "."),
            rule="One band must hold the values.",
            cure=f"Name it with {key}.band = 1, or use a raster with one band (a picture of the "
            "land is no DEM).",
        )
    return data[0]


def _cell_metres(transform: Affine, crs: str, shape: tuple[int, int]) -> float:
    """Mean edge of a cell at the raster's middle, metres."""
    unit_m = metres_per_unit(crs)
    edge = math.sqrt(abs(transform.determinant))
    if unit_m is not None:
        return edge * unit_m
    _, lat = transform * (shape[1] / 2, shape[0] / 2)
    return edge * 111_132.0 * math.sqrt(max(math.cos(math.radians(lat)), 1e-6))


def source_window(facts: RasterFacts, grid: Grid, *, margin: int) -> Window | None:
    """The cells of a raster under a grid, with a margin, as a window; None when there are none."""
    east, north = grid.boundary_points()
    change = transformer(grid.crs, facts.crs)
    x, y = change.transform(east, north)
    x, y = np.asarray(x), np.asarray(y)
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        return None
    inverse = ~facts.transform
    col = inverse.a * x + inverse.b * y + inverse.c
    row = inverse.d * x + inverse.e * y + inverse.f
    row0, row1 = math.floor(row.min()) - margin, math.ceil(row.max()) + margin
    col0, col1 = math.floor(col.min()) - margin, math.ceil(col.max()) + margin
    row0, col0 = max(row0, 0), max(col0, 0)
    row1, col1 = min(row1, facts.shape[0]), min(col1, facts.shape[1])
    if row1 <= row0 or col1 <= col0:
        return None
    return Window(col0, row0, col1 - col0, row1 - row0)


def _no_overlap(facts: RasterFacts, grid: Grid, key: str) -> SitingError:
    rows, cols = facts.shape
    corners = np.array([facts.transform * p for p in ((0, 0), (cols, 0), (0, rows), (cols, rows))])
    change = transformer(facts.crs, WGS84)
    lon, lat = (np.asarray(v) for v in change.transform(corners[:, 0], corners[:, 1]))
    west, south, east, north = inverse_bounds(grid.bounds, grid.crs)
    return SitingError(
        "E-COVER-01",
        f"{facts.file} ({key}) lies at longitude {lon.min():.4f} to {lon.max():.4f}, latitude "
        f"{lat.min():.4f} to {lat.max():.4f}; the parcel with its surroundings at longitude "
        f"{west:.4f} to {east:.4f}, latitude {south:.4f} to {north:.4f}.",
        rule="The raster must lie over the parcel.",
        cure="Use a raster of this place; if it should be this place, its coordinate system is "
        "declared wrongly.",
    )


def _check_memory(window: Window, grid: Grid, facts: RasterFacts, most_gb: float) -> None:
    # Raw window, its float copy and mask, and about twenty layers of the grid at four bytes.
    needed = window.width * window.height * 14 + grid.n_rows * grid.n_cols * 100
    if needed > most_gb * 1e9:
        raise SitingError(
            "E-MEM-01",
            f"The parcel with its surroundings needs about {needed / 1e9:,.1f} GB "
            f"({window.height:,} x {window.width:,} cells of {facts.file}).",
            rule=f"At most {most_gb:g} GB may be used (grid.most_memory_gb of the protocol).",
            cure="Raise the limit, use a coarser raster, set grid.cell_size_m, or split the "
            "parcel.",
        )


def read_elevation(
    path: str,
    spec: RasterInput,
    grid: Grid,
    *,
    key: str,
    z_unit: str,
    most_gb: float,
    allow_remote: bool = False,
) -> tuple[FloatArray, RasterFacts, Source, tuple[Note, ...]]:
    """Heights of a raster on the grid.

    Values are unmasked, scaled and turned into metres before they are resampled: as they are
    where the cells coincide, by average where the file is finer than the grid, else bilinearly.

    Returns
    -------
    (dem, facts, source, notes) : dem is (rows, cols) float32, metres, NaN = no data
    """
    with opened(path, key=key, allow_remote=allow_remote) as dataset:
        facts = describe(dataset, spec, key=key)
        window = source_window(facts, grid, margin=3)
        if window is None:
            raise _no_overlap(facts, grid, key)
        _check_memory(window, grid, facts, most_gb)
        raw, declared = _read_numbers(dataset, facts, window, spec)
    checks.check_sentinels(raw, declared=declared, file=facts.file, key=f"{key}.nodata")
    factor, notes = checks.elevation_factor(
        band_unit=facts.unit, crs=facts.crs, asserted=z_unit, file=facts.file
    )
    metres = ((raw * facts.scale + facts.offset) * factor).astype(np.float32)
    if not np.isfinite(metres).any():
        raise _all_missing(facts, key)
    checks.check_elevations(metres, file=facts.file)
    finer = facts.cell_m < 0.75 * grid.cell_size_m
    method = Resampling.average if finer else Resampling.bilinear
    out, how = _lay_on_grid(metres, facts, window, grid, method=method, missing=np.nan)
    notes += _notes(facts, grid, how, key)
    return out.astype(np.float32), facts, _source(facts, key, metres, how, factor), notes


def read_classes(
    path: str,
    spec: CoverInput,
    grid: Grid,
    *,
    key: str,
    most_gb: float,
    allow_remote: bool = False,
) -> tuple[NDArray[np.int32], RasterFacts, Source, tuple[Note, ...]]:
    """Class codes of a raster on the grid: by nearest cell, or by majority where it is finer.

    Returns
    -------
    (code, facts, source, notes) : code is (rows, cols) int32, -1 = no data
    """
    with opened(path, key=key, allow_remote=allow_remote) as dataset:
        facts = describe(dataset, spec, key=key)
        window = source_window(facts, grid, margin=3)
        if window is None:
            raise _no_overlap(facts, grid, key)
        _check_memory(window, grid, facts, most_gb)
        raw = dataset.read(facts.band, window=window, masked=True)
    code = checks.check_class_codes(np.ma.getdata(raw), file=facts.file)
    code[_missing(raw, spec)] = NO_CODE
    if not (code != NO_CODE).any():
        raise _all_missing(facts, key)
    finer = facts.cell_m < 0.75 * grid.cell_size_m
    method = Resampling.mode if finer else Resampling.nearest
    out, how = _lay_on_grid(code, facts, window, grid, method=method, missing=NO_CODE)
    notes = _notes(facts, grid, how, key)
    return out.astype(np.int32), facts, _source(facts, key, code, how, 1.0), notes


def _read_numbers(
    dataset: DatasetReader, facts: RasterFacts, window: Window, spec: RasterInput
) -> tuple[NDArray[np.float64], bool]:
    raw = dataset.read(facts.band, window=window, masked=True)
    values = np.ma.getdata(raw).astype(np.float64)
    values[_missing(raw, spec) | ~np.isfinite(values)] = np.nan
    flags = dataset.mask_flag_enums[facts.band - 1]
    masked = MaskFlags.per_dataset in flags or MaskFlags.alpha in flags
    return values, spec.nodata != "" or masked


def _missing(raw: Any, spec: RasterInput) -> NDArray[np.bool_]:
    if spec.nodata == "none":
        return np.zeros(raw.shape, dtype=bool)
    hidden: NDArray[np.bool_] = np.ma.getmaskarray(raw).copy()
    if isinstance(spec.nodata, float):
        hidden |= np.isclose(np.ma.getdata(raw).astype(np.float64), spec.nodata, rtol=1e-6)
    return hidden


def _all_missing(facts: RasterFacts, key: str) -> SitingError:
    return SitingError(
        "E-NODATA-02",
        f"{facts.file} ({key}) has no value over the parcel and its surroundings.",
        rule="Unknown ground is never ranked.",
        cure="Use a raster that has values here.",
    )


def _lay_on_grid(
    values: NDArray[Any], facts: RasterFacts, window: Window, grid: Grid, *, method: Resampling,
    missing: float,
) -> tuple[NDArray[Any], str]:  # fmt: skip
    origin = facts.transform * (window.col_off, window.row_off)
    offset = _lattice_offset(facts, grid, origin)
    if offset is not None:
        return _pasted(values, offset, grid, missing), "cells used as they are"
    out = np.full(grid.shape, missing, dtype=values.dtype)
    reproject(
        values,
        out,
        src_transform=facts.transform * Affine.translation(window.col_off, window.row_off),
        src_crs=facts.crs,
        src_nodata=missing,
        dst_transform=grid.transform,
        dst_crs=grid.crs,
        dst_nodata=missing,
        resampling=method,
        num_threads=1,
    )
    return out, f"resampled by {method.name}"


def _lattice_offset(
    facts: RasterFacts, grid: Grid, origin: tuple[float, float]
) -> tuple[int, int] | None:
    """(row, col) of the window's corner on the grid when their cells coincide, else None."""
    t, size = facts.transform, grid.cell_size_m
    same = facts.crs == grid.crs and facts.north_up
    if not (same and abs(t.a / size - 1) < 1e-9 and abs(-t.e / size - 1) < 1e-9):
        return None
    col, row = (origin[0] - grid.left) / size, (grid.top - origin[1]) / size
    if abs(col - round(col)) > 1e-3 or abs(row - round(row)) > 1e-3:
        return None
    return round(row), round(col)


def _pasted(
    values: NDArray[Any], offset: tuple[int, int], grid: Grid, missing: float
) -> NDArray[Any]:
    out = np.full(grid.shape, missing, dtype=values.dtype)
    row, col = offset
    rows, cols = values.shape
    r0, r1 = max(row, 0), min(row + rows, grid.n_rows)
    c0, c1 = max(col, 0), min(col + cols, grid.n_cols)
    if r1 > r0 and c1 > c0:
        out[r0:r1, c0:c1] = values[r0 - row : r1 - row, c0 - col : c1 - col]
    return out


def _notes(facts: RasterFacts, grid: Grid, how: str, key: str) -> tuple[Note, ...]:
    notes = [Note("A-RESAMPLE-01", "assumption", f"{facts.file} ({key}): {how}.")]
    limit = max(grid.cell_size_m, facts.cell_m) / 2
    bounds = inverse_bounds(grid.bounds, grid.crs)
    conversion = conversion_note(facts.crs, grid.crs, bounds_lonlat=bounds, limit_m=limit)
    if conversion:
        notes.append(conversion)
    if facts.cell_m > _COARSE_RATIO * grid.cell_size_m:
        text = (
            f"{facts.file} has cells of {facts.cell_m:.0f} m on a grid of "
            f"{grid.cell_size_m:g} m: its details are less exact than the map looks."
        )
        notes.append(Note("W-COARSE-01", "warning", text))
    return tuple(notes)


def _source(facts: RasterFacts, key: str, values: NDArray[Any], how: str, factor: float) -> Source:
    """A fingerprint of the window as it was read: huge files are never read whole."""
    digest = hashlib.sha256(np.ascontiguousarray(values).tobytes())
    digest.update(repr((facts.crs, tuple(facts.transform)[:6], values.shape)).encode())
    told = {
        "crs": name_of(facts.crs),
        "cell_size_m": round(facts.cell_m, 3),
        "cells_read": f"{values.shape[0]} x {values.shape[1]}",
        "number_type": facts.dtype,
        "no_data": facts.no_data,
        "scale": facts.scale,
        "offset": facts.offset,
        "metres_per_unit": factor,
        "laid_on_grid": how,
    }
    return Source(key, facts.file, digest.hexdigest(), told)
