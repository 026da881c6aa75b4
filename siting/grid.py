"""The grid as a value: where the cells lie, with no data in it.

Two arrays may meet only when they belong to the same `Grid`. A grid is always in metres, north
up, with square cells, and its corners lie on whole multiples of the cell size from its anchor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS, Geod, Transformer
from pyproj.exceptions import ProjError

from siting.errors import SitingError

FloatArray = NDArray[np.floating]


@dataclass(frozen=True)
class Grid:
    """Square cells in a metric projected coordinate system, north up.

    Parameters
    ----------
    crs : str
        Coordinate system as `EPSG:code` or WKT text; text so that a grid can cross processes.
    left, top : float
        Easting and northing of the upper left corner, metres.
    cell_size_m : float
        Edge of a cell, metres.
    n_rows, n_cols : int
        Number of cells north-south and west-east.
    """

    crs: str
    left: float
    top: float
    cell_size_m: float
    n_rows: int
    n_cols: int

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols)."""
        return (self.n_rows, self.n_cols)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) in metres."""
        return (
            self.left,
            self.top - self.n_rows * self.cell_size_m,
            self.left + self.n_cols * self.cell_size_m,
            self.top,
        )

    @property
    def transform(self) -> Affine:
        """Affine from (col, row) of a cell's upper left corner to (easting, northing)."""
        return Affine(self.cell_size_m, 0.0, self.left, 0.0, -self.cell_size_m, self.top)

    @property
    def to_lonlat(self) -> Transformer:
        """Transformer from (easting, northing) to (lon, lat) WGS 84, in that order."""
        return transformer(self.crs, "EPSG:4326")

    @property
    def convergence_deg(self) -> float:
        """Bearing of grid north from true north mid-grid, degrees, clockwise positive."""
        left, bottom, right, top = self.bounds
        easting, northing = (left + right) / 2, (bottom + top) / 2
        lon, lat = self.to_lonlat.transform([easting, easting], [northing - 50.0, northing + 50.0])
        # A hundred metres of grid north on the ellipsoid: right for any projection, without a
        # formula.
        bearing, _, _ = Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])
        return float(bearing)

    @property
    def latitude_deg(self) -> float:
        """Latitude of the middle of the grid, degrees WGS 84, north positive."""
        left, bottom, right, top = self.bounds
        return float(self.to_lonlat.transform((left + right) / 2, (bottom + top) / 2)[1])

    def xy(
        self, row: NDArray[np.integer] | int, col: NDArray[np.integer] | int
    ) -> tuple[FloatArray, FloatArray]:
        """Easting and northing of cell centres, metres; same shape as `row` and `col`."""
        easting = self.left + (np.asarray(col) + 0.5) * self.cell_size_m
        northing = self.top - (np.asarray(row) + 0.5) * self.cell_size_m
        return easting, northing

    def rowcol(
        self, easting: FloatArray | float, northing: FloatArray | float
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and column of the cells that hold the points; may lie outside the grid."""
        col = np.floor((np.asarray(easting) - self.left) / self.cell_size_m)
        row = np.floor((self.top - np.asarray(northing)) / self.cell_size_m)
        return row.astype(np.int64), col.astype(np.int64)

    def contains(self, row: NDArray[np.integer], col: NDArray[np.integer]) -> NDArray[np.bool_]:
        """True where (row, col) is a cell of the grid; the same shape as `row` and `col`."""
        row, col = np.asarray(row), np.asarray(col)
        return (row >= 0) & (row < self.n_rows) & (col >= 0) & (col < self.n_cols)

    def window(self, row: int, col: int, n_rows: int, n_cols: int) -> Grid:
        """The part of the grid that begins at (row, col), clipped to the grid.

        Examples
        --------
        >>> Grid("EPSG:32617", 0, 100, 10, 10, 10).window(2, 3, 4, 20).bounds
        (30, 40, 100, 80)
        """
        row0, col0 = max(row, 0), max(col, 0)
        # An empty part has no cells, never a negative number of them.
        row1, col1 = min(row + n_rows, self.n_rows), min(col + n_cols, self.n_cols)
        return Grid(
            self.crs,
            self.left + col0 * self.cell_size_m,
            self.top - row0 * self.cell_size_m,
            self.cell_size_m,
            max(row1 - row0, 0),
            max(col1 - col0, 0),
        )

    def before(self, factor: int) -> tuple[int, int]:
        """Rows and columns of the first block of `factor` x `factor` cells that the grid lacks.

        Blocks are counted from the coordinate system's origin, not from the corner of the grid,
        so that a window moved by a cell is cut into the same blocks of land.

        Examples
        --------
        >>> Grid("EPSG:32617", 6, 100, 2, 10, 10).before(5)
        (0, 3)
        """
        north, east = (
            math.floor(metres / self.cell_size_m + _SAME_LATTICE)
            for metres in (self.top, self.left)
        )
        return -north % factor, east % factor

    def middles(self, factor: int) -> tuple[int, int]:
        """First row and column, in cells, that lie in the middle of a block (see `before`).

        Every `factor`-th cell from there on is the middle of a block.
        """
        above, left = self.before(factor)
        return (factor // 2 - above) % factor, (factor // 2 - left) % factor

    def padding(self, factor: int) -> tuple[tuple[int, int], tuple[int, int]]:
        """Rows above and below, columns left and right, that fill the grid up to whole blocks."""
        (above, left), (rows, cols) = self.before(factor), self.shape
        return (above, -(above + rows) % factor), (left, -(left + cols) % factor)

    def coarsened(self, factor: int) -> Grid:
        """The cells `factor` times as wide, counted from the origin, that cover this grid."""
        (above, below), (left, right) = self.padding(factor)
        return Grid(
            self.crs,
            self.left - left * self.cell_size_m,
            self.top + above * self.cell_size_m,
            self.cell_size_m * factor,
            (above + self.n_rows + below) // factor,
            (left + self.n_cols + right) // factor,
        )

    def boundary_points(self, per_side: int = 21) -> tuple[FloatArray, FloatArray]:
        """Points along the four edges, metres, so that borders that curve elsewhere are followed.

        Returns
        -------
        (easting, northing) : two (4 per_side,) float arrays, metres
        """
        left, bottom, right, top = self.bounds
        along_x, along_y = np.linspace(left, right, per_side), np.linspace(bottom, top, per_side)
        low, high = np.full(per_side, bottom), np.full(per_side, top)
        west, east = np.full(per_side, left), np.full(per_side, right)
        return (
            np.concatenate([along_x, along_x, west, east]),
            np.concatenate([low, high, along_y, along_y]),
        )

    @classmethod
    def from_bounds(
        cls,
        bounds: tuple[float, float, float, float],
        *,
        crs: str,
        cell_size_m: float,
        anchor: tuple[float, float] = (0.0, 0.0),
        whole: int = 1,
    ) -> Grid:
        """The smallest grid that covers `bounds`, its corners on the lattice through `anchor`.

        Parameters
        ----------
        bounds : tuple = (left, bottom, right, top)
            In metres of `crs`.
        crs : str
            Metric projected coordinate system.
        cell_size_m : float
            Edge of a cell, metres.
        anchor : tuple = (easting, northing)
            A corner of the lattice; the origin of a raster whose cells are to be used as they are.
        whole : int
            Each edge is moved to the nearest block of so many cells (see `before`), so that bounds
            that differ by less than a block mostly give the same grid; 1 moves none.

        Examples
        --------
        >>> near = [Grid.from_bounds((left, 0, 95, 90), crs="EPSG:32617", cell_size_m=2, whole=5)
        ...         for left in (6, 9, 14)]
        >>> [grid.bounds for grid in near[:2]], near[1] == near[2]
        ([(10.0, 0.0, 100.0, 90.0), (10.0, 0.0, 100.0, 90.0)], True)
        """
        left, bottom, right, top = bounds
        col0 = _floor((left - anchor[0]) / cell_size_m)
        col1 = _ceil((right - anchor[0]) / cell_size_m)
        row0 = _ceil((top - anchor[1]) / cell_size_m)
        row1 = _floor((bottom - anchor[1]) / cell_size_m)
        # Counted from the origin of the coordinate system, as all that is coarser than a cell.
        east, north = (math.floor(metres / cell_size_m + _SAME_LATTICE) for metres in anchor)
        col0, col1 = (_nearest(col + east, whole) - east for col in (col0, col1))
        row0, row1 = (_nearest(row + north, whole) - north for row in (row0, row1))
        return cls(
            crs,
            anchor[0] + col0 * cell_size_m,
            anchor[1] + row0 * cell_size_m,
            float(cell_size_m),
            max(row0 - row1, 1),
            max(col1 - col0, 1),
        )


# Part of a cell by which a corner may seem off its lattice through rounding.
_SAME_LATTICE = 1e-3
# A border that lies on the lattice except for rounding must not gain a row of cells.
_ON_LATTICE = 1e-6


def _nearest(number: int, whole: int) -> int:
    """The multiple of `whole` that is nearest to a whole number, of two the larger."""
    return (2 * number + whole) // (2 * whole) * whole


def _floor(value: float) -> int:
    return math.floor(value + _ON_LATTICE)


def _ceil(value: float) -> int:
    return math.ceil(value - _ON_LATTICE)


@lru_cache(maxsize=256)
def transformer(source_crs: str, target_crs: str) -> Transformer:
    """The one maker of coordinate transformers: always (lon, lat) or (easting, northing) order."""
    try:
        # always_xy: the catalogue has latitude first for some systems, which nobody here shall
        # think of.
        return Transformer.from_crs(source_crs, target_crs, always_xy=True)
    except ProjError as error:
        raise SitingError(
            "E-CRS-06",
            f"There is no conversion from {CRS(source_crs).name} to {CRS(target_crs).name}: "
            f"{str(error).splitlines()[0]}.",
            rule="Every coordinate system must lead to the working grid.",
            cure="Save the file again in a common system, for instance EPSG:4326.",
        ) from error


def crs_text(crs: CRS | object) -> str:
    """`EPSG:code` where the system equals a catalogued one except for its name, else its WKT.

    A system that does not name its datum equals many in the catalogue but for just that, so it
    keeps its own text.

    Examples
    --------
    >>> crs_text(CRS.from_epsg(32617))
    'EPSG:32617'
    """
    return _text_of(str(CRS.from_user_input(crs).srs))


@lru_cache(maxsize=256)
def _text_of(given: str) -> str:
    """`crs_text` of a system as it was written.

    The catalogue is searched once: for a system that is not in it this takes half a second.
    """
    parsed = CRS(given)
    # Sure matches first; a likely one only where the datum has the same name, for the same numbers
    # on another datum lie up to hundreds of metres away.
    authority = parsed.to_authority(min_confidence=100)
    if authority is None and names_datum(parsed):
        authority = parsed.to_authority(min_confidence=70)
        if authority and not _same_datum_name(CRS.from_authority(*authority), parsed):
            authority = None
    return ":".join(authority) if authority else str(parsed.to_wkt())


def names_datum(crs: CRS) -> bool:
    """Whether a system says which datum it is on, not only which ellipsoid."""
    return crs.datum is not None and not crs.datum.name.lower().startswith(("unknown", "unnamed"))


def _same_datum_name(first: CRS, second: CRS) -> bool:
    names = [crs.datum.name.casefold() if crs.datum else "" for crs in (first, second)]
    return names[0] == names[1]
