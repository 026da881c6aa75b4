"""The pictures under and over the map: shaded ground, scores, contour lines.

Every raster is warped to Web Mercator by rasterio, and its corners come from the warped grid, so
that the picture lies in register (Leaflet only stretches it). Pictures are palette PNGs.
"""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.warp import reproject
from shapely import LineString

from siting.grid import FloatArray, Grid
from siting.ground.terrain import hillshade, smoothed
from siting.report.shared import assets
from siting.report.shared.frame import EARTH_RADIUS_M, METRE_DIGITS, PageProjection, degrees_of

# Twenty steps of cividis (Nuñez, Anderton & Renslow 2018, doi 10.1371/journal.pone.0199239): even
# to the eye, the same order for every kind of colour vision, and in grey print.
SCORE_COLOURS = (
    "#002758", "#00306f", "#1a386f", "#2d416d", "#3c4a6c",
    "#49536c", "#555c6d", "#61656f", "#6c6d72", "#777776",
    "#828079", "#8f8a78", "#9b9476", "#a79d73", "#b5a86f",
    "#c2b369", "#d0be62", "#dec958", "#ebd44b", "#fbe138",
)  # fmt: skip
_STEPS = len(SCORE_COLOURS)
# The colours go evenly over the logarithm of the index between these two.
DARKEST_INDEX, BRIGHTEST_INDEX = 0.5, 4.0
_GROUND_GREYS = 32
_DARKEST, _BRIGHTEST = 97, 285  # all beyond 255 is white: slopes that face the light
_CORNER_DIGITS = 9  # of a degree, a tenth of a millimetre
_HALF_TURN_M = math.pi * EARTH_RADIUS_M
_MOST_PIXELS = 1_200_000
_MOST_PIXELS_PER_CELL = 40.0


@dataclass(frozen=True)
class Plane:
    """Where a warped picture lies: Web Mercator metres of its upper left corner and its size."""

    left: float
    top: float
    pixel_m: float
    width: int
    height: int

    @property
    def corners(self) -> list[list[float]]:
        """[[south, west], [north, east]] in degrees."""
        right, bottom = self.left + self.width * self.pixel_m, self.top - self.height * self.pixel_m
        return [
            [round(degree, _CORNER_DIGITS) for degree in degrees_of(x, y)]
            for x, y in ((self.left, bottom), (right, self.top))
        ]


@dataclass(frozen=True)
class Picture:
    """A PNG as a data URI and where it lies."""

    url: str
    plane: Plane


def plane_over(frame: PageProjection, *, grid: Grid, pixels_per_cell: float) -> Plane:
    """The upright Web Mercator rectangle around `grid`, in pixels about that much finer."""
    x, y = frame.mercator(*grid.boundary_points())
    left, right, bottom, top = (
        round(float(v), METRE_DIGITS) for v in (x.min(), x.max(), y.min(), y.max())
    )
    stretch = (right - left) / (grid.n_cols * grid.cell_size_m)
    pixel = grid.cell_size_m * stretch / pixels_per_cell
    # A very large parcel gets coarser pixels, so that a phone can still open the page.
    pixel = max(pixel, math.sqrt((right - left) * (top - bottom) / _MOST_PIXELS))
    width = math.ceil((right - left) / pixel - 1e-6)
    height = math.ceil((top - bottom) / pixel - 1e-6)
    return Plane(left, top, pixel, width, height)


def warped(
    values: NDArray[np.generic], *, grid: Grid, frame: PageProjection, plane: Plane, smooth: bool
) -> NDArray[np.generic]:
    """The array on the plane's pixels; pixels outside the grid are NaN (floats) or 0 (classes).

    Parameters
    ----------
    values : (rows, cols) on `grid`; float32 where `smooth`, uint8 classes where not
    smooth : bool
        Bilinear for measures, nearest for classes.
    """
    fill = np.nan if smooth else 0
    out = np.full((plane.height, plane.width), fill, dtype=values.dtype)
    crs, shift = _mercator_crs(frame.lon_0)
    transform = Affine(plane.pixel_m, 0, plane.left - shift, 0, -plane.pixel_m, plane.top)
    reproject(
        values,
        out,
        src_transform=grid.transform,
        src_crs=grid.crs,
        src_nodata=fill,
        dst_transform=transform,
        dst_crs=crs,
        dst_nodata=fill,
        init_dest_nodata=True,
        resampling=Resampling.bilinear if smooth else Resampling.nearest,
        # Exact for every pixel: an approximated warp moves the picture against the lines on it.
        tolerance=0.0,
    )
    return out


def _mercator_crs(lon_0: float) -> tuple[str, float]:
    """Web Mercator to warp to, and how far east of its origin it has been moved, metres."""
    # Near the 180th meridian a parcel would be torn in two; its own meridian keeps it whole.
    if abs(lon_0) < 170.0:
        return "EPSG:3857", 0.0
    moved = (
        f"+proj=merc +a={EARTH_RADIUS_M:.0f} +b={EARTH_RADIUS_M:.0f} +lat_ts=0 +lon_0={lon_0!r} "
        "+x_0=0 +y_0=0 +k=1 +units=m +nadgrids=@null +wktext +no_defs"
    )
    return moved, lon_0 / 180.0 * _HALF_TURN_M


