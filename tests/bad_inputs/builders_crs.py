"""Faults of coordinate systems."""

from __future__ import annotations

import numpy as np
import pyogrio
import rasterio
from affine import Affine
from pyproj import CRS
from rasterio.warp import Resampling, calculate_default_transform, reproject

from tests.bad_inputs.land import (
    CELL_M,
    SIZE,
    Land,
    builder,
    clean,
    codes,
    frame,
    moved,
    relief,
)


def warped(land: Land, target: str, *, cell: float | None = None) -> Land:
    """The DEM of a land in another coordinate system, warped from cells of a metre."""
    fine = 5
    source = Affine(CELL_M / fine, 0, land.left - 500, 0, -CELL_M / fine, land.top + 500)
    n = SIZE * fine + 1000
    east, south = (np.arange(n) + 0.5) * CELL_M / fine - 500, 0
    south = east[:, None]
    values = np.asarray(land.height_m(east[None, :], south), dtype=np.float32)
    bounds = (land.left - 500, land.top + 500 - n, land.left - 500 + n, land.top + 500)
    transform, width, height = calculate_default_transform(
        land.crs, target, n, n, *bounds, resolution=cell
    )
    out = np.full((height, width), np.nan, dtype=np.float32)
    reproject(
        values,
        out,
        src_transform=source,
        src_crs=land.crs,
        dst_transform=transform,
        dst_crs=target,
        src_nodata=np.nan,
        dst_nodata=np.nan,
        resampling=Resampling.average if cell and cell > 2 else Resampling.bilinear,
    )
    return land.dem(out, crs=target, transform=transform, nodata=np.nan)


@builder
def crs_missing(land: Land, which: str) -> Land:
    """A file without a coordinate system: DEM, cover, parcel or layer."""
    if which == "dem":
        return land.dem(relief(), crs=None)
    if which == "cover":
        return land.cover(codes(), crs=None)
    if which == "layer":
        pond = land.outline.centroid.buffer(10)
        pyogrio.write_dataframe(frame(pond, crs=None), land.folder / "water.shp")
        return land.set("layers.water", "water.shp")
    pyogrio.write_dataframe(frame(land.outline, crs=None), land.folder / "bare.shp")
    return land.set("parcel.file", "bare.shp")


@builder
def crs_stated(land: Land, text: str) -> Land:
    """A DEM without a system, and the system stated in the inputs."""
    return land.dem(relief(), crs=None).set("dem.crs", text)


@builder
def crs_stated_against_file(land: Land, text: str) -> Land:
    return land.set("dem.crs", text)


@builder
def crs_tagged(land: Land, text: str) -> Land:
    """The right numbers under a wrong tag, in the parcel's file."""
    pyogrio.write_dataframe(frame(land.outline, crs=text), land.folder / "tagged.gpkg")
    return land.set("parcel.file", "tagged.gpkg")


@builder
def crs_local_dem(land: Land, _: str) -> Land:
    local = 'LOCAL_CS["site grid",UNIT["metre",1]]'
    return land.dem(relief(), crs=rasterio.crs.CRS.from_wkt(local))


@builder
def crs_local_parcel(land: Land, _: str) -> Land:
    """A GeoPackage in the 'undefined Cartesian' system that its standard knows."""
    local = CRS.from_wkt(
        'ENGCRS["Undefined Cartesian",EDATUM["none"],CS[Cartesian,2],AXIS["x",east],'
        'AXIS["y",north],LENGTHUNIT["metre",1]]'
    )
    pyogrio.write_dataframe(frame(land.outline, crs=local), land.folder / "local.gpkg")
    return land.set("parcel.file", "local.gpkg")


@builder
def crs_dem_in(land: Land, text: str) -> Land:
    """The DEM in another system: "CODE" or "CODE@CELL" with the cell in its unit."""
    target, _, cell = text.partition("@")
    return warped(land, target, cell=float(cell) if cell else None)


@builder
def crs_grid_in(land: Land, text: str) -> Land:
    return land.set("grid.crs", text)


@builder
def crs_parcel_in(land: Land, text: str) -> Land:
    """The parcel in another system, its coordinates converted."""
    return land.parcel(moved(land.outline, land.crs, text), suffix=".gpkg", crs=text)


@builder
def crs_dem_tag(land: Land, text: str) -> Land:
    return land.dem(relief(), crs=text)


@builder
def crs_land_in(land: Land, text: str) -> Land:
    """All of the land in a map of its own: "CRS|LEFT|TOP"."""
    crs, left, top = text.split("|")
    return clean(land.folder, crs=crs, left=float(left), top=float(top))


@builder
def crs_south_oriented(land: Land, _: str) -> Land:
    """A DEM in a system that counts to the west and south, in southern Africa."""
    land = clean(land.folder, crs="EPSG:32735", left=700000.0, top=6680300.0)
    return warped(land, "EPSG:2053")


@builder
def crs_esri_prj(land: Land, _: str) -> Land:
    """A shapefile whose .prj speaks the dialect of one maker."""
    pyogrio.write_dataframe(frame(land.outline), land.folder / "dialect.shp")
    text = CRS(land.crs).to_wkt("WKT1_ESRI")
    (land.folder / "dialect.prj").write_text(text)
    return land.set("parcel.file", "dialect.shp")


@builder
def crs_cover_in(land: Land, text: str) -> Land:
    """The land cover in another system, at 5 m."""
    east, south = (np.mgrid[0:1000, 0:1000] + 0.5)[::-1] - 350
    values = np.where((east < 150) | (south < 60), 41, 81).astype(np.uint8)
    source = Affine(1, 0, land.left - 350, 0, -1, land.top + 350)
    bounds = (land.left - 350, land.top - 650, land.left + 650, land.top + 350)
    transform, width, height = calculate_default_transform(
        land.crs, text, 1000, 1000, *bounds, resolution=5
    )
    out = np.zeros((height, width), dtype=np.uint8)
    reproject(
        values, out, src_transform=source, src_crs=land.crs, dst_transform=transform,
        dst_crs=text, resampling=Resampling.mode,
    )  # fmt: skip
    return land.cover(out, crs=text, transform=transform, nodata=0)
