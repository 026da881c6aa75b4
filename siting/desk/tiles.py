"""Relief under the desk's map: shaded tiles of the office's DEM, read where they are asked for.

A tile is warped at the raster's own fineness and read at the tile's size, so overviews are used;
two pixels more on each side are cut after shading, or seams would show.
"""

from __future__ import annotations

import io
import math
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from rasterio.crs import CRS
from rasterio.enums import Resampling
from rasterio.io import DatasetReader
from rasterio.vrt import WarpedVRT
from rasterio.windows import from_bounds

from siting.grid import FloatArray
from siting.ground.terrain import hillshade
from siting.read import library
from siting.read.input_files import RasterPath, raster_path
from siting.read.raster import rasters
from siting.settings.given.rasters import CoverInput, DemInput
from siting.settings.inputs import Inputs
from siting.types import BoolArray, CoverRole
from siting.words.office.desk import COVER_WORDS

SIZE = 256
_EDGE = 2
_HALF_M = math.pi * 6378137.0
_MERCATOR = CRS.from_epsg(3857)
MOST_ZOOM = 20
_GREYS = (70, 255)
CONTOURS = ((16, 5.0), (13, 10.0))
"""(zoom, metres between lines) from which on contours are drawn, the nearest zoom first."""
COVER_COLOURS = {
    CoverRole.TREE: (44, 110, 73),
    CoverRole.ORCHARD: (96, 140, 70),
    CoverRole.SHRUB: (150, 150, 70),
    CoverRole.GRASS: (205, 205, 120),
    CoverRole.PASTURE: (220, 210, 140),
    CoverRole.CROP: (225, 190, 100),
    CoverRole.PARK: (180, 205, 160),
    CoverRole.WETLAND: (110, 160, 170),
    CoverRole.WATER: (70, 120, 190),
    CoverRole.BUILT: (150, 110, 110),
    CoverRole.BARE: (190, 180, 165),
    CoverRole.SNOW: (235, 240, 245),
}
"""Red, green and blue (0..255) of each kind of cover."""


@dataclass(frozen=True)
class Tile:
    """Zoom, column and row of a tile of Web Mercator, the row counted from the north."""

    zoom: int
    column: int
    row: int

    def bounds(self, edge: int = 0) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) in metres, `edge` pixels wider on each side."""
        side = 2 * _HALF_M / 2**self.zoom
        more = edge * side / SIZE
        left, top = self.column * side - _HALF_M, _HALF_M - self.row * side
        return left - more, top - side - more, left + side + more, top + more

    @property
    def is_on_earth(self) -> bool:
        """Whether there is such a tile."""
        most = 2**self.zoom
        return 0 <= self.zoom <= MOST_ZOOM and 0 <= self.column < most and 0 <= self.row < most


GONE = "gone"


class Relief:
    """The office's DEM as tiles. Each thread opens the raster for itself."""

    def __init__(self, path: RasterPath, spec: DemInput) -> None:
        self._path, self._spec = path, spec
        # A dataset of rasterio is not made for two threads at a time.
        self._own = threading.local()

    def stamp(self) -> str:
        """Another text whenever the file is another: tiles are named by it; GONE without it."""
        files = (self._path,) if isinstance(self._path, str) else self._path
        try:
            states = [Path(file).stat() for file in files]
        except OSError:
            # A disk that is not plugged in, or a file that is being replaced: the desk goes on.
            return GONE
        newest = max(state.st_mtime_ns for state in states)
        return f"{newest:x}-{sum(state.st_size for state in states):x}"

    def _dataset(self) -> tuple[DatasetReader, rasters.RasterFacts]:
        if getattr(self._own, "stamp", None) != self.stamp():
            # Kept open, but no context of the library: that of a thread ends with the thread, and
            # a desk that is stopped would fail at closing its maps.
            with rasters.opened(self._path, key="dem", spec=self._spec, keep=True) as dataset:
                self._own.value = dataset, rasters.describe(dataset, self._spec, key="dem")
            self._own.stamp = self.stamp()
        value: tuple[DatasetReader, rasters.RasterFacts] = self._own.value
        return value

    def png(self, tile: Tile) -> bytes:
        """The tile as PNG, clear where the elevation is not known."""
        dem = self._elevations(tile)
        _, bottom, _, top = tile.bounds()
        latitude = 2 * math.atan(math.exp((bottom + top) / 2 / 6378137.0)) - math.pi / 2
        # Web Mercator stretches towards the poles: without the cosine, slopes come out too gentle.
        pixel_m = 2 * _HALF_M / 2**tile.zoom / SIZE * math.cos(latitude)
        light = hillshade(dem, pixel_m)[_EDGE:-_EDGE, _EDGE:-_EDGE]
        return _grey(light)

    def contours(self, tile: Tile) -> bytes:
        """Contour lines of the tile as PNG, clear between them; empty below zoom 13."""
        dem = self._elevations(tile)[_EDGE - 1 : -_EDGE, _EDGE - 1 : -_EDGE]
        step_m = next((step for zoom, step in CONTOURS if tile.zoom >= zoom), None)
        if step_m is None:
            return _lines(np.zeros((SIZE, SIZE), dtype=bool))
        # A line runs wherever two neighbours lie on two steps.
        on = np.floor(np.where(np.isfinite(dem), dem, np.nan) / step_m)
        with np.errstate(invalid="ignore"):
            line = (np.abs(np.diff(on, axis=0))[:, 1:] > 0) | (np.abs(np.diff(on, axis=1))[1:] > 0)
        return _lines(line)

    def _elevations(self, tile: Tile) -> FloatArray:
        dataset, facts = self._dataset()
        side = SIZE + 2 * _EDGE
        bounds = tile.bounds(_EDGE)
        # Warped to the tile's own pixels, the source is read whole, without its overviews: 919 ms
        # in place of 72 at zoom 9 (measured, 40 x 40 km at 10 m).
        fine = max(facts.cell_m, (bounds[2] - bounds[0]) / (4 * side))
        wide = max(2, round((bounds[2] - bounds[0]) / fine))
        with (
            rasterio.Env(**library.for_rasters()),
            WarpedVRT(
                dataset,
                src_crs=facts.crs,
                crs=_MERCATOR,
                transform=_placed(bounds, wide),
                width=wide,
                height=wide,
                resampling=Resampling.bilinear,
                nodata=np.nan if facts.no_data is None else facts.no_data,
                dtype="float32",
            ) as warped,
        ):
            read = warped.read(
                facts.band,
                window=from_bounds(*bounds, transform=warped.transform),
                out_shape=(side, side),
                resampling=Resampling.bilinear,
                masked=True,
            )
        dem: FloatArray = np.ma.filled(read.astype(np.float32), np.nan)
        return dem


