"""What a sketch page shows under the volunteer's drawing: elevations and what is known, coarse."""

from __future__ import annotations

import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.read.crs.projection import WGS84, project
from siting.read.input_files import input_path
from siting.read.raster.relief import read_relief
from siting.read.vector import vectors
from siting.read.vector.parcels import checked_parcel, point_parcel
from siting.settings.inputs import Inputs

# What anybody may see from the road: nothing that people said of their own land.
SHOWN_LAYERS = ("water", "roads", "trails", "buildings")
# So much more is shown than the land: one finds one's place by what lies beside it.
_MARGIN = 1.6
_EMPTY_CELLS = 64
Shown = tuple[tuple[FloatArray | None, Grid], dict[str, list[Geometry]], tuple[float, float, float]]
"""(elevations or None, grid), shapes of each layer in the grid's system, (easting, northing,
radius) of the land."""


def sketch_ground(inputs: Inputs | None, point: tuple[float, float], radius_m: float) -> Shown:
    """The ground around a point (longitude, latitude), from the inputs' DEM and layers.

    Without inputs, or where the DEM has nothing there, an empty grid in a local metric system.

    Parameters
    ----------
    inputs : Inputs or None
    point : (longitude, latitude), degrees WGS 84
    radius_m : float, how far the land reaches, metres

    Returns
    -------
    Shown; elevations in the unit of the raster, shapes and place in metres of the grid's system

    Raises
    ------
    SitingError
        E-GEOM-06 for a radius out of range; E-GEOM-03 for land too small or large.
    """
    parcel = checked_parcel(point_parcel(*point, radius_m), file="--point")
    around = point_parcel(*point, min(radius_m * _MARGIN, 40_000.0))
    lonlat = project(around.geometry, around.crs, WGS84, file="--point")
    relief = read_relief(inputs, {"": lonlat}) if inputs is not None else None
    if relief is None:
        bounds = around.geometry.bounds
        cell = (bounds[2] - bounds[0]) / _EMPTY_CELLS
        grid = Grid.from_bounds(bounds, crs=around.crs, cell_size_m=cell, anchor=(0.0, 0.0))
        dem = None
    else:
        dem, grid = relief
    shape = project(parcel.geometry, parcel.crs, grid.crs, file="--point")
    known = _known(inputs, grid) if inputs is not None else {}
    centre = shapely.centroid(shape)
    return (dem, grid), known, (float(centre.x), float(centre.y), radius_m)


def _known(inputs: Inputs, grid: Grid) -> dict[str, list[Geometry]]:
    found: dict[str, list[Geometry]] = {}
    for name in SHOWN_LAYERS:
        for spec in getattr(inputs.layers, name):
            path = input_path(inputs, spec.file)
            frame, _, _ = vectors.read_layer(path, spec, grid, name=name)
            found.setdefault(name, []).extend(frame.geometry)
    return found
