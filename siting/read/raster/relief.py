"""The lie of the land under all parcels of a batch, coarse, for the ground of its overview."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely
from rasterio.enums import Resampling
from rasterio.vrt import WarpedVRT
from shapely.geometry.base import BaseGeometry as Geometry

from siting.errors import SitingError
from siting.grid import FloatArray, Grid, transformer
from siting.read.crs.projection import WGS84, working_crs
from siting.read.input_files import raster_path
from siting.read.raster import rasters
from siting.settings.inputs import Inputs

_CELLS_ACROSS = 700
_MARGIN = 0.04
# Beyond this a metric map projection no longer holds the land without distortion.
_MOST_METRES = 1_200_000.0
_MOST_DEGREES = 20.0
# Without reduced copies in the file, more cells than this would take minutes to read.
_MOST_CELLS = 400_000_000
_LOWEST_M, _HIGHEST_M = -1000.0, 9000.0


Relief = tuple[FloatArray, Grid]
"""Coarse elevations, (rows, cols) float32 in the raster's unit, NaN = no data; and their grid."""


def read_relief(inputs: Inputs, shapes: Mapping[str, Geometry | None]) -> Relief | None:
    """Coarse elevations under the outlines (degrees, lon/lat); None where they cannot be had.

    The picture only helps the eye, so a raster that is too large, or parcels all over the globe,
    are no error here.
    """
    known = np.array([shape for shape in shapes.values() if shape is not None], dtype=object)
    if not known.size:
        return None
    west, south, east, north = (float(v) for v in shapely.total_bounds(known))
    try:
        return _read(inputs, (west, south, east, north))
    except SitingError:
        return None


def _coarse_grid(bounds: tuple[float, float, float, float], crs: str) -> Grid | None:
    """About 700 cells across the bounds (degrees), in a metric system; None where it is too far."""
    outline = shapely.get_coordinates(shapely.segmentize(shapely.box(*bounds), 0.05))
    x, y = (np.asarray(v) for v in transformer(WGS84, crs).transform(outline[:, 0], outline[:, 1]))
    wide, high = float(np.ptp(x)), float(np.ptp(y))
    if not np.isfinite([wide, high]).all() or max(wide, high) > _MOST_METRES:
        return None
    pad = max(_MARGIN * max(wide, high), 300.0)
    cell = max((max(wide, high) + 2 * pad) / _CELLS_ACROSS, 5.0)
    box = (
        float(x.min()) - pad,
        float(y.min()) - pad,
        float(x.max()) + pad,
        float(y.max()) + pad,
    )
    return Grid.from_bounds(box, crs=crs, cell_size_m=cell, anchor=(0.0, 0.0))


def _read(inputs: Inputs, bounds: tuple[float, float, float, float]) -> Relief | None:
    west, south, east, north = bounds
    if east - west > _MOST_DEGREES:
        return None
    path = raster_path(inputs, inputs.dem, key="dem")
    with rasters.opened(
        path, key="dem", spec=inputs.dem, allow_remote=inputs.allow_remote
    ) as dataset:
        facts = rasters.describe(dataset, inputs.dem, key="dem")
        lon, lat = (west + east) / 2, (south + north) / 2
        crs, _ = working_crs(lon, lat, dem_crs=facts.crs, asked=inputs.grid.crs)
        grid = _coarse_grid(bounds, crs)
        if grid is None:
            return None
        window = rasters.source_window(facts, grid, margin=3)
        if window is None:
            return None
        if window.width * window.height > _MOST_CELLS:
            return None
        # Averages where cells are merged: single cells would make a coarse hillside look rough.
        finer = facts.cell_m < grid.cell_size_m
        with WarpedVRT(
            dataset,
            src_crs=facts.crs,
            crs=grid.crs,
            transform=grid.transform,
            width=grid.n_cols,
            height=grid.n_rows,
            resampling=Resampling.average if finer else Resampling.bilinear,
            nodata=np.nan if facts.no_data is None else facts.no_data,
            dtype="float32",
        ) as warped:
            read = warped.read(facts.band, masked=True)
    dem = np.ma.filled(read.astype(np.float32), np.nan)
    with np.errstate(invalid="ignore"):
        dem[(dem < _LOWEST_M) | (dem > _HIGHEST_M)] = np.nan
    return (dem, grid) if np.isfinite(dem).any() else None
