"""Tiles of one product joined on their own lattice. Nothing is resampled here.

Warping tile by tile and joining after changes elevations by up to 1.5 m, because the resampler
takes its kernel from the part of the window that a tile covers (measured, docs/gather.md). So
cells are copied as they are, and `siting score` resamples the whole once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from rasterio.warp import Resampling, reproject
from rasterio.windows import Window

from siting.errors import SitingError
from siting.gather.raster.windows import Tile, bytes_to_come, read_window, too_large
from siting.grid import Grid, transformer
from siting.read.crs.projection import metres_per_unit
from siting.read.raster.rasters import RasterFacts, cell_metres_at, source_window
from siting.types import BoolArray

_OFF_LATTICE = 0.01
_WHOLE = 0.9995
_FAR_CELL_M = 30.0
_MOST_CELLS = 400_000_000


@dataclass(frozen=True)
class Piece:
    """A part of a tile: its window there, and the (row, col) of its corner in the mosaic."""

    tile: Tile
    window: Window
    row: int
    col: int


@dataclass(frozen=True)
class Mosaic:
    """Tiles of one kind under a region.

    Parameters
    ----------
    crs : str
    transform : Affine of the mosaic's corner
    shape : (rows, cols)
    pieces : parts that fill it, in the order of their tiles' names
    share : float
        Share of the land, with the ground that is always read around it, under the tiles.
    edition : str
    cell_m : float
    """

    crs: str
    transform: Affine
    shape: tuple[int, int]
    pieces: tuple[Piece, ...]
    share: float
    edition: str
    cell_m: float

    @property
    def first(self) -> RasterFacts:
        """What the first tile says of itself; number type, unit and nodata hold for all."""
        return self.pieces[0].tile.facts

    def bytes_to_come(self, *, key: str) -> int:
        """Bytes that its pieces will take from the network."""
        return sum(bytes_to_come(p.tile, p.window, key=key) for p in self.pieces)


def mosaics(tiles: Sequence[Tile], land: Grid, wide: Grid, *, beyond: bool = False) -> list[Mosaic]:
    """The tiles as mosaics, the one to take first: whole before part, new before old, then fine.

    Parameters
    ----------
    tiles : as they are found, of any editions and kinds
    land : Grid over the land and the ground that is always read around it
    wide : Grid over all that is wanted
    beyond : bool
        Let the mosaics reach over all that is wanted, also where their tiles end: what lies there
        is to be filled from others.

    Raises
    ------
    SitingError
        E-TILES-01 when tiles of one kind do not share a lattice.
    """
    groups: dict[tuple[Any, ...], list[Tile]] = {}
    for tile in sorted(tiles, key=lambda t: t.id):
        groups.setdefault(_kind(tile), []).append(tile)
    found = [
        m for group in groups.values() if (m := _mosaic(group, land, wide, beyond)) is not None
    ]
    # Stable sorts, the least important first.
    found.sort(key=lambda m: m.cell_m)
    found.sort(key=lambda m: m.edition, reverse=True)
    return sorted(found, key=lambda m: (m.share < _WHOLE, -round(m.share, 3)))


def _kind(tile: Tile) -> tuple[Any, ...]:
    """What tiles must have in common to be joined without a word."""
    f = tile.facts
    size = tuple(float(f"{v:.6g}") for v in (f.transform.a, f.transform.e))
    return (tile.edition, f.crs, size, f.dtype, repr(f.no_data), f.unit, f.scale, f.offset)


def _mosaic(tiles: Sequence[Tile], land: Grid, wide: Grid, beyond: bool) -> Mosaic | None:
    unrolled = [_unrolled(tile, land) for tile in tiles]
    base = unrolled[0].facts
    if not base.north_up:
        raise SitingError(
            "E-TILES-01",
            f"{base.file} is not north up.",
            rule="Tiles are joined on a lattice whose rows run west to east.",
            cure="Turn it upright first, for instance with gdalwarp.",
        )
    spans = [_span(tile.facts, base) for tile in unrolled]
    top, left = min(s[0] for s in spans), min(s[1] for s in spans)
    bottom, right = max(s[2] for s in spans), max(s[3] for s in spans)
    if beyond:
        width, height = wide.bounds[2] - wide.bounds[0], wide.bounds[3] - wide.bounds[1]
        # Twice as far as asked: the window is cut to what is wanted just below.
        more = math.ceil(2.0 * max(width, height) / base.cell_m)
        top, left, bottom, right = top - more, left - more, bottom + more, right + more
    whole = replace(
        base,
        transform=base.transform @ Affine.translation(left, top),
        shape=(bottom - top, right - left),
    )
    window = source_window(whole, wide, margin=2)
    if window is None:
        return None
    middle = ((land.bounds[0] + land.bounds[2]) / 2, (land.bounds[1] + land.bounds[3]) / 2)
    cell_m = cell_metres_at(whole, *middle, crs=land.crs)
    window = _aligned(window, whole, cell_m)
    rows, cols = int(window.height), int(window.width)
    if rows * cols > _MOST_CELLS:
        raise too_large(rows, cols, base.file)
    row0, col0 = top + int(window.row_off), left + int(window.col_off)
    pieces = [
        piece
        for tile, span in zip(unrolled, spans, strict=True)
        if (piece := _piece(tile, span, (row0, col0, row0 + rows, col0 + cols))) is not None
    ]
    if not pieces:
        return None
    return Mosaic(
        base.crs,
        base.transform @ Affine.translation(col0, row0),
        (rows, cols),
        tuple(pieces),
        _share([tile.facts for tile in unrolled], land),
        unrolled[0].edition,
        cell_m,
    )


def _unrolled(tile: Tile, land: Grid) -> Tile:
    """The tile, its longitudes counted so that none jumps at 180 degrees near the land."""
    facts = tile.facts
    if metres_per_unit(facts.crs) is not None:
        return tile
    left, bottom, right, top = land.bounds
    lon, _ = transformer(land.crs, facts.crs).transform((left + right) / 2, (bottom + top) / 2)
    middle, _ = facts.transform @ (facts.shape[1] / 2, facts.shape[0] / 2)
    # Near the land no longitude may jump from 180 to -180 between two tiles.
    turns = 360.0 * round((lon - middle) / 360.0)
    if not turns:
        return tile
    moved = Affine.translation(turns, 0.0) @ facts.transform
    return replace(tile, facts=replace(facts, transform=moved))


def _span(facts: RasterFacts, base: RasterFacts) -> tuple[int, int, int, int]:
    """(top, left, bottom, right) of a tile, in cells counted from the first tile's corner."""
    t, b = facts.transform, base.transform
    col, row = (t.c - b.c) / b.a, (t.f - b.f) / b.e
    off = max(abs(col - round(col)), abs(row - round(row)))
    if off > _OFF_LATTICE:
        raise SitingError(
            "E-TILES-01",
            f"{facts.file} lies {off:.2f} of a cell off the lattice of {base.file}.",
            rule="Tiles that are joined share one lattice, within a hundredth of a cell.",
            cure="They are two products, or one of them was resampled: give them one at a time.",
        )
    rows, cols = facts.shape
    return round(row), round(col), round(row) + rows, round(col) + cols


