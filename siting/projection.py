"""Coordinate systems: what is usable, which one to work in, and how exact a conversion is."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Proj
from pyproj.aoi import AreaOfInterest
from pyproj.enums import TransformDirection
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup
from shapely.geometry.base import BaseGeometry as Geometry

from siting.errors import SitingError
from siting.grid import crs_text, transformer
from siting.types import Note

WGS84 = "EPSG:4326"
_WORLD_MERCATOR = {"EPSG:3857", "EPSG:900913", "EPSG:3395", "EPSG:3785", "ESRI:102100"}
_MOST_SCALE_ERROR = 0.001


def parse_crs(text: str, *, key: str) -> str:
    """A coordinate system that a user typed, as `EPSG:code` or WKT; else E-CRS-03."""
    try:
        return crs_text(CRS.from_user_input(text))
    except CRSError as error:
        raise SitingError(
            "E-CRS-03",
            f"{key} = {text!r} is not a coordinate system.",
            rule="A coordinate system is given as EPSG:code, WKT or a PROJ string.",
            cure="Look up the code in the data's description, for instance EPSG:32617.",
        ) from error


def file_crs(crs: Any, *, file: str, asserted: str, key: str) -> str:
    """The coordinate system of a file, or the one asserted for it where it has none.

    Raises
    ------
    SitingError
        E-CRS-01 when there is none, E-CRS-02 when it is local, E-CRS-07 when the assertion
        contradicts the file.
    """
    given = parse_crs(asserted, key=key) if asserted else ""
    if crs is None or (isinstance(crs, str) and not crs):
        if given:
            return _on_earth(given, file=file, key=key)
        raise SitingError(
            "E-CRS-01",
            f"{file} has no coordinate system.",
            rule="A position on Earth cannot be computed without one, and none is guessed.",
            cure=f'State it with {key} = "EPSG:...", or write it into the file.',
        )
    try:
        text = crs_text(crs)
    except CRSError as error:
        raise SitingError(
            "E-CRS-02",
            f"The coordinate system of {file} is not understood: {error}.",
            rule="It must be one that the PROJ library knows.",
            cure="Save the file again in a common system, for instance EPSG:4326.",
        ) from error
    if given and not CRS(given).equals(CRS(text), ignore_axis_order=True):
        raise SitingError(
            "E-CRS-07",
            f"{file} says {name_of(text)}, and {key} says {name_of(given)}.",
            rule=f"{key} is for files that carry no coordinate system.",
            cure=f"Remove {key}, or mend the file if it is wrong.",
        )
    return _on_earth(text, file=file, key=key)


def _on_earth(text: str, *, file: str, key: str) -> str:
    crs = CRS(text)
    usable = crs.is_geographic or crs.is_projected or crs.is_compound or crs.is_bound
    if crs.is_engineering or crs.is_geocentric or crs.is_vertical or not usable:
        raise SitingError(
            "E-CRS-02",
            f"{file} uses {name_of(text)}, a {crs.type_name.lower()}.",
            rule="A geographic or projected coordinate system is needed, to tie the file to a "
            "place on Earth.",
            cure=f"Georeference the file, then state the result with {key} if need be.",
        )
    return text


@lru_cache(maxsize=256)
def horizontal(text: str) -> CRS:
    """The horizontal part of a coordinate system (compound ones carry heights, too)."""
    crs = CRS(text)
    return crs.sub_crs_list[0] if crs.is_compound else crs


def name_of(text: str) -> str:
    """A name to show, with its code where there is one."""
    crs = CRS(text)
    code = text if len(text) < 20 else ""
    return f"{crs.name} ({code})" if code and code != crs.name else str(crs.name)


def metres_per_unit(text: str) -> float | None:
    """Length of one unit of the horizontal axes in metres; None for degrees."""
    crs = horizontal(text)
    if crs.is_geographic:
        return None
    return float(crs.axis_info[0].unit_conversion_factor)


def is_metric_map(text: str) -> bool:
    """True for a projected system in metres that is not made for the whole world."""
    crs = horizontal(text)
    if not crs.is_projected or metres_per_unit(text) != 1.0:
        return False
    method = crs.coordinate_operation.method_name if crs.coordinate_operation else ""
    return crs_text(crs) not in _WORLD_MERCATOR and "Pseudo" not in method


def scale_error(text: str, lon: float, lat: float) -> float:
    """Largest relative error of lengths at a place on the map projection, 0 for none."""
    factors = Proj(horizontal(text)).get_factors(lon, lat)
    scales = (factors.meridional_scale, factors.parallel_scale)
    worst = max(abs(s - 1.0) for s in scales)
    return worst if math.isfinite(worst) else math.inf


def local_crs(lon: float, lat: float) -> str:
    """The UTM zone of a place, or beyond UTM's reach a polar stereographic system.

    Longitude 180 belongs to zone 1; a place exactly on a zone's edge to the zone east of it.
    """
    if lat > 84.0:
        return "EPSG:5041"
    if lat < -80.0:
        return "EPSG:5042"
    zone = int(((lon + 180.0) % 360.0) // 6.0) + 1
    return f"EPSG:{32600 + zone if lat >= 0 else 32700 + zone}"


def working_crs(
    lon: float, lat: float, *, dem_crs: str, asked: str = ""
) -> tuple[str, tuple[Note, ...]]:
    """The coordinate system of the working grid, and why.

    The one asked for, else the DEM's own when it is in metres and true to scale within 0.1 % at
    the parcel (its cells are then used as they are), else the UTM zone of the parcel.

    Parameters
    ----------
    lon, lat : float
        Middle of the parcel, degrees WGS 84.

    Raises
    ------
    SitingError
        E-CRS-05 when the one asked for is not in metres or not true to scale.
    """
    if asked:
        text = parse_crs(asked, key="grid.crs")
        if not is_metric_map(text) or scale_error(text, lon, lat) > _MOST_SCALE_ERROR:
            raise SitingError(
                "E-CRS-05",
                f"grid.crs = {name_of(text)} cannot carry the working grid at "
                f"{lat:.3f}, {lon:.3f}.",
                rule="Slopes and distances need a map projection in metres that is true to "
                "scale within 0.1 % at the parcel; world maps and degrees are not.",
                cure=f"Leave grid.crs out, or use {local_crs(lon, lat)}.",
            )
        return text, ()
    if is_metric_map(dem_crs):
        own = crs_text(horizontal(dem_crs))
        error = scale_error(own, lon, lat)
        if error <= _MOST_SCALE_ERROR:
            return own, ()
        because = f"lengths in {name_of(own)} are off by {error:.2%} at the parcel"
    else:
        because = f"the DEM is in {name_of(dem_crs)}, not in metres on a local map"
    chosen = local_crs(lon, lat)
    text = f"Worked in {name_of(chosen)}: {because}."
    return chosen, (Note("A-GRID-01", "assumption", text),)


def conversion_note(
    source: str, target: str, *, bounds_lonlat: tuple[float, float, float, float], limit_m: float
) -> Note | None:
    """How exact the conversion between two systems is at a place; None when they share a datum.

    Raises
    ------
    SitingError
        E-DATUM-01 when the best conversion needs a grid file that is not installed and the one
        left is off by more than `limit_m`.
    """
    operation = _best_operation(source, target, bounds_lonlat)
    if operation is None:
        return None
    text, accuracy_m, best_available, missing = operation
    if not best_available and not 0 <= accuracy_m <= limit_m:
        off = f"{accuracy_m:g} m" if accuracy_m >= 0 else "an unknown amount"
        raise SitingError(
            "E-DATUM-01",
            f"From {name_of(source)} to {name_of(target)} only a rough conversion is installed, "
            f"off by {off}; the exact one needs {missing}.",
            rule=f"Layers must fit within half a cell ({limit_m:g} m).",
            cure="Install the grid with 'projsync', allow PROJ's network access with "
            "PROJ_NETWORK=ON, or convert the file beforehand.",
        )
    if accuracy_m == 0:
        return None
    told = f"within {accuracy_m:g} m" if accuracy_m > 0 else "accuracy not stated"
    return Note(
        "A-DATUM-01",
        "assumption",
        f"{name_of(source)} to {name_of(target)}: {text} ({told}).",
    )


@lru_cache(maxsize=256)
def _best_operation(
    source: str, target: str, bounds: tuple[float, float, float, float]
) -> tuple[str, float, bool, str] | None:
    west, south, east, north = bounds
    area = AreaOfInterest(west, south, east, north) if west <= east else None
    group = TransformerGroup(
        horizontal(source), horizontal(target), always_xy=True, area_of_interest=area
    )
    if not group.transformers:
        return ("none", -1.0, False, "an unknown grid")
    first = group.transformers[0]
    unavailable = group.unavailable_operations
    grids = [g.short_name for o in unavailable for g in o.grids if not g.available]
    missing = ", ".join(dict.fromkeys(grids)) or "a grid file"
    accuracy = float(first.accuracy) if first.accuracy is not None else -1.0
    return (first.description, accuracy, bool(group.best_available), missing)


def project(geometry: Geometry, source: str, target: str, *, file: str) -> Geometry:
    """A geometry in another coordinate system; E-CRS-06 where a point cannot be converted."""
    if source == target:
        return geometry
    change = transformer(source, target)

    def convert(points: NDArray[np.float64]) -> NDArray[np.float64]:
        try:
            east, north = change.transform(points[:, 0], points[:, 1], errcheck=True)
        except ProjError as error:
            raise _outside(points, source, target, file) from error
        moved = np.column_stack([east, north])
        if not np.isfinite(moved).all():
            raise _outside(points, source, target, file)
        return moved

    return shapely.transform(geometry, convert)


def _outside(points: NDArray[np.float64], source: str, target: str, file: str) -> SitingError:
    low, high = points.min(axis=0), points.max(axis=0)
    return SitingError(
        "E-CRS-06",
        f"{file}: coordinates from ({low[0]:.6g}, {low[1]:.6g}) to ({high[0]:.6g}, {high[1]:.6g}) "
        f"in {name_of(source)} cannot be converted to {name_of(target)}.",
        rule="Coordinates must lie where their coordinate system is defined, longitude or "
        "easting first.",
        cure="Check that the file declares the right system and that longitude and latitude are "
        "not swapped.",
    )


def middle_lonlat(geometry: Geometry, crs: str, *, file: str) -> tuple[float, float]:
    """Middle of a geometry as (lon, lat); the antimeridian is crossed, not gone around."""
    parts = shapely.get_parts(project(geometry, crs, WGS84, file=file))
    centres = shapely.centroid(parts)
    lon, lat = shapely.get_x(centres), shapely.get_y(centres)
    angle = np.radians(lon)
    mean = math.degrees(math.atan2(np.sin(angle).mean(), np.cos(angle).mean()))
    return mean, float(lat.mean())


def inverse_bounds(
    bounds: tuple[float, float, float, float], crs: str
) -> tuple[float, float, float, float]:
    """Bounds of a metric window as (west, south, east, north) degrees, west > east across 180."""
    out = transformer(WGS84, crs).transform_bounds(*bounds, direction=TransformDirection.INVERSE)
    return (float(out[0]), float(out[1]), float(out[2]), float(out[3]))