def _placed(bounds: tuple[float, float, float, float], wide: int) -> Affine:
    left, bottom, right, top = bounds
    return Affine((right - left) / wide, 0.0, left, 0.0, -(top - bottom) / wide, top)


def _grey(light: FloatArray) -> bytes:
    known = np.isfinite(light)
    low, high = _GREYS
    grey = np.where(known, low + np.nan_to_num(light) * (high - low), 0).clip(0, 255)
    return _png(np.stack([grey, np.where(known, 255, 0)], axis=-1).astype(np.uint8), "LA")


def _lines(on: BoolArray) -> bytes:
    return _png(np.stack([np.full(on.shape, 60), np.where(on, 150, 0)], axis=-1), "LA")


def _png(pixels: NDArray[np.integer[Any]], mode: str) -> bytes:
    from PIL import Image

    stream = io.BytesIO()
    Image.fromarray(pixels.astype(np.uint8), mode=mode).save(stream, format="PNG", compress_level=3)
    return stream.getvalue()


def cover_key() -> list[tuple[str, str]]:
    """What each colour of the land cover means, as (words, colour in CSS)."""
    return [
        (COVER_WORDS[role.name], f"rgb({red} {green} {blue})")
        for role, (red, green, blue) in COVER_COLOURS.items()
    ]


class Cover:
    """The office's land cover as tiles, coloured by what each class means for animals."""

    def __init__(self, inputs: Inputs, spec: CoverInput) -> None:
        self._inputs, self._spec = inputs, spec
        self._path = raster_path(inputs, spec, key="land_cover")

    def png(self, tile: Tile) -> bytes:
        """The tile as PNG, clear where the class is not known."""
        # Here: the first page must not wait for what only land cover needs.
        from siting.ground.cover import NO_CODE, roles
        from siting.read.cover import read_legend

        legend = read_legend(self._inputs, self._spec)
        with rasters.opened(self._path, key="land_cover", spec=self._spec) as dataset:
            facts = rasters.describe(dataset, self._spec, key="land_cover")
            with WarpedVRT(
                dataset,
                src_crs=facts.crs,
                crs=_MERCATOR,
                transform=_placed(tile.bounds(), SIZE),
                width=SIZE,
                height=SIZE,
                # Codes have no mean.
                resampling=Resampling.nearest,
            ) as warped:
                read = warped.read(facts.band, masked=True)
        code = np.ma.filled(read.astype(np.int32), NO_CODE)
        known = np.isin(code, list(legend.role))
        role = roles(np.where(known, code, NO_CODE).astype(np.int32), legend)
        pixels = np.zeros((SIZE, SIZE, 4), dtype=np.uint8)
        for one, colour in COVER_COLOURS.items():
            pixels[role == one] = (*colour, 150)
        return _png(pixels, "RGBA")
