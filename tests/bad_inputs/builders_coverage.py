"""Rasters and layers that reach over a part of the parcel, or over none of it."""

from __future__ import annotations

import numpy as np
from affine import Affine

from tests.bad_inputs.land import CELL_M, SIZE, Land, builder, codes, frame, raster, relief


@builder
def covers_other_place(land: Land, text: str) -> Land:
    """The raster lies so many metres farther east: "dem METRES" or "cover METRES"."""
    which, metres = text.split()
    if which == "dem":
        return land.dem(relief(), left=land.left + float(metres))
    return land.cover(codes(), left=land.left + float(metres))


@builder
def covers_share(land: Land, text: str) -> Land:
    """The raster covers the western part of the parcel: "dem SHARE" or "cover SHARE"."""
    which, share = text.split()
    cols = round((50 + 200 * float(share)) / CELL_M)
    if which == "dem":
        return land.dem(relief()[:, :cols])
    return land.cover(codes()[:, :cols])


@builder
def covers_to_the_fence(land: Land, which: str) -> Land:
    """The raster ends where the parcel ends."""
    inner = slice(10, 50)
    place = {"left": land.left + 50, "top": land.top - 50}
    if which == "dem":
        return land.dem(relief()[inner, inner], **place)
    return land.cover(codes()[inner, inner], **place)


@builder
def covers_with_gap(land: Land, _: str) -> Land:
    """A gap between two tiles, 20 m wide, across the parcel."""
    values = relief()
    values[:, 28:32] = np.nan
    return land.dem(values, nodata=np.nan)


@builder
def covers_coarsely(land: Land, cell_m: str) -> Land:
    """Land cover in cells far larger than those of the DEM."""
    cell = float(cell_m)
    n = int(300 // cell) + 1
    return land.cover(codes(n, n, cell), cell_m=cell)


@builder
def covers_whole_region(land: Land, which: str) -> Land:
    """A raster over 200 x 200 km that holds only what was ever written: 1.6 billion cells."""
    n = 40_000
    values, nodata = (relief(), -9999.0) if which == "dem" else (codes(), 0)
    left, top = land.left - 20_000 * CELL_M, land.top + 20_000 * CELL_M
    path = land.folder / ("dem.tif" if which == "dem" else "cover.tif")
    path.unlink()
    import rasterio
    from rasterio.windows import Window

    with rasterio.open(
        path, "w", driver="GTiff", width=n, height=n, count=1, dtype=values.dtype.name,
        crs=land.crs, transform=Affine(CELL_M, 0, left, 0, -CELL_M, top), nodata=nodata,
        tiled=True, blockxsize=512, blockysize=512, SPARSE_OK="TRUE", compress="deflate",
        BIGTIFF="YES",
    ) as out:  # fmt: skip
        out.write(values, 1, window=Window(20_000, 20_000, SIZE, SIZE))
        out.set_band_unit(1, "m")
    return land


@builder
def layer_empty(land: Land, _: str) -> Land:
    frame(land.outline.centroid.buffer(5)).iloc[:0].to_file(land.folder / "water.gpkg")
    return land.set("layers.water", "water.gpkg")


@builder
def layer_elsewhere(land: Land, metres: str) -> Land:
    from shapely.affinity import translate

    pond = translate(land.outline.centroid.buffer(5), float(metres))
    frame(pond).to_file(land.folder / "water.gpkg")
    return land.set("layers.water", "water.gpkg")


@builder
def canopy_elsewhere(land: Land, _: str) -> Land:
    heights = codes().astype(np.float32) / 10
    raster(land.folder / "canopy.tif", heights, left=land.left + 9000)
    return land.set("canopy", {"file": "canopy.tif"})