def _aligned(window: Window, whole: RasterFacts, cell_m: float) -> Window:
    """The window widened to whole coarse cells of the far skyline, counted from the corner.

    `siting score` reads far elevations in means of several cells, counted from the corner of the
    file; a cut that begins between two of them would change the skyline by a hair.
    """
    step = max(1, int(_FAR_CELL_M / cell_m))
    row, col = int(window.row_off) // step * step, int(window.col_off) // step * step
    bottom = math.ceil((window.row_off + window.height) / step) * step
    right = math.ceil((window.col_off + window.width) / step) * step
    bottom, right = min(bottom, whole.shape[0]), min(right, whole.shape[1])
    return Window(col, row, right - col, bottom - row)


def _piece(
    tile: Tile, span: tuple[int, int, int, int], wanted: tuple[int, int, int, int]
) -> Piece | None:
    top, left = max(span[0], wanted[0]), max(span[1], wanted[1])
    bottom, right = min(span[2], wanted[2]), min(span[3], wanted[3])
    if bottom <= top or right <= left:
        return None
    window = Window(left - span[1], top - span[0], right - left, bottom - top)
    return Piece(tile, window, top - wanted[0], left - wanted[1])


def _share(facts: Sequence[RasterFacts], land: Grid) -> float:
    """Share of a grid's cells whose middle lies in one of the rasters."""
    rows, cols = np.meshgrid(*(np.arange(n) for n in land.shape), indexing="ij")
    x, y = transformer(land.crs, facts[0].crs).transform(*land.xy(rows.ravel(), cols.ravel()))
    inside = np.zeros(x.shape, dtype=bool)
    for one in facts:
        t = one.transform
        turned = x
        if metres_per_unit(one.crs) is None:
            middle = t.c + t.a * one.shape[1] / 2
            turned = x + 360.0 * np.round((middle - x) / 360.0)
        col, row = (turned - t.c) / t.a, (y - t.f) / t.e
        inside |= (col >= 0) & (col <= one.shape[1]) & (row >= 0) & (row <= one.shape[0])
    return float(inside.mean())


