"""Shapes in longitude and latitude as RFC 7946 wants them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, cast

import numpy as np
import shapely
from shapely import Geometry, MultiPolygon, Polygon
from shapely.affinity import translate
from shapely.geometry import mapping
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from siting.grid import transformer

DECIMALS = 7
"""Of longitude and latitude in files: about a centimetre, the most RFC 7946 advises."""

_WEST = shapely.box(-180.0, -90.0, 180.0, 90.0)
_EAST = shapely.box(180.0, -90.0, 540.0, 90.0)
_PIECE_M = 100.0


def degree_text(lon: float, lat: float) -> str:
    """Latitude and longitude to five decimals, about a metre, with their halves named.

    Examples
    --------
    >>> degree_text(-80.5, 43.25)
    '43.25000° N, 80.50000° W'
    """
    north, east = ("N" if lat >= 0 else "S"), ("E" if lon >= 0 else "W")
    # Five decimals are about a metre; more would claim what neither map nor phone knows.
    return f"{abs(lat):.5f}° {north}, {abs(lon):.5f}° {east}"


def geojson_geometry(shape: Geometry, crs: str) -> dict[str, Any]:
    """A shape as an RFC 7946 geometry.

    Longitude first, WGS 84, 7 decimals; outer rings run counter-clockwise and holes clockwise
    (3.1.6); what crosses the antimeridian is cut there (3.1.9).

    Parameters
    ----------
    shape : point, line or polygon, single or multi, in `crs`
    crs : str
        Metric coordinate system. Straight pieces of it are divided at every 100 m, since a line
        that is straight on one map is not on another.
    """
    pieces = shapely.segmentize(shapely.force_2d(shape), _PIECE_M)
    cut = _cut(_unwrapped(pieces, crs))
    rounded = shapely.transform(cut, lambda xy: np.round(xy, DECIMALS))
    found: dict[str, Any] = _lists(mapping(_right_handed(rounded)))
    return found


def _unwrapped(shape: Geometry, crs: str) -> Geometry:
    """In degrees; east of the antimeridian the longitudes go on past 180."""
    to_lonlat = transformer(crs, "EPSG:4326")

    def convert(xy: Any) -> Any:
        lon, lat = to_lonlat.transform(xy[:, 0], xy[:, 1], errcheck=True)
        if len(lon) and lon.max() - lon.min() > 180.0:
            # No parcel is half a world wide: this one lies across the antimeridian.
            lon = np.where(lon < 0.0, lon + 360.0, lon)
        return np.column_stack([lon, lat])

    return shapely.transform(shape, convert)


def _cut(shape: Geometry) -> Geometry:
    if shapely.bounds(shape)[2] <= 180.0:
        return shape
    west = shapely.get_parts(shapely.intersection(shape, _WEST))
    east = shapely.get_parts(translate(shapely.intersection(shape, _EAST), xoff=-360.0))
    # What only touches the antimeridian leaves a stray point or line there.
    parts = [*west, *east]
    same = [part for part in parts if shapely.get_dimensions(part) == shapely.get_dimensions(shape)]
    return shapely.union_all(same)


def _right_handed(shape: Geometry) -> BaseGeometry:
    if isinstance(shape, Polygon):
        return orient(shape)
    if isinstance(shape, MultiPolygon):
        return MultiPolygon([orient(part) for part in shape.geoms])
    return cast(BaseGeometry, shape)


def _lists(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _lists(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_lists(item) for item in value]
    return value


def points_bbox(lon: Sequence[float], lat: Sequence[float]) -> list[float]:
    """[west, south, east, north] of points; west is greater than east across the antimeridian.

    Examples
    --------
    >>> points_bbox([-80.5, -80.4], [43.5, 43.6])
    [-80.5, 43.5, -80.4, 43.6]
    >>> points_bbox([179.9, -179.8], [-17.0, -16.0])
    [179.9, -17.0, -179.8, -16.0]
    """
    west, east = min(lon), max(lon)
    if east - west > 180.0:
        west, east = min(x for x in lon if x > 0.0), max(x for x in lon if x <= 0.0)
    return [west, min(lat), east, max(lat)]
