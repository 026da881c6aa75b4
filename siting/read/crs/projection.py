"""Coordinate systems: what is usable, which one to work in, and shapes from one to another."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Proj
from pyproj.enums import TransformDirection
from pyproj.exceptions import CRSError, ProjError
from shapely.geometry.base import BaseGeometry as Geometry

from siting.errors import SitingError
from siting.grid import crs_text, transformer
from siting.types import Note

WGS84 = "EPSG:4326"
_WORLD_MERCATOR = {"EPSG:3857", "EPSG:900913", "EPSG:3395", "EPSG:3785", "ESRI:102100"}
_MOST_SCALE_ERROR = 0.001
_MOST_TURNED_DEG = 10.0
_BEYOND_DEG, _MOST_BEYOND_DEG = 1.0, 5.0
_FARTHEST = 1e8  # degrees, metres or feet: no map of the Earth has a coordinate beyond it


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
            rule="Without one the file cannot be placed on Earth, and siting does not guess.",
            cure=f'State it with {key} = "EPSG:...", or write it into the file.',
        )
    try:
        text = crs_text(crs)
    except CRSError as error:
        raise SitingError(
            "E-CRS-02",
            f"The coordinate system of {file} is not recognised: {error}.",
            rule="It must be one that the PROJ library knows.",
            cure="Save the file again in a common system, for instance EPSG:4326.",
        ) from error
    # Axis order left aside: files and catalogues write the same system either way.
    if given and not CRS(given).equals(CRS(text), ignore_axis_order=True):
        raise SitingError(
            "E-CRS-07",
            f"{file} says {name_of(text)}, and {key} says {name_of(given)}.",
            rule=f"{key} is for files that carry no coordinate system.",
            cure=f"Remove {key}, or correct the file if it is wrong.",
        )
    return _on_earth(text, file=file, key=key)


def _on_earth(text: str, *, file: str, key: str) -> str:
    crs = horizontal(text)
    if not (crs.is_geographic or crs.is_projected):
        raise SitingError(
            "E-CRS-02",
            f"{file} uses {name_of(text)}, which is not a map of the Earth ({_kind(crs)}).",
            rule="A geographic or projected coordinate system is needed, to tie the file to a "
            "place on Earth.",
            cure=f"Georeference the file, then state the result with {key} if need be.",
        )
    return text


def _kind(crs: CRS) -> str:
    return "a local system" if crs.is_engineering else crs.type_name.removesuffix(" CRS").lower()


@lru_cache(maxsize=256)
def horizontal(text: str) -> CRS:
    """The horizontal part of a coordinate system (compound ones carry heights, too)."""
    crs = CRS(text)
    return crs.sub_crs_list[0] if crs.is_compound else crs


@lru_cache(maxsize=256)
def _plain_crs(text: str) -> CRS:
    """The horizontal part without the shift to WGS 84 that some files carry with it."""
    crs = horizontal(text)
    return crs.source_crs if crs.is_bound and crs.source_crs is not None else crs


def name_of(text: str) -> str:
    """A name to show, with its code where there is one."""
    crs = CRS(text)
    if crs.name.lower() in ("unknown", "unnamed", ""):
        return "a system without a name"
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
    crs = _plain_crs(text)
    if not crs.is_projected or metres_per_unit(text) != 1.0:
        return False
    method = crs.coordinate_operation.method_name if crs.coordinate_operation else ""
    return crs_text(crs) not in _WORLD_MERCATOR and "Pseudo" not in method


def scale_error(text: str, lon: float, lat: float) -> float:
    """Largest relative error of lengths at a place on the map projection, 0 for none.

    `lon` and `lat` are degrees WGS 84; the error is a ratio, 0.001 = a metre in a kilometre.
    """
    factors = Proj(_plain_crs(text)).get_factors(lon, lat)
    scales = (factors.meridional_scale, factors.parallel_scale)
    worst = max(abs(s - 1.0) for s in scales)
    return worst if math.isfinite(worst) else math.inf


def turned_deg(text: str, lon: float, lat: float) -> float:
    """How far north and east of a map lie from true north and east at a place, degrees.

    Some systems count to the south and west, and polar ones turn with the longitude; headings
    and words such as "north of the brook" need a map whose top is north.
    """
    # Some ten metres; near the pole southwards, for there is no more north to go.
    step = 1e-4 if lat < 89.0 else -1e-4
    change = transformer(WGS84, text)
    x, y = change.transform([lon, lon, lon + 1e-4], [lat, lat + step, lat])
    to_north = math.degrees(math.atan2(x[1] - x[0], y[1] - y[0])) + (0.0 if step > 0 else 180.0)
    to_east = math.degrees(math.atan2(y[2] - y[0], x[2] - x[0]))
    turns = [abs((angle + 180.0) % 360.0 - 180.0) for angle in (to_north, to_east)]
    return max(turns) if all(math.isfinite(v) for v in turns) else 180.0


def local_crs(lon: float, lat: float) -> str:
    """The UTM zone of a place, or beyond UTM's reach an azimuthal map about the place itself.

    Longitude 180 belongs to zone 1; a place exactly on a zone's edge to the zone east of it. Near
    the poles the polar systems would not have north at the top, so none of them is taken.
    """
    if not -80.0 <= lat <= 84.0:
        flat = CRS(f"+proj=aeqd +lat_0={lat:.2f} +lon_0={lon:.2f} +datum=WGS84 +units=m")
        named = flat.to_json_dict() | {"name": f"local map about {lat:.2f}, {lon:.2f}"}
        return crs_text(CRS.from_json_dict(named))
    # The plain zones, without the exceptions of Norway and Svalbard: the scale holds there as well.
    zone = int(((lon + 180.0) % 360.0) // 6.0) + 1
    return f"EPSG:{32600 + zone if lat >= 0 else 32700 + zone}"


def _fits(text: str, lon: float, lat: float) -> str:
    """Why a metric map cannot carry the grid at a place; "" when it can."""
    error = scale_error(text, lon, lat)
    if error > _MOST_SCALE_ERROR:
        return f"lengths in {name_of(text)} are off by {error:.2%} at the parcel"
    turned = turned_deg(text, lon, lat)
    if turned > _MOST_TURNED_DEG:
        return f"north in {name_of(text)} is {turned:.0f} degrees off at the parcel"
    return ""


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
        why = _fits(text, lon, lat) if is_metric_map(text) else "it is no local map in metres"
        if why:
            raise SitingError(
                "E-CRS-05",
                f"grid.crs = {name_of(text)} cannot carry the working grid at "
                f"{lat:.3f}, {lon:.3f}: {why}.",
                rule="Slopes, distances and headings need a map projection in metres, "
                "with a scale error below 0.1 % and north at the top; world maps and "
                "degrees will not do.",
                cure=f"Leave grid.crs out, or use {local_crs(lon, lat)}.",
            )
        return text, ()
    if is_metric_map(dem_crs):
        own = crs_text(horizontal(dem_crs))
        because = _fits(own, lon, lat)
        if not because:
            return own, ()
    else:
        because = f"the DEM is in {name_of(dem_crs)}, not in metres on a local map"
    chosen = local_crs(lon, lat)
    text = f"Worked in {name_of(chosen)}: {because}."
    return chosen, (Note("A-GRID-01", "assumption", text),)


def check_place(lon: float, lat: float, crs: str, *, what: str) -> tuple[Note, ...]:
    """Whether a place lies in the area that its coordinate system is made for.

    Numbers of one zone or one unit read in another still give a place on Earth, only a wrong one.
    Data of a whole state are often kept in one zone beyond its edge, so up to five degrees are
    let pass with a warning.

    Raises
    ------
    SitingError
        E-CRS-07 when the place lies farther outside.
    """
    area = CRS(crs).area_of_use or horizontal(crs).area_of_use
    if area is None:
        return ()
    beyond = _degrees_outside((area.west, area.south, area.east, area.north), lon, lat)
    told = (
        f"{what} would lie at longitude {lon:.3f}, latitude {lat:.3f} by {name_of(crs)}, which is "
        f"made for longitude {area.west:g} to {area.east:g}, latitude {area.south:g} to "
        f"{area.north:g}"
    )
    if beyond > _MOST_BEYOND_DEG:
        raise SitingError(
            "E-CRS-07",
            f"{told}.",
            rule=f"A place may lie at most {_MOST_BEYOND_DEG:g} degrees outside.",
            cure="Declare the right coordinate system: another zone, or another unit.",
        )
    if beyond > _BEYOND_DEG:
        return (Note("W-PLACE-01", "warning", f"{told}: check the coordinate system."),)
    return ()


def _degrees_outside(area: tuple[float, float, float, float], lon: float, lat: float) -> float:
    """How far a place lies outside an area (west, south, east, north), degrees; 0 inside."""
    west, south, east, north = area
    # Areas may lie across 180 degrees: then west is the larger number.
    width = (east - west) % 360.0 if east - west < 360.0 else 360.0
    past = (lon - west) % 360.0
    across = 0.0 if past <= width else min(past - width, 360.0 - past)
    return max(across, south - lat, lat - north, 0.0)


def project(geometry: Geometry, source: str, target: str, *, file: str) -> Geometry:
    """A geometry in another coordinate system; E-CRS-06 where a point cannot be converted."""
    corners = shapely.get_coordinates(geometry)
    if not _on_a_map(corners):
        raise _outside(corners, source, target, file)
    if source == target:
        return geometry
    change = transformer(source, target)

    def convert(points: NDArray[np.float64]) -> NDArray[np.float64]:
        try:
            east, north = change.transform(points[:, 0], points[:, 1], errcheck=True)
        except ProjError as error:
            raise _outside(points, source, target, file) from error
        moved = np.column_stack([east, north])
        if not _on_a_map(moved):
            raise _outside(points, source, target, file)
        return moved

    return shapely.transform(geometry, convert)


def _on_a_map(points: NDArray[np.float64]) -> bool:
    """Whether all points can be places: a damaged file may have a corner at 1e200 metres."""
    return not points.size or bool((np.abs(points) < _FARTHEST).all())


def _outside(points: NDArray[np.float64], source: str, target: str, file: str) -> SitingError:
    low, high = points.min(axis=0), points.max(axis=0)
    return SitingError(
        "E-CRS-06",
        f"{file}: coordinates from ({low[0]:.6g}, {low[1]:.6g}) to ({high[0]:.6g}, {high[1]:.6g}) "
        f"in {name_of(source)} cannot be converted to {name_of(target)}.",
        rule="Coordinates must be inside the area their coordinate system covers, "
        "longitude or easting first.",
        cure="Check that the file declares the right system and that longitude and latitude are "
        "not swapped.",
    )


def middle_lonlat(geometry: Geometry, crs: str, *, file: str) -> tuple[float, float]:
    """Middle of a geometry as (lon, lat); the antimeridian is crossed, not gone around.

    The mean direction of all corners tells on which side of the globe they lie, so that a parcel
    cut in two at 180 degrees, or drawn with corners on both sides of it, has its middle there.
    """
    corners = shapely.get_coordinates(project(geometry, crs, WGS84, file=file))
    # As directions: the plain mean of 179 and -179 degrees would be on the other side of the globe.
    angle = np.radians(corners[:, 0])
    mean = math.degrees(math.atan2(np.sin(angle).mean(), np.cos(angle).mean()))
    away = (corners[:, 0] - mean + 180.0) % 360.0 - 180.0
    lon = mean + float(away.min() + away.max()) / 2.0
    lat = float(corners[:, 1].min() + corners[:, 1].max()) / 2.0
    return (lon + 180.0) % 360.0 - 180.0, lat


def inverse_bounds(
    bounds: tuple[float, float, float, float], crs: str
) -> tuple[float, float, float, float]:
    """Bounds of a metric window as (west, south, east, north) degrees, west > east across 180."""
    out = transformer(WGS84, crs).transform_bounds(*bounds, direction=TransformDirection.INVERSE)
    return (float(out[0]), float(out[1]), float(out[2]), float(out[3]))
