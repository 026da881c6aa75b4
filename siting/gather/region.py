"""The piece of the Earth that is gathered: what was asked for, and ground around it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.disk.paths import file_and_layer
from siting.errors import SitingError
from siting.gather.network.stac import Box
from siting.grid import Grid
from siting.read.crs.projection import WGS84, inverse_bounds, local_crs, middle_lonlat, project
from siting.read.input_files import resolve
from siting.read.vector.parcels import checked_parcel, point_parcel, read_parcels
from siting.settings.inputs import ParcelInput
from siting.types import Parcel

_GRID_CELL_M = 30.0
_MOST_KM2 = 5_000.0
# A degree at most: catalogues cut in degrees, and a slip of units asks for half a continent.
_MOST_SIDE_DEG = 1.0
_FARTHEST_LAT = 84.0


@dataclass(frozen=True)
class Region:
    """The land asked for.

    Parameters
    ----------
    shape : the land as areas in `crs`, metres
    crs : str
        Local map in metres.
    point : (lon, lat, radius in metres) when it was given so
    parcels : outlines as given, empty for a point
    """

    shape: Geometry
    crs: str
    point: tuple[float, float, float] | None = None
    parcels: tuple[Parcel, ...] = ()

    def grid(self, margin_m: float) -> Grid:
        """A coarse grid (30 m) over the land and `margin_m` metres around it."""
        left, bottom, right, top = self.shape.bounds
        return Grid.from_bounds(
            (left - margin_m, bottom - margin_m, right + margin_m, top + margin_m),
            crs=self.crs,
            cell_size_m=_GRID_CELL_M,
        )

    def boxes(self, margin_m: float) -> list[Box]:
        """Boxes in degrees that hold land and margin: two where they cross 180 degrees."""
        west, south, east, north = inverse_bounds(self.grid(margin_m).bounds, self.crs)
        if west <= east:
            return [(west, south, east, north)]
        return [(west, south, 180.0, north), (-180.0, south, east, north)]

    def key(self, margin_m: float) -> list[float]:
        """Numbers that say which region this is: its boxes in degrees, `margin_m` metres wider.

        The same land has the same ones.
        """
        return [round(v, 7) for box in self.boxes(margin_m) for v in box]

    def frame(self) -> gpd.GeoDataFrame:
        """The outlines as given, for the region folder; id and label beside them."""
        return gpd.GeoDataFrame(
            {"id": [p.id for p in self.parcels], "label": [p.label for p in self.parcels]},
            geometry=[p.geometry for p in self.parcels],
            crs=self.parcels[0].crs,
        )


def from_point(lon: float, lat: float, radius_m: float) -> Region:
    """A circle about a point, (lon, lat) in degrees WGS 84, `radius_m` in metres.

    Raises
    ------
    SitingError
        E-BOX-02 for numbers that are no place, E-BOX-01 near the poles.
    """
    parcel = point_parcel(lon, lat, radius_m)
    return _checked(Region(parcel.geometry, parcel.crs, point=(lon, lat, radius_m)))


def from_file(text: str, crs: str = "") -> Region:
    """The outlines of a file, all of them."""
    file, layer = file_and_layer(text)
    path = resolve(file, Path(), allow_remote=False)
    given = read_parcels(path, ParcelInput(file=file, crs=crs), layer=layer)
    # Checked now, as scoring will: a region must not be gathered for outlines that cannot be
    # scored.
    sound = [checked_parcel(parcel, file=Path(path).name) for parcel in given]
    whole = gpd.GeoSeries(
        [shape for p in sound for shape in [project(p.geometry, p.crs, WGS84, file=file)]]
    )
    # One middle for all outlines, so that all of them are cut on one map.
    every = shapely.GeometryCollection(list(whole))
    lon, lat = middle_lonlat(every, WGS84, file=file)
    local = local_crs(lon, lat)
    flat = [project(p.geometry, p.crs, local, file=file) for p in sound]
    return _checked(Region(shapely.union_all(flat), local, parcels=tuple(given)))


def from_bounds(west: float, south: float, east: float, north: float) -> Region:
    """A box in degrees; west may lie east of east, across 180 degrees."""
    numbers = (west, south, east, north)
    if not all(math.isfinite(v) for v in numbers) or not (
        -180 <= west <= 180 and -180 <= east <= 180 and -90 <= south < north <= 90
    ):
        raise SitingError(
            "E-BOX-02",
            f"--bounds {','.join(f'{v:g}' for v in numbers)} is not a box.",
            rule="A box is WEST,SOUTH,EAST,NORTH in degrees: longitude -180 to 180, latitude -90 "
            "to 90, the south below the north.",
            cure="Check the order and the unit; metres are not understood here.",
        )
    # Across 180 degrees west is the larger number: two boxes that meet there.
    halves = [(west, east)] if west < east else [(west, 180.0), (-180.0, east)]
    boxes = [shapely.box(w, south, e, north) for w, e in halves if w < e]
    outline = boxes[0] if len(boxes) == 1 else shapely.MultiPolygon(boxes)
    lon, lat = middle_lonlat(outline, WGS84, file="--bounds")
    local = local_crs(lon, lat)
    # A long straight side in degrees is a curve on the map: corners are put in between.
    dense = shapely.segmentize(outline, 0.01)
    flat = shapely.union_all([project(dense, WGS84, local, file="--bounds")])
    parcel = Parcel("region", "", outline, WGS84)
    return _checked(Region(flat, local, parcels=(parcel,)))


def _checked(region: Region) -> Region:
    """E-BOX-01 near the poles, E-BOX-02 for what is larger than any survey's land."""
    box = region.boxes(0.0)
    south, north = box[0][1], box[0][3]
    if max(abs(south), abs(north)) > _FARTHEST_LAT:
        raise SitingError(
            "E-BOX-01",
            f"The land reaches latitude {max(south, north, key=abs):.2f}.",
            rule=f"Open data are cut in degrees, which works up to {_FARTHEST_LAT:g} degrees.",
            cure="Give elevation and land cover of your own in an inputs file.",
        )
    km2 = region.shape.area / 1e6
    sides = (sum(b[2] - b[0] for b in box), north - south)
    if km2 > _MOST_KM2 or max(sides) > _MOST_SIDE_DEG:
        raise SitingError(
            "E-BOX-02",
            f"The land is {km2:,.0f} km2, {sides[0]:.2f} degrees wide and {sides[1]:.2f} high.",
            rule=f"A region has {_MOST_KM2:,.0f} km2 at most, and one degree a side.",
            cure="Check the unit of the radius (metres) and the order of the numbers, or gather "
            "in parts.",
        )
    return region
