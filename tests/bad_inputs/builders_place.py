"""Faults of georeferencing."""

from __future__ import annotations

import math
import warnings

import numpy as np
import rasterio
from affine import Affine
from rasterio.control import GroundControlPoint
from rasterio.errors import NotGeoreferencedWarning
from rasterio.rpc import RPC

from tests.bad_inputs.builders_crs import warped
from tests.bad_inputs.land import CELL_M, CRS, LEFT, SIZE, TOP, Land, builder, codes, hill, relief


def turned(land: Land, transform: Affine, rows: int, cols: int) -> Land:
    """The hills on a lattice of any form."""
    col, row = np.meshgrid(np.arange(cols) + 0.5, np.arange(rows) + 0.5)
    x = transform.a * col + transform.b * row + transform.c
    y = transform.d * col + transform.e * row + transform.f
    values = np.asarray(hill(x - LEFT, TOP - y), dtype=np.float32)
    return land.dem(values, transform=transform)


@builder
def place_identity(land: Land, _: str) -> Land:
    """A picture without a place, though with a coordinate system."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        return land.dem(relief(), transform=Affine.identity())


@builder
def place_south_up(land: Land, _: str) -> Land:
    bottom = TOP - SIZE * CELL_M
    return land.dem(relief()[::-1], transform=Affine(CELL_M, 0, LEFT, 0, CELL_M, bottom))


@builder
def place_mirrored(land: Land, _: str) -> Land:
    right = LEFT + SIZE * CELL_M
    return land.dem(relief()[:, ::-1], transform=Affine(-CELL_M, 0, right, 0, -CELL_M, TOP))


@builder
def place_rotated(land: Land, degrees: str) -> Land:
    turn = Affine.translation(LEFT - 100, TOP + 100) @ Affine.rotation(float(degrees))
    return turned(land, turn @ Affine.scale(CELL_M, -CELL_M), 120, 120)


@builder
def place_sheared(land: Land, _: str) -> Land:
    transform = Affine(CELL_M, 1.5, LEFT - 250, 0.5, -CELL_M, TOP + 50)
    return turned(land, transform, 100, 140)


@builder
def place_oblong(land: Land, _: str) -> Land:
    """Cells of 4 by 6 m."""
    return turned(land, Affine(4.0, 0, LEFT, 0, -6.0, TOP), 50, 75)


@builder
def place_cells(land: Land, size_m: str) -> Land:
    """Cells of another size, over more ground where they are large."""
    cell = float(size_m)
    if cell < CELL_M:
        n = round(300 / cell)
        return turned(land, Affine(cell, 0, LEFT, 0, -cell, TOP), n, n)
    n = 20
    return turned(land, Affine(cell, 0, LEFT - 5 * cell, 0, -cell, TOP + 5 * cell), n, n)


@builder
def place_control_points(land: Land, _: str) -> Land:
    corners = [(0, 0), (0, SIZE), (SIZE, 0), (SIZE, SIZE)]
    points = [GroundControlPoint(r, c, LEFT + c * CELL_M, TOP - r * CELL_M) for r, c in corners]
    path = land.folder / "dem.tif"
    path.unlink()
    with rasterio.open(
        path, "w", driver="GTiff", height=SIZE, width=SIZE, count=1, dtype="float32",
        gcps=points, crs=CRS,
    ) as out:  # fmt: skip
        out.write(relief(), 1)
    return land


@builder
def place_sensor_model(land: Land, _: str) -> Land:
    none = [0.0] * 20
    one = [1.0, *none[1:]]
    model = RPC(
        height_off=250, height_scale=50, lat_off=43.0, lat_scale=0.01, long_off=-80.5,
        long_scale=0.01, line_off=30, line_scale=30, samp_off=30, samp_scale=30,
        line_num_coeff=none, line_den_coeff=one, samp_num_coeff=none, samp_den_coeff=one,
    )  # fmt: skip
    path = land.folder / "dem.tif"
    path.unlink()
    with rasterio.open(
        path, "w", driver="GTiff", height=SIZE, width=SIZE, count=1, dtype="float32", rpcs=model
    ) as out:
        out.write(relief(), 1)
    return land


@builder
def place_point_cells(land: Land, _: str) -> Land:
    """The same raster, its place told by cell centres in place of corners."""
    land.dem(relief(), AREA_OR_POINT="Point")
    with rasterio.open(land.folder / "dem.tif", "r+") as out:
        out.update_tags(AREA_OR_POINT="Point")
    return land


@builder
def place_half_cell_off(land: Land, _: str) -> Land:
    """A land cover whose lattice lies half a cell beside that of the DEM."""
    return land.cover(
        codes(SIZE + 1, SIZE + 1),
        transform=Affine(CELL_M, 0, LEFT - CELL_M / 2, 0, -CELL_M, TOP + CELL_M / 2),
    )


@builder
def place_few_cells(land: Land, shape: str) -> Land:
    rows, cols = (int(n) for n in shape.split("x"))
    return land.dem(relief(rows, cols), cell_m=300.0 / max(rows, cols))


@builder
def place_no_size(land: Land, height: str) -> Land:
    """Cells of no height, or of next to none: a world file gone wrong."""
    return land.dem(relief(), transform=Affine(CELL_M, 0, LEFT, 0, -float(height or 0), TOP))


@builder
def place_world_file(land: Land, _: str) -> Land:
    """The place in a world file beside an ASCII raster's .prj."""
    lines = [
        f"ncols {SIZE}", f"nrows {SIZE}", f"xllcorner {LEFT}", f"yllcorner {TOP - 300}",
        f"cellsize {CELL_M}",
    ]  # fmt: skip
    lines += [" ".join(f"{v:.3f}" for v in row) for row in relief()]
    (land.folder / "dem.asc").write_text("\n".join(lines) + "\n")
    (land.folder / "dem.prj").write_text(rasterio.crs.CRS.from_string(CRS).to_wkt())
    return land.set("dem.file", "dem.asc").set("dem.z_unit", "m")


@builder
def place_east_of_360(land: Land, _: str) -> Land:
    """Longitudes counted from 0 to 360, as some makers of world-wide data do."""
    land = warped(land, "EPSG:4326")
    with rasterio.open(land.folder / "dem.tif") as source:
        values, transform = source.read(1), source.transform
    return land.dem(
        values, crs="EPSG:4326", transform=Affine.translation(360.0, 0) @ transform, nodata=math.nan
    )
