"""What the elevations say of the ground: slope, aspect, shaded relief."""

from __future__ import annotations

import warnings

import numpy as np
import scipy
from numpy.typing import NDArray

from siting.grid import FloatArray
from siting.kernels.bands import by_bands, in_bands
from siting.kernels.remembered import remembered

_NEXT = (-1, 0, 1)


@remembered()
def gradient(dem: FloatArray, cell_size_m: float) -> tuple[FloatArray, FloatArray]:
    """Rise per metre towards east and towards north, by Horn's third-order differences.

    Parameters
    ----------
    dem : (rows, cols) float, metres above any datum, NaN = no data, north up
    cell_size_m : float, edge of a cell, metres

    Returns
    -------
    (east, north) : two (rows, cols) float32 arrays, metres per metre; NaN where any of the nine
        cells is NaN and along the border of the array

    References
    ----------
    Horn BKP (1981) Hill shading and the reflectance map, Proc. IEEE 69(1):14-47.
    """
    z = np.asarray(dem)
    east, north = (np.full(z.shape, np.nan, dtype=np.float32) for _ in range(2))
    if min(z.shape) > 2:
        # Counted from its own lowest cell, not from the sea: see `base_level_m`.
        base = base_level_m(z)
        east[1:-1, 1:-1], north[1:-1, 1:-1] = _inner_gradient(z, cell_size_m, base)
    return east, north


def _per_step(cell_size_m: float) -> np.float32:
    # Eight steps between the cells on both sides, two cells long each.
    return np.float32(1.0 / (8.0 * cell_size_m))


def gradient_at(
    dem: FloatArray, cell_size_m: float, cells: tuple[NDArray[np.int64], NDArray[np.int64]]
) -> tuple[FloatArray, FloatArray]:
    """What `gradient` gives at some cells, digit for digit, without two arrays of the whole land.

    Parameters
    ----------
    dem : (rows, cols) float, metres above any datum, NaN = no data, north up
    cell_size_m : float, edge of a cell, metres
    cells : (row, col), two (n,) int arrays

    Returns
    -------
    (east, north) : two (n,) float32 arrays, metres per metre; NaN as there
    """
    z = np.asarray(dem)
    if min(z.shape) < 3:
        return tuple(np.full(len(cells[0]), np.nan, dtype=np.float32) for _ in range(2))  # type: ignore[return-value]
    row, col = (np.clip(at, 1, n - 2) for at, n in zip(cells, z.shape, strict=True))
    base = z.dtype.type(base_level_m(z))
    # Row by row, the nine cells around each.
    around = [[(z[row + r, col + c] - base).astype(np.float32) for c in _NEXT] for r in _NEXT]
    scale = _per_step(cell_size_m)
    west, east = (around[0][c] + 2 * around[1][c] + around[2][c] for c in (0, 2))
    upper, lower = (around[r][0] + 2 * around[r][1] + around[r][2] for r in (0, 2))
    along, across = (east - west) * scale, (upper - lower) * scale
    missing = np.isnan(along) | np.isnan(across) | np.isnan(around[1][1])
    missing |= (row != cells[0]) | (col != cells[1])
    along[missing], across[missing] = np.nan, np.nan
    return along, across