def join(
    mosaic: Mosaic, *, key: str, progress: Any = None
) -> tuple[NDArray[Any], BoolArray, tuple[str, ...]]:
    """The cells of a mosaic as they are stored.

    Where two tiles share cells, the first by name is taken; tiles whose shared cells differ are
    told.

    Returns
    -------
    (values, known, differing) : (rows, cols) arrays, and names of tiles whose shared cells differ
    """
    values = np.zeros(mosaic.shape, dtype=mosaic.first.dtype)
    known = np.zeros(mosaic.shape, dtype=bool)
    differing: list[str] = []
    for piece in mosaic.pieces:
        if progress is not None:
            progress(f"reading {piece.tile.id}")
        part, there = read_window(piece.tile, piece.window, key=key)
        rows = slice(piece.row, piece.row + part.shape[0])
        cols = slice(piece.col, piece.col + part.shape[1])
        # Editions that overlap should agree where they do; if not, that is told, not averaged.
        both = known[rows, cols] & there
        if both.any() and not np.array_equal(values[rows, cols][both], part[both]):
            differing.append(piece.tile.id)
        new = there & ~known[rows, cols]
        values[rows, cols][new] = part[new]
        known[rows, cols] |= there
    return values, known, tuple(differing)


def fill(
    values: NDArray[Any], known: BoolArray, mosaic: Mosaic, second: Mosaic, *, key: str,
    classes: bool,
) -> tuple[NDArray[Any], BoolArray, int, float]:  # fmt: skip
    """Holes of a mosaic filled from another product, laid on its lattice.

    Heights are taken bilinearly with the kernel held at one cell (XSCALE, YSCALE), classes from
    the nearest cell.

    Returns
    -------
    (values, known, cells filled, median difference where both are known) : the difference is NaN
    where they share no cell
    """
    other, there, _ = join(second, key=key)
    source = np.where(there, other, np.nan).astype(np.float64)
    laid = np.full(mosaic.shape, np.nan)
    options = {} if classes else {"XSCALE": "1", "YSCALE": "1"}
    reproject(
        source,
        laid,
        src_transform=second.transform,
        src_crs=second.crs,
        src_nodata=np.nan,
        dst_transform=mosaic.transform,
        dst_crs=mosaic.crs,
        dst_nodata=np.nan,
        resampling=Resampling.nearest if classes else Resampling.bilinear,
        num_threads=1,
        **options,
    )
    both = known & np.isfinite(laid)
    # The step at the seam, in the unit of the cells: what a reader would see as a cliff.
    step = float(np.median(laid[both] - values[both])) if both.any() else math.nan
    holes = ~known & np.isfinite(laid)
    out = values.copy()
    out[holes] = laid[holes].astype(values.dtype)
    return out, known | holes, int(holes.sum()), step


def trimmed(
    values: NDArray[Any], known: BoolArray, mosaic: Mosaic
) -> tuple[NDArray[Any], BoolArray, Mosaic]:
    """A mosaic without the rows and columns at its sides of which nothing is known."""
    rows, cols = np.flatnonzero(known.any(axis=1)), np.flatnonzero(known.any(axis=0))
    if not rows.size:
        return values, known, mosaic
    down, across = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
    corner = mosaic.transform @ Affine.translation(int(cols[0]), int(rows[0]))
    shape = values[down, across].shape
    cut = replace(mosaic, transform=corner, shape=(shape[0], shape[1]))
    return values[down, across], known[down, across], cut
