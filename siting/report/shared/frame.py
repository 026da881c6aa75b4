"""How the page turns a tap on the map into metres on the grid, and back.

The page has no projection library. Over one parcel the way from Web Mercator to any metric system
is so smooth that a polynomial of the fifth degree follows it within a millimetre; Python fits it
and the page only evaluates it. The fit's greatest error travels with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid, transformer

EARTH_RADIUS_M = 6378137.0  # of EPSG:3857
_DEGREE = 5
_LATTICE = 25
_MERCATOR_LIMIT_DEG = 85.0
# Libraries of numbers differ in the last digit from one version to the next; what goes into a page
# is rounded well above that and far below what could be seen.
METRE_DIGITS = 6
_COEFFICIENT_DIGITS = 10
Pair = tuple[FloatArray, FloatArray]


@dataclass(frozen=True)
class Fit:
    """Polynomial from one plane (metres) to another; both sides are scaled to about -1..1."""

    centre_in: tuple[float, float]
    scale_in: float
    centre_out: tuple[float, float]
    scale_out: float
    coefficients: tuple[tuple[float, ...], tuple[float, ...]]
    max_error: float

    def __call__(self, first: FloatArray, second: FloatArray) -> Pair:
        """Evaluate at points; the page does exactly the same."""
        # Centred and scaled: raw metres to the third power would lose their last digits.
        terms = _terms(
            (np.asarray(first) - self.centre_in[0]) / self.scale_in,
            (np.asarray(second) - self.centre_in[1]) / self.scale_in,
        )
        out = [
            centre + self.scale_out * np.tensordot(np.array(row), terms, axes=1)
            for centre, row in zip(self.centre_out, self.coefficients, strict=True)
        ]
        return out[0], out[1]

    def as_data(self) -> dict[str, Any]:
        """For the page, as plain numbers."""
        return {
            "centre_in": self.centre_in,
            "scale_in": self.scale_in,
            "centre_out": self.centre_out,
            "scale_out": self.scale_out,
            "degree": _DEGREE,
            "coefficients": self.coefficients,
        }


@dataclass(frozen=True)
class PageProjection:
    """The page's two planes, Web Mercator and the working grid, and the ways between them.

    `lon_0` is the middle longitude; longitudes are unwrapped about it, so that a parcel on the
    180th meridian is one piece.
    """

    grid: Grid
    lon_0: float
    to_grid: Fit
    to_mercator: Fit
    to_utm: Fit
    utm_name: str

    def mercator(self, easting: FloatArray, northing: FloatArray) -> Pair:
        """Web Mercator metres of points on the grid, exact."""
        return mercator_of(*self.lonlat(easting, northing))

    def lonlat(self, easting: FloatArray, northing: FloatArray) -> Pair:
        """Longitude and latitude, degrees, the longitude unwrapped about `lon_0`."""
        # errcheck: an infinite coordinate would end up in the page as null and stop its drawing.
        lon, lat = self.grid.to_lonlat.transform(easting, northing, errcheck=True)
        return unwrapped(np.asarray(lon), self.lon_0), np.asarray(lat)

    def as_data(self) -> dict[str, Any]:
        """For the page."""
        return {
            "to_grid": self.to_grid.as_data(),
            "to_mercator": self.to_mercator.as_data(),
            "to_utm": self.to_utm.as_data(),
            "utm_name": self.utm_name,
            "max_error_m": max(
                self.to_grid.max_error, self.to_mercator.max_error, self.to_utm.max_error
            ),
        }


def page_frame(grid: Grid) -> PageProjection:
    """The frame of a page whose ground is `grid`."""
    lon, lat = (float(v) for v in grid.to_lonlat.transform(*_middle(grid), errcheck=True))
    easting, northing = _lattice(grid)
    lons, lats = grid.to_lonlat.transform(easting, northing, errcheck=True)
    lons, lats = unwrapped(np.asarray(lons), lon), np.asarray(lats)
    x, y = mercator_of(lons, lats)
    utm_crs, utm_name = utm_zone(lon, lat)
    utm = transformer(grid.crs, utm_crs).transform(easting, northing, errcheck=True)
    return PageProjection(
        grid=grid,
        lon_0=lon,
        to_grid=_fit((x, y), (easting, northing)),
        to_mercator=_fit((easting, northing), (x, y)),
        to_utm=_fit((easting, northing), (np.asarray(utm[0]), np.asarray(utm[1]))),
        utm_name=utm_name,
    )


def unwrapped(lon: FloatArray, lon_0: float) -> FloatArray:
    """Longitudes in degrees within half a turn of `lon_0`; they may pass 180."""
    out: FloatArray = lon_0 + (lon - lon_0 + 180.0) % 360.0 - 180.0
    return out


def mercator_of(lon: FloatArray, lat: FloatArray) -> Pair:
    """Web Mercator (EPSG:3857) metres of degrees; longitudes past 180 go on to the east."""
    lat = np.clip(lat, -_MERCATOR_LIMIT_DEG, _MERCATOR_LIMIT_DEG)
    x = EARTH_RADIUS_M * np.radians(lon)
    y = EARTH_RADIUS_M * np.log(np.tan(math.pi / 4 + np.radians(lat) / 2))
    return x, y


def degrees_of(x: float, y: float) -> tuple[float, float]:
    """(lat, lon) of Web Mercator metres, in the order that Leaflet wants."""
    lat = math.degrees(2 * math.atan(math.exp(y / EARTH_RADIUS_M)) - math.pi / 2)
    return lat, math.degrees(x / EARTH_RADIUS_M)


def utm_zone(lon: float, lat: float) -> tuple[str, str]:
    """Coordinate system and plain name of the UTM zone (polar stereographic beyond its reach).

    Parameters
    ----------
    lon, lat : degrees WGS 84

    Examples
    --------
    >>> utm_zone(-80.5, 43.5)
    ('EPSG:32617', 'UTM 17 north')
    """
    side, word = (32600, "north") if lat >= 0 else (32700, "south")
    if not -80.0 <= lat <= 84.0:
        return f"EPSG:{side + 61}", f"UPS {word}"
    zone = int((lon + 180.0) % 360.0 // 6) + 1
    return f"EPSG:{side + zone}", f"UTM {zone} {word}"


def _middle(grid: Grid) -> tuple[float, float]:
    left, bottom, right, top = grid.bounds
    return (left + right) / 2, (bottom + top) / 2


def _lattice(grid: Grid) -> Pair:
    # A fifth wider than the ground, so that a tap beside it is still converted well.
    left, bottom, right, top = grid.bounds
    margin = 0.1 * max(right - left, top - bottom)
    easting, northing = np.meshgrid(
        np.linspace(left - margin, right + margin, _LATTICE),
        np.linspace(bottom - margin, top + margin, _LATTICE),
    )
    return easting.ravel(), northing.ravel()


def _terms(u: FloatArray, v: FloatArray) -> NDArray[np.float64]:
    return np.stack([u**i * v**j for i in range(_DEGREE + 1) for j in range(_DEGREE + 1 - i)])


def _fit(source: Pair, target: Pair) -> Fit:
    centre_in, scale_in = _box(source)
    centre_out, scale_out = _box(target)
    terms = _terms(
        (source[0] - centre_in[0]) / scale_in, (source[1] - centre_in[1]) / scale_in
    ).reshape(-1, source[0].size)
    wanted = (np.column_stack(target) - np.array(centre_out)) / scale_out
    solved = np.linalg.lstsq(terms.T, wanted, rcond=None)[0]
    first_row, second_row = (
        tuple(round(float(v), _COEFFICIENT_DIGITS) + 0.0 for v in column)  # no -0.0
        for column in solved.T
    )
    fit = Fit(centre_in, scale_in, centre_out, scale_out, (first_row, second_row), 0.0)
    first, second = fit(*source)
    error = float(np.hypot(first - target[0], second - target[1]).max())
    return replace(fit, max_error=round(error, METRE_DIGITS))


def _box(pair: Pair) -> tuple[tuple[float, float], float]:
    low = [round(float(v.min()), METRE_DIGITS) for v in pair]
    high = [round(float(v.max()), METRE_DIGITS) for v in pair]
    centre = ((low[0] + high[0]) / 2, (low[1] + high[1]) / 2)
    return centre, max(high[0] - low[0], high[1] - low[1]) / 2
