"""Invented land of any size for the measurements: rasters, shapes and inputs files."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from rasterio.transform import from_origin
from shapely import box

from tests.speed.make_country import CRS, LEFT, TOP, cover, layers, waves


def ground(shape: tuple[int, int], *, cell_m: float, seed: int = 3) -> np.ndarray:
    """Hills, knolls and hollows of the same size in metres whatever the cells; (rows, cols) m."""
    rng = np.random.default_rng(seed)
    dem = 300 + 30 * waves(shape, scale=1600 / cell_m, rng=rng)
    dem += 6 * waves(shape, scale=400 / cell_m, rng=rng)
    dem += 0.8 * waves(shape, scale=60 / cell_m, rng=rng)
    # What a laser survey leaves of stones and tussocks.
    dem += rng.normal(0, 0.03, shape).astype(np.float32)
    return np.asarray(dem, dtype=np.float32)


def write_raster(path: Path, values: np.ndarray, *, cell_m: float, nodata: float) -> None:
    """A plain GeoTIFF with its upper left corner at the corner of the invented country."""
    profile = {"driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1,
        "crs": CRS, "transform": from_origin(LEFT, TOP, cell_m, cell_m)}  # fmt: skip
    with rasterio.open(path, "w", dtype=values.dtype.name, nodata=nodata, **profile) as out:
        out.write(values, 1)
        out.set_band_unit(1, "metre")


def write_surface(folder: Path, n: int, *, cell_m: float) -> None:
    """dem.tif of n x n cells, and water, trails, roads and buildings in layers.gpkg."""
    folder.mkdir(parents=True, exist_ok=True)
    write_raster(folder / "dem.tif", ground((n, n), cell_m=cell_m), cell_m=cell_m, nodata=-9999)
    area = box(LEFT, TOP - n * cell_m, LEFT + n * cell_m, TOP)
    for name, frame in layers(n * cell_m, np.random.default_rng(5)).items():
        # GDAL's tools know nothing of what lies off the raster.
        frame.clip(area).to_file(folder / "layers.gpkg", layer=name, driver="GPKG")


def write_parcel(folder: Path, *, side_m: float, context_m: float, cell_m: float) -> Path:
    """A square parcel in the middle of its land with every layer; the path of its inputs file."""
    folder.mkdir(parents=True, exist_ok=True)
    size_m = side_m + 2 * context_m
    n = round(size_m / cell_m)
    write_raster(folder / "dem.tif", ground((n, n), cell_m=cell_m), cell_m=cell_m, nodata=-9999)
    wide = round(size_m / 10)
    classes = cover((wide, wide), np.random.default_rng(4))
    write_raster(folder / "land_cover.tif", classes, cell_m=10.0, nodata=0)
    known = layers(size_m, np.random.default_rng(5))
    for name, frame in known.items():
        frame.to_file(folder / "layers.gpkg", layer=name, driver="GPKG")
    west, south = LEFT + context_m, TOP - context_m - side_m
    parcel = gpd.GeoDataFrame(
        {"id": ["S1"]}, geometry=[box(west, south, west + side_m, south + side_m)], crs=CRS
    )
    parcel.to_file(folder / "parcel.gpkg", layer="parcel", driver="GPKG")
    text = (
        '[parcel]\nfile = "parcel.gpkg::parcel"\nid_column = "id"\n[dem]\nfile = "dem.tif"\n'
        '[land_cover]\nfile = "land_cover.tif"\nlegend = "nlcd"\n[layers]\n'
        + "\n".join(f'{name} = "layers.gpkg::{name}"' for name in known)
        + '\n[survey]\ntime_zone = "Etc/GMT+5"\nfirst_day = 2027-04-01\nlast_day = 2027-11-30\n'
    )
    path = folder / "inputs.toml"
    path.write_text(text, encoding="utf-8")
    return path
