"""The door in for rasters: windows of files, checked and laid on the grid."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod
from rasterio.enums import MaskFlags
from rasterio.io import DatasetReader
from rasterio.warp import Resampling
from rasterio.windows import Window

from siting.credits import Source
from siting.disk.states import state_at_path
from siting.errors import SitingError
from siting.grid import FloatArray, Grid, transformer
from siting.ground.cover import NO_CODE
from siting.kernels.remembered import remembered
from siting.lengths import to_the_metre
from siting.read import checks
from siting.read.crs.datum import conversion_note
from siting.read.crs.projection import WGS84, inverse_bounds, name_of
from siting.read.input_files import RasterPath
from siting.read.on_grid import lay_on_grid
from siting.read.raster import terraces
from siting.read.raster.rasters import RasterFacts, cell_metres_at, describe, opened, source_window
from siting.read.raster.units import elevation_factor
from siting.settings.given.rasters import CoverInput, RasterInput
from siting.types import Note

# A raster is called coarse from this many cells of the grid to one of its own.
_COARSE_RATIO = 2.9
# And however wide the grid's cells are: elevations in wider ones than any grid has, which then
# looks finer than they are; land cover whose edges may be farther off than a camera sees.
_COARSE_M = {"dem": 31.0, "land_cover": 20.0}
_COARSE = {
    "dem": "Elevations are mapped in {side}: small valleys, banks and steps do not show",
    "land_cover": "Woods and fields are mapped in {side}, and edges may be off by as much",
    "canopy": "Heights of plants are mapped in {side}: single trees and bushes do not show",
}


def _facts_here(dataset: DatasetReader, spec: RasterInput, grid: Grid, *, key: str) -> RasterFacts:
    """The facts of an open raster, with the size that its cells have at the grid."""
    facts = describe(dataset, spec, key=key)
    left, bottom, right, top = grid.bounds
    cell_m = cell_metres_at(facts, (left + right) / 2, (bottom + top) / 2, crs=grid.crs)
    return replace(facts, cell_m=cell_m)


def place_words(facts: RasterFacts) -> str:
    """Where a raster lies: the longitudes and latitudes of its outermost corners, degrees."""
    lon, lat = _corners_deg(facts)
    return (
        f"longitude {lon.min():.4f} to {lon.max():.4f}, latitude {lat.min():.4f} to {lat.max():.4f}"
    )


def _corners_deg(facts: RasterFacts) -> tuple[FloatArray, FloatArray]:
    """Longitude and latitude of the four corners, degrees WGS 84."""
    rows, cols = facts.shape
    corners = np.array([facts.transform @ p for p in ((0, 0), (cols, 0), (0, rows), (cols, rows))])
    lon, lat = transformer(facts.crs, WGS84).transform(corners[:, 0], corners[:, 1])
    return np.asarray(lon), np.asarray(lat)


def _no_overlap(facts: RasterFacts, grid: Grid, key: str) -> SitingError:
    lon, lat = _corners_deg(facts)
    west, south, east, north = inverse_bounds(grid.bounds, grid.crs)
    return SitingError(
        "E-COVER-01",
        f"{facts.file} ({key}) lies at {place_words(facts)}; the parcel with its surroundings at "
        f"longitude {west:.4f} to {east:.4f}, latitude {south:.4f} to {north:.4f}"
        f"{_apart(facts, grid)}.",
        rule="The raster must cover the parcel.",
        cure="Use a raster of this place; if it is the right one, its coordinate system "
        f"is declared wrongly.{_if_swapped(lon, lat, (west + east) / 2, (south + north) / 2)}",
    )


def _if_swapped(lon: FloatArray, lat: FloatArray, here_lon: float, here_lat: float) -> str:
    """A hint where the parcel would lie on the raster with longitude and latitude exchanged."""
    margin = 0.5
    over = (
        lon.min() - margin <= here_lat <= lon.max() + margin
        and lat.min() - margin <= here_lon <= lat.max() + margin
    )
    return " Longitude and latitude of the parcel look swapped: longitude comes first." * bool(over)


def _apart(facts: RasterFacts, grid: Grid) -> str:
    """How far a raster and a grid lie from one another along the globe, in words."""
    rows, cols = facts.shape
    side = np.linspace(0.0, 1.0, 9)
    along = [(u * cols, v * rows) for u in side for v in side if {u, v} & {0.0, 1.0}]
    points = np.array([facts.transform @ p for p in along])
    lon, lat = transformer(facts.crs, WGS84).transform(points[:, 0], points[:, 1])
    known = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90.0)
    if not known.any():
        return ""
    left, bottom, right, top = grid.bounds
    here_lon, here_lat = grid.to_lonlat.transform((left + right) / 2, (bottom + top) / 2)
    count = int(known.sum())
    _, _, away = Geod(ellps="WGS84").inv(
        np.full(count, here_lon), np.full(count, here_lat), lon[known], lat[known]
    )
    metres = max(float(np.min(away)) - max(right - left, top - bottom) / 2, 0.0)
    far = f"{metres / 1000:,.0f} km" if metres >= 10_000 else f"{metres:,.0f} m"
    return f": about {far} apart" if metres >= 1 else ": they only touch"


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


@remembered(state=state_at_path)
def read_elevation(
    path: RasterPath,
    spec: RasterInput,
    grid: Grid,
    *,
    key: str,
    z_unit: str,
    most_gb: float,
    allow_remote: bool = False,
    smooth: bool = True,
) -> tuple[FloatArray, RasterFacts, Source, tuple[Note, ...]]:
    """Heights of a raster on the grid.

    Values are unmasked, scaled and turned into metres before they are resampled: as they are
    where the cells coincide, by average where the file is finer than the grid, else bilinearly.
    Heights of plants are not `smooth`: between a tree and the grass beside it nothing is half as
    high. They are taken from the nearest cell, or as the median where the file is finer.
    Elevations in whole steps on fine cells are smoothed within half a step (`terraces`); `cell_m`
    of the facts is then the width over which they may be trusted.

    Returns
    -------
    (dem, facts, source, notes) : dem is (rows, cols) float32, metres, NaN = no data
    """
    with opened(path, key=key, spec=spec, allow_remote=allow_remote) as dataset:
        facts = _facts_here(dataset, spec, grid, key=key)
        window = source_window(facts, grid, margin=3)
        if window is None:
            raise _no_overlap(facts, grid, key)
        _check_memory(window, grid, facts, most_gb)
        raw, declared, infinite = _read_numbers(dataset, facts, window, spec)
    factor, notes = _factor(facts, z_unit, key)
    metres = ((raw * facts.scale + facts.offset) * factor).astype(np.float32)
    if not np.isfinite(metres).any():
        raise _all_missing(facts, key)
    if not declared:
        # Heights of plants are 0 on all open ground; only elevations of 0 may mean "no data".
        doubted = np.isfinite(raw) & (smooth | (raw != 0))
        if doubted.any():
            checks.check_sentinels(
                np.where(doubted, raw, np.nan),
                np.where(doubted, metres, np.nan),
                file=facts.file,
                key=f"{key}.nodata",
            )
    checks.check_elevations(metres, file=facts.file)
    if infinite:
        text = f"{facts.file} ({key}): {infinite:,} infinite values were read as no data."
        notes += (Note("A-NODATA-01", "assumption", text),)
    # What later steps may trust: cells of stairs that were smoothed are finer than what they know.
    exact_m = facts.cell_m
    terraced: tuple[Note, ...] = ()
    if smooth:
        step_m = terraces.step_of(raw) * abs(facts.scale) * factor
        metres, exact_m, terraced = terraces.smoothed(
            metres, step_m=step_m, cell_m=facts.cell_m, file=facts.file
        )
    finer = facts.cell_m < 0.75 * grid.cell_size_m
    if smooth:
        method = Resampling.average if finer else Resampling.bilinear
    else:
        method = Resampling.med if finer else Resampling.nearest
    out, how = lay_on_grid(metres, facts, window, grid, method=method, missing=np.nan)
    notes += (*_notes(facts, grid, how, key), *terraced)
    source = _source(facts, key, metres, how, factor, spec)
    return out.astype(np.float32), replace(facts, cell_m=exact_m), source, notes


def _factor(facts: RasterFacts, z_unit: str, key: str) -> tuple[float, tuple[Note, ...]]:
    """Metres to a unit of the numbers; 1 for percent of tree cover, which has no length."""
    if z_unit == "percent":
        return 1.0, ()
    return elevation_factor(
        band_unit=facts.unit, crs=facts.crs, asserted=z_unit, file=facts.file, key=key
    )


@remembered(state=state_at_path)
def read_classes(
    path: RasterPath,
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
    with opened(path, key=key, spec=spec, allow_remote=allow_remote) as dataset:
        facts = _facts_here(dataset, spec, grid, key=key)
        window = source_window(facts, grid, margin=3)
        if window is None:
            raise _no_overlap(facts, grid, key)
        _check_memory(window, grid, facts, most_gb)
        raw = dataset.read(facts.band, window=window, masked=True)
    checks.check_class_scale(facts.scale, facts.offset, file=facts.file)
    missing = _missing(raw, spec)
    code = np.full(raw.shape, NO_CODE, dtype=np.int32)
    code[~missing] = checks.check_class_codes(np.ma.getdata(raw)[~missing], file=facts.file)
    if not (code != NO_CODE).any():
        raise _all_missing(facts, key)
    finer = facts.cell_m < 0.75 * grid.cell_size_m
    method = Resampling.mode if finer else Resampling.nearest
    out, how = lay_on_grid(code, facts, window, grid, method=method, missing=NO_CODE)
    notes = _notes(facts, grid, how, key)
    return out.astype(np.int32), facts, _source(facts, key, code, how, 1.0, spec), notes


def _read_numbers(
    dataset: DatasetReader, facts: RasterFacts, window: Window, spec: RasterInput
) -> tuple[NDArray[np.float64], bool, int]:
    """Numbers of a window with NaN for no data, whether it is beyond doubt which cells those are,
    and how many values were infinite."""
    raw = dataset.read(facts.band, window=window, masked=True)
    with np.errstate(invalid="ignore"):  # a signalling NaN is one as well
        values = np.ma.getdata(raw).astype(np.float64)
    missing = _missing(raw, spec)
    infinite = int((np.isinf(values) & ~missing).sum())
    values[missing | ~np.isfinite(values)] = np.nan
    flags = dataset.mask_flag_enums[facts.band - 1]
    masked = MaskFlags.per_dataset in flags or MaskFlags.alpha in flags
    return values, spec.nodata != "" or masked, infinite


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
        rule="Unknown ground cannot be ranked.",
        cure="Use a raster that has values here.",
    )


def _notes(facts: RasterFacts, grid: Grid, how: str, key: str) -> tuple[Note, ...]:
    notes = [Note("A-RESAMPLE-01", "assumption", f"{facts.file} ({key}): {how}.")]
    cell_m = max(grid.cell_size_m, facts.cell_m)
    bounds = inverse_bounds(grid.bounds, grid.crs)
    conversion = conversion_note(facts.crs, grid.crs, bounds_lonlat=bounds, cell_m=cell_m)
    if conversion:
        notes.append(conversion)
    if facts.cell_m > _least_coarse_m(grid, key):
        said = _COARSE[key].format(side=f"squares of {to_the_metre(facts.cell_m)}")
        # The file's name behind it: a bracket beside that of the feet would be hard to read.
        text = f"{said} ({facts.file})."
        notes.append(Note("W-COARSE-01", "warning", text))
    return tuple(notes)


def _least_coarse_m(grid: Grid, key: str) -> float:
    """Width of cells, metres, above which a warning says that they are coarse."""
    ratio_m = _COARSE_RATIO * grid.cell_size_m
    return min(ratio_m, _COARSE_M.get(key, ratio_m))


def _source(
    facts: RasterFacts,
    key: str,
    values: NDArray[Any],
    how: str,
    factor: float,
    spec: RasterInput,
) -> Source:
    """A fingerprint of the window as it was read: huge files are never read whole."""
    # Of the cells as read: a file saved again with the same heights is the same land.
    digest = hashlib.sha256(np.ascontiguousarray(values).tobytes())
    # With place and system: the same heights elsewhere are other land.
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
    return Source(key, facts.file, digest.hexdigest(), told, spec.attribution)