def palette_png(classes: NDArray[np.uint8], colours: list[tuple[int, int, int, int]]) -> str:
    """Data URI of a PNG whose pixel value k has the k-th colour (red, green, blue, opacity)."""
    from PIL import Image

    image = Image.fromarray(np.ascontiguousarray(classes))
    image.putpalette([v for colour in colours for v in colour[:3]])
    stream = io.BytesIO()
    bits = max(1, (len(colours) - 1).bit_length())
    image.save(
        stream,
        format="PNG",
        optimize=False,
        compress_level=assets.PACKING,
        bits=next(b for b in (1, 2, 4, 8) if b >= bits),
        transparency=bytes(colour[3] for colour in colours),
    )
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode("ascii")


def ground_picture(dem: FloatArray, *, grid: Grid, frame: PageProjection) -> Picture:
    """Shaded relief of the ground in 31 greys; class 0 is clear where the elevation is unknown.

    Parameters
    ----------
    dem : (rows, cols) float, metres, NaN = not known
    grid : Grid of `dem`
    frame : Frame of the page
    """
    plane = plane_over(frame, grid=grid, pixels_per_cell=1.0)
    light = hillshade(dem, grid.cell_size_m)
    shade = warped(light, grid=grid, frame=frame, plane=plane, smooth=True).astype(np.float32)
    steps = _GROUND_GREYS - 2
    classes = np.where(np.isfinite(shade), 1 + np.rint(np.nan_to_num(shade) * steps), 0)
    greys = np.linspace(_DARKEST, _BRIGHTEST, steps + 1).clip(0, 255).round().astype(int).tolist()
    colours = [(0, 0, 0, 0)] + [(grey, grey, grey, 255) for grey in greys]
    return Picture(palette_png(classes.astype(np.uint8), colours), plane)


def level_grey() -> int:
    """The grey, 0 to 255, that level ground has in `ground_picture`."""
    level = float(hillshade(np.zeros((3, 3), dtype=np.float32), 1.0)[1, 1])
    return round(_DARKEST + (_BRIGHTEST - _DARKEST) * level)


def score_classes(score: FloatArray) -> NDArray[np.uint8]:
    """Class 1 to 20 of each index, even steps of its logarithm; 0 where it is not known.

    Parameters
    ----------
    score : (rows, cols) float, the index, NaN = not known
    """
    known = np.isfinite(score)
    above = np.log(np.where(known, np.maximum(score, 1e-9), 1.0) / DARKEST_INDEX)
    share = above / np.log(BRIGHTEST_INDEX / DARKEST_INDEX)
    steps = np.clip(np.floor(share * _STEPS + 1e-6), 0, _STEPS - 1)
    out: NDArray[np.uint8] = np.where(known, 1 + steps, 0).astype(np.uint8)
    return out


def score_picture(score: FloatArray, *, grid: Grid, frame: PageProjection) -> Picture:
    """The index in twenty colours; clear where it is NaN.

    A cell is many pixels wide where the size of the picture allows it: the nearest-cell warp
    misplaces a border by up to half a pixel.
    """
    plane = plane_over(frame, grid=grid, pixels_per_cell=_MOST_PIXELS_PER_CELL)
    classes = warped(score_classes(score), grid=grid, frame=frame, plane=plane, smooth=False)
    colours = [(0, 0, 0, 0)] + [(*_rgb(colour), 255) for colour in SCORE_COLOURS]
    return Picture(palette_png(classes.astype(np.uint8), colours), plane)


def contour_interval_m(dem: FloatArray) -> float:
    """Metres between contour lines, from a fixed list: about a dozen lines over the relief.

    Parameters
    ----------
    dem : (rows, cols) float, metres, NaN = not known
    """
    known = dem[np.isfinite(dem)]
    relief = float(known.max() - known.min()) if known.size else 0.0
    steps = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
    return next((step for step in steps if relief / step <= 16.0), 200.0)


def contours(
    dem: FloatArray, *, grid: Grid, interval_m: float
) -> list[tuple[float, list[LineString]]]:
    """Contour lines (easting, northing) by height, smoothed a little so that they can be read.

    Parameters
    ----------
    dem : (rows, cols) float, metres, NaN = not known: no line runs there
    interval_m : metres between lines
    """
    from skimage.measure import find_contours as level_lines

    find_contours: Any = level_lines  # scikit-image has no types for it
    ground = smoothed(dem, sigma_m=1.5 * grid.cell_size_m, cell_size_m=grid.cell_size_m)
    known = ground[np.isfinite(ground)]
    if not known.size:
        return []
    first = math.ceil(float(known.min()) / interval_m)
    last = math.floor(float(known.max()) / interval_m)
    heights = [step * interval_m for step in range(first, last + 1)]
    return [(height, _lines(find_contours(ground, height), grid)) for height in heights]


def _lines(traces: list[NDArray[np.float64]], grid: Grid) -> list[LineString]:
    lines = []
    for trace in traces:
        easting = grid.left + (trace[:, 1] + 0.5) * grid.cell_size_m
        northing = grid.top - (trace[:, 0] + 0.5) * grid.cell_size_m
        line = LineString(np.column_stack([easting, northing]))
        # Shorter ones are bumps of a few cells: noise to the reader.
        if line.length >= 15.0 * grid.cell_size_m:
            light = shapely.simplify(line, 0.4 * grid.cell_size_m)
            lines.append(LineString(shapely.get_coordinates(light)))
    return lines


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