def base_level_m(z: FloatArray) -> float:
    """A level of (rows, cols) heights to count from, metres: float32 stays exact on high ground."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        lowest = float(np.nanmin(z))
    return lowest if np.isfinite(lowest) else 0.0


def _inner_gradient(
    z: FloatArray, cell_size_m: float, base: float
) -> tuple[FloatArray, FloatArray]:
    """Rise towards east and north of all cells but the outermost."""
    z = (z - z.dtype.type(base)).astype(np.float32)
    scale = _per_step(cell_size_m)
    along = z[:-2] + 2 * z[1:-1] + z[2:]
    east = (along[:, 2:] - along[:, :-2]) * scale
    across = z[:, :-2] + 2 * z[:, 1:-1] + z[:, 2:]
    north = (across[:-2] - across[2:]) * scale
    missing = np.isnan(east) | np.isnan(north) | np.isnan(z[1:-1, 1:-1])
    east[missing] = np.nan
    north[missing] = np.nan
    return east, north


def slope_deg(dem: FloatArray, cell_size_m: float) -> FloatArray:
    """Slope of the ground in degrees, by Horn's third-order differences.

    The result is NaN where any of the nine cells is NaN and along the border, so that unknown
    ground never looks flat.

    Parameters
    ----------
    dem : (rows, cols) float, metres above any datum, NaN = no data, north up
    cell_size_m : float, edge of a cell, metres

    Returns
    -------
    (rows, cols) float32, degrees, 0 flat to 90 vertical

    Notes
    -----
    Agrees with gdaldem 3.6 and richdem 0.3.4 within 0.01 degree (tests/reference).

    References
    ----------
    Horn BKP (1981) Hill shading and the reflectance map, Proc. IEEE 69(1):14-47.

    Examples
    --------
    >>> slope_deg(np.array([[3., 3, 3], [2, 2, 2], [1, 1, 1]]), 10.0)[1, 1].round(3)
    np.float32(5.711)
    """
    z = np.asarray(dem)
    out: FloatArray = np.full(z.shape, np.nan, dtype=np.float32)
    if min(z.shape) > 2:
        # One level for all bands: a level of its own for each would show at their seams.
        base, inner = base_level_m(z), out[1:-1, 1:-1]

        def fill(rows: slice) -> None:
            around = z[rows.start : rows.stop + 2]
            inner[rows] = slope_of(*_inner_gradient(around, cell_size_m, base))

        in_bands(fill, inner.shape)
    return out


def slope_of(east: FloatArray, north: FloatArray) -> FloatArray:
    """Slope in degrees from rise per metre towards east and north."""
    from siting import kernels

    # By the system's arc tangent: numpy's own differs in the last digit between processors.
    tangent = np.ascontiguousarray(np.hypot(east, north))
    angle = np.empty_like(tangent)
    kernels.arc_tangents(tangent.ravel(), angle.reshape(-1))
    out: FloatArray = np.degrees(angle)
    return out


def aspect_deg(dem: FloatArray, cell_size_m: float) -> FloatArray:
    """Compass direction of steepest descent, degrees clockwise from north in [0, 360).

    Returns
    -------
    (rows, cols) float32; NaN where flat, where any of the nine cells is NaN, and at the border

    References
    ----------
    Horn BKP (1981) Hill shading and the reflectance map, Proc. IEEE 69(1):14-47.
    """
    east, north = gradient(dem, cell_size_m)
    out: FloatArray = np.degrees(np.arctan2(-east, -north)) % 360.0
    out[(east == 0) & (north == 0)] = np.nan
    return out.astype(np.float32)


@remembered()
def mean_within(values: FloatArray, *, radius_m: float, cell_size_m: float) -> FloatArray:
    """Mean of the known values whose cell centres lie within `radius_m`.

    Parameters
    ----------
    values : (rows, cols) float, NaN = not known (left out of the mean)
    radius_m : float, metres; below one cell the values come back as they are

    Returns
    -------
    (rows, cols) float32; NaN where the cell itself is NaN
    """
    reach = int(radius_m // cell_size_m)
    if reach < 1:
        return values.astype(np.float32)
    from siting import kernels

    radius_cells = radius_m / cell_size_m
    # A hair more than the root, so that rounding never leaves out a cell just on the circle.
    half_widths = np.sqrt(radius_cells**2 - np.arange(-reach, reach + 1) ** 2) + 1e-9
    out = np.empty(values.shape, dtype=np.float32)

    def fill(rows: slice) -> None:
        kernels.disc_mean(rows.start, values, half_widths.astype(np.int64), out[rows])

    in_bands(fill, out.shape)
    return out


def hillshade(
    dem: FloatArray, cell_size_m: float, *, azimuth_deg: float = 315.0, altitude_deg: float = 45.0
) -> FloatArray:
    """Shaded relief for drawing, 0 dark to 1 bright.

    Parameters
    ----------
    azimuth_deg, altitude_deg : float
        Where the light stands, degrees clockwise from north and above the horizon. Light from
        the upper left is a convention of drawing, not the sun.

    References
    ----------
    Horn BKP (1981) Hill shading and the reflectance map, Proc. IEEE 69(1):14-47.
    """
    east, north = gradient(dem, cell_size_m)
    azimuth, altitude = np.radians(azimuth_deg), np.radians(altitude_deg)
    light_e, light_n = np.sin(azimuth) * np.cos(altitude), np.cos(azimuth) * np.cos(altitude)
    bright = (np.sin(altitude) - east * light_e - north * light_n) / np.sqrt(
        1.0 + east**2 + north**2
    )
    out: FloatArray = np.clip(bright, 0.0, 1.0).astype(np.float32)
    return out


def smoothed(
    dem: FloatArray,
    *,
    sigma_m: float,
    cell_size_m: float,
    every: int = 1,
    first: tuple[int, int] = (0, 0),
) -> FloatArray:
    """Elevations smoothed by a Gaussian that leaves missing cells out; NaN stays NaN.

    Parameters
    ----------
    sigma_m : float, standard deviation of the Gaussian, metres
    every : int
        Only every n-th row and column is wanted; the others are not worked out.
    first : (row, col)
        The first row and column wanted.
    """
    known = np.isfinite(dem)
    sigma = sigma_m / cell_size_m

    def along_rows(values: FloatArray, start: int) -> FloatArray:
        def blur(part: FloatArray) -> FloatArray:
            return np.asarray(scipy.ndimage.gaussian_filter1d(part, sigma, axis=1)[:, start::every])

        return by_bands(blur, values, reach=0)

    def blurred(values: FloatArray) -> FloatArray:
        return along_rows(along_rows(values.T, first[0]).T, first[1])

    # In float64: the weights of a wide Gaussian are tiny, and saddles are told apart by decimetres.
    total = blurred(np.where(known, dem, 0.0).astype(np.float64))
    weight = blurred(known.astype(np.float64))
    with np.errstate(invalid="ignore", divide="ignore"):
        out: FloatArray = (total / weight).astype(np.float32)
    out[~known[first[0] :: every, first[1] :: every]] = np.nan
    return out
