"""Point clouds of airborne lidar to bare-earth elevations and heights of the vegetation.

Ground is what the surveyor classed as ground (2) and water (9); noise (7, 18) and withheld points
are left out (ASPRS LAS 1.4 R15, table of classes). Between points a plane per triangle (Delaunay)
gives the height; ground farther than 15 m from any such point stays unknown.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from affine import Affine
from numpy.typing import NDArray
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import QhullError, cKDTree

from siting.gather.raster.cloud import GROUND, WATER, Cloud, check, read
from siting.grid import FloatArray, Grid
from siting.types import BoolArray, Note
from siting.words.office import gather as words

_REACH_M = 15.0
# Pieces keep the triangulation small; 30 m around each, twice the reach, leave no seam.
_PIECE_M, _OVERLAP_M = 250.0, 30.0
_CANOPY_CELLS_M = (1.0, 2.0, 3.0, 4.0, 5.0)
_MOST_EMPTY = 0.10
_BELOW_M = -0.2
_SPIKE_M, _SPIKE_CELLS = 30.0, 11
_MOST_HELD_OUT = 20_000


@dataclass(frozen=True)
class Surface:
    """A raster made of points: (rows, cols) float32 metres, NaN = not known."""

    values: FloatArray
    transform: Affine
    cell_m: float


@dataclass(frozen=True)
class Measured:
    """Elevations, vegetation, and what must be said of both."""

    crs: str
    dem: Surface
    canopy: Surface | None
    notes: tuple[Note, ...]


def measure(paths: Sequence[str], wide: Grid, *, progress: Callable[[str], None]) -> Measured:
    """Elevations and vegetation of the files under a region.

    Raises
    ------
    SitingError
        E-LIDAR-01 to -03, E-UNIT-01, E-SIZE-02, E-COVER-01.
    """
    cloud = read(paths, wide)
    check(cloud)
    progress("laying triangles over the ground")
    dem, counts = ground_surface(cloud)
    progress("measuring the vegetation")
    canopy, below = canopy_surface(cloud, dem)
    area_m2 = float(np.isfinite(dem.values).sum()) * dem.cell_m**2
    notes = [
        *cloud.notes,
        words.density(
            len(cloud.xyz) / area_m2, counts["ground"] / area_m2, dem.cell_m, cloud.years,
            held_out(cloud),
        ),
    ]  # fmt: skip
    holes = float((~np.isfinite(dem.values)).sum()) * dem.cell_m**2 / 1e6
    if holes > 0:
        notes.append(words.hole("dem", holes))
    spikes = count_spikes(dem.values)
    if spikes:
        notes.append(words.spikes(spikes))
    if below:
        notes.append(words.below_ground(below))
    return Measured(cloud.crs, dem, canopy, tuple(notes))


def ground_surface(cloud: Cloud) -> tuple[Surface, dict[str, int]]:
    """Bare-earth elevations: a plane per triangle of ground and water points, in pieces."""
    wanted = np.isin(cloud.kind, (GROUND, WATER))
    points = cloud.xyz[wanted]
    # In one order: the triangles of points on a circle depend on it.
    points = points[np.lexsort((points[:, 2], points[:, 1], points[:, 0]))]
    # Of points at one place the lowest is the ground.
    places = np.round(points[:, :2], 2)
    new = np.ones(len(points), dtype=bool)
    new[1:] = (np.diff(places, axis=0) != 0).any(axis=1)
    points = points[new]
    low, high = cloud.xyz[:, :2].min(axis=0), cloud.xyz[:, :2].max(axis=0)
    area = max(float(np.prod(high - low)), 1.0)
    # About a quarter of a point to a cell and more: finer cells would hold nothing measured.
    cell = max(1.0, math.ceil(5.0 / math.sqrt(len(points) / area)) / 10.0)
    left, top = math.floor(low[0] / cell) * cell, math.ceil(high[1] / cell) * cell
    cols, rows = math.ceil((high[0] - left) / cell), math.ceil((top - low[1]) / cell)
    values = np.full((rows, cols), np.nan, dtype=np.float32)
    step = max(1, round(_PIECE_M / cell))
    tree = cKDTree(points[:, :2])
    for row in range(0, rows, step):
        for col in range(0, cols, step):
            _piece(values, points, tree, (row, col, step), (left, top, cell))
    counts = {"ground": int((cloud.kind == GROUND).sum())}
    return Surface(values, Affine(cell, 0, left, 0, -cell, top), cell), counts


def _piece(
    values: FloatArray, points: NDArray[np.float64], tree: cKDTree,
    at: tuple[int, int, int], lattice: tuple[float, float, float],
) -> None:  # fmt: skip
    """Fill one piece from the points in it and 30 m around it."""
    row, col, step = at
    left, top, cell = lattice
    part = values[row : row + step, col : col + step]
    x = left + (col + np.arange(part.shape[1]) + 0.5) * cell
    y = top - (row + np.arange(part.shape[0]) + 0.5) * cell
    inside = (
        (points[:, 0] >= x[0] - _OVERLAP_M) & (points[:, 0] <= x[-1] + _OVERLAP_M)
        & (points[:, 1] >= y[-1] - _OVERLAP_M) & (points[:, 1] <= y[0] + _OVERLAP_M)
    )  # fmt: skip
    near = points[inside]
    if len(near) < 3:
        return
    grid_x, grid_y = np.meshgrid(x, y)
    try:
        # Counted from the piece's corner: large coordinates cost the triangles their digits.
        plane = LinearNDInterpolator(near[:, :2] - (x[0], y[-1]), near[:, 2])
    except QhullError:
        return
    found = plane(grid_x - x[0], grid_y - y[-1])
    away, _ = tree.query(
        np.column_stack([grid_x.ravel(), grid_y.ravel()]), distance_upper_bound=_REACH_M
    )
    found[~np.isfinite(away.reshape(found.shape))] = np.nan
    part[...] = found


def held_out(cloud: Cloud) -> tuple[int, float, float]:
    """(points, median and 95 % of the error) of ground points that were not used, metres."""
    ground = cloud.xyz[cloud.kind == GROUND]
    ground = ground[np.lexsort((ground[:, 2], ground[:, 1], ground[:, 0]))]
    if len(ground) < 100:
        return 0, math.nan, math.nan
    step = max(10, len(ground) // _MOST_HELD_OUT)
    out = np.zeros(len(ground), dtype=bool)
    out[::step] = True
    rest = ground[~out]
    if len(rest) > 20 * _MOST_HELD_OUT:
        # Enough of a patch: the triangles of millions of points are not laid twice.
        middle = np.median(ground[:, :2], axis=0)
        close = np.abs(ground[:, :2] - middle).max(axis=1) < 500.0
        rest, out = ground[~out & close], out & close
    start = rest[:, :2].min(axis=0)
    plane = LinearNDInterpolator(rest[:, :2] - start, rest[:, 2])
    off = np.abs(plane(ground[out][:, :2] - start) - ground[out][:, 2])
    off = off[np.isfinite(off)]
    if not off.size:
        return 0, math.nan, math.nan
    return int(off.size), float(np.median(off)), float(np.quantile(off, 0.95))


def canopy_surface(cloud: Cloud, dem: Surface) -> tuple[Surface | None, int]:
    """Heights of the vegetation: the highest point of a cell above the ground.

    The cell is the smallest of which under a tenth of the dry ones are empty. Empty over water is
    0, empty elsewhere is not known.

    Returns
    -------
    (surface or None without points above the ground, points below the ground that were set to 0)
    """
    x, y = cloud.xyz[:, 0], cloud.xyz[:, 1]
    col = ((x - dem.transform.c) / dem.cell_m).astype(int)
    row = ((dem.transform.f - y) / dem.cell_m).astype(int)
    rows, cols = dem.values.shape
    inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    above = np.full(len(x), np.nan)
    above[inside] = cloud.xyz[inside, 2] - dem.values[row[inside], col[inside]]
    # Higher than any tree: masts, wires and birds.
    good = np.isfinite(above) & (above < 130.0)
    below = int((above[good] < _BELOW_M).sum())
    if not good.any() or float(above[good].max()) < 1.0:
        return None, below
    for cell in _CANOPY_CELLS_M:
        if cell < dem.cell_m and cell != _CANOPY_CELLS_M[-1]:
            continue
        made, empty = _highest(x[good], y[good], above[good], cloud.kind[good], dem, cell)
        if empty < _MOST_EMPTY or cell == _CANOPY_CELLS_M[-1]:
            return made, below
    return None, below


def _highest(
    x: FloatArray, y: FloatArray, above: FloatArray, kind: NDArray[np.uint8], dem: Surface,
    cell: float,
) -> tuple[Surface, float]:  # fmt: skip
    left, top = dem.transform.c, dem.transform.f
    rows = math.ceil(dem.values.shape[0] * dem.cell_m / cell)
    cols = math.ceil(dem.values.shape[1] * dem.cell_m / cell)
    row = np.minimum(((top - y) / cell).astype(int), rows - 1)
    col = np.minimum(((x - left) / cell).astype(int), cols - 1)
    out = np.full((rows, cols), -np.inf)
    np.maximum.at(out, (row, col), np.maximum(above, 0.0))
    empty = ~np.isfinite(out)
    wet = np.zeros((rows, cols), dtype=bool)
    wet[row[kind == WATER], col[kind == WATER]] = True
    # Water swallows most pulses: between the few that came back there is water, too.
    wet = scipy.ndimage.binary_dilation(wet, np.ones((3, 3)), iterations=2) & empty
    known = _known_at(dem, rows, cols, cell)
    out[empty] = np.nan
    out[wet] = 0.0
    dry = known & ~wet
    share = float((empty & dry).sum() / max(dry.sum(), 1))
    return Surface(out.astype(np.float32), Affine(cell, 0, left, 0, -cell, top), cell), share


def _known_at(dem: Surface, rows: int, cols: int, cell: float) -> BoolArray:
    """Where elevations are known, in cells of another size."""
    at = [
        np.minimum(((np.arange(count) + 0.5) * cell / dem.cell_m).astype(int), most - 1)
        for count, most in zip((rows, cols), dem.values.shape, strict=True)
    ]
    out: BoolArray = np.isfinite(dem.values)[np.ix_(*at)]
    return out


def count_spikes(values: FloatArray) -> int:
    """Cells 30 m and more off the median of the 11 x 11 cells around them: birds, masts, errors."""
    filled = np.where(np.isfinite(values), values, np.nanmedian(values)).astype(np.float64)
    mean = scipy.ndimage.uniform_filter(filled, _SPIKE_CELLS)
    # A spike moves the mean by a hundredth of its height at least: few cells need the median.
    doubt = np.isfinite(values) & (np.abs(filled - mean) > _SPIKE_M * 0.6)
    half = _SPIKE_CELLS // 2
    count = 0
    for row, col in np.argwhere(doubt)[:20_000]:
        around = values[max(row - half, 0) : row + half + 1, max(col - half, 0) : col + half + 1]
        count += bool(abs(values[row, col] - np.nanmedian(around)) >= _SPIKE_M)
    return count
