"""An invented country for the tests of the batch: rasters, layers and parcels of any size.

    python tests/speed/make_country.py FOLDER --km 40 --parcels 1000

writes dem.tif, land_cover.tif, layers.gpkg and batch.toml. The same arguments give the same land.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
from rasterio.transform import from_origin
from scipy import ndimage
from shapely import LineString, Point, Polygon, box

CRS = "EPSG:32617"
LEFT, TOP = 520_000.0, 4_840_000.0
CELL_M = 10.0
# NLCD codes: deciduous forest, grassland, pasture, crops, shrub, wetland, open water.
FOREST, GRASS, PASTURE, CROPS, SHRUB, WETLAND, WATER = 41, 71, 81, 82, 52, 90, 11


def waves(shape: tuple[int, int], *, scale: float, rng: np.random.Generator) -> np.ndarray:
    """Smooth noise of mean 0 and deviation 1, made coarse and blown up, so that it is quick."""
    step = max(int(scale / 4), 1)
    coarse = rng.standard_normal((shape[0] // step + 8, shape[1] // step + 8))
    coarse = ndimage.gaussian_filter(coarse, 4.0)
    fine = ndimage.zoom(coarse, step, order=1)[: shape[0], : shape[1]] if step > 1 else coarse
    fine = fine[: shape[0], : shape[1]]
    return ((fine - fine.mean()) / fine.std()).astype(np.float32)


def ground(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Rolling hills: ridges of some kilometres with knolls and hollows on them."""
    dem = 300 + 45 * waves(shape, scale=220, rng=rng)
    dem += 14 * waves(shape, scale=60, rng=rng) + 3 * waves(shape, scale=16, rng=rng)
    return dem.astype(np.float32)


def cover(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Woods and fields in patches, some shrub and wetland, a few lakes."""
    wood, field = waves(shape, scale=40, rng=rng), waves(shape, scale=30, rng=rng)
    out = np.where(field > 0.6, CROPS, np.where(field < -0.6, PASTURE, GRASS))
    out = np.where(wood > 0.0, FOREST, out)
    out = np.where((wood > -0.12) & (wood <= 0.0), SHRUB, out)
    wet = waves(shape, scale=50, rng=rng)
    out = np.where(wet > 2.2, WETLAND, out)
    return np.where(wet > 2.7, WATER, out).astype(np.uint8)


def wander(start: tuple[float, float], toward: float, length_m: float, rng: Any) -> LineString:
    """A line that wanders in about one direction."""
    turn = toward + np.cumsum(rng.normal(0, 0.12, int(length_m / 100)))
    step = np.column_stack([np.cos(turn), np.sin(turn)]) * 100
    return LineString(np.vstack([start, np.array(start) + np.cumsum(step, axis=0)]))


def layers(size_m: float, rng: np.random.Generator) -> dict[str, gpd.GeoDataFrame]:
    """Streams, trails, roads, houses, feeders and cow pastures, as dense as in farmed hills."""
    km2 = (size_m / 1000) ** 2

    def starts(density: float) -> np.ndarray:
        count = max(round(density * km2), 1)
        return np.column_stack(
            [LEFT + rng.uniform(0, size_m, count), TOP - rng.uniform(0, size_m, count)]
        )

    def lines(density: float, length_m: float) -> list[LineString]:
        return [wander(tuple(s), rng.uniform(0, 6.28), length_m, rng) for s in starts(density)]

    def frame(shapes: list[Any], **columns: Any) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)

    streams, trails, roads = lines(0.4, 2500), lines(0.8, 900), lines(0.25, 4000)
    houses = [box(x, y, x + 12, y + 9) for x, y in starts(4.0)]
    cows = [Point(x, y).buffer(rng.uniform(60, 140)) for x, y in starts(0.3)]
    feeders = [Point(x, y) for x, y in starts(0.6)]
    uses, classes = ["game", "quiet", "busy"], ["minor", "minor", "track", "major"]
    return {
        "water": frame(streams, kind=["stream"] * len(streams)),
        "trails": frame(trails, use=[uses[k % 3] for k in range(len(trails))]),
        "roads": frame(roads, **{"class": [classes[k % 4] for k in range(len(roads))]}),
        "buildings": frame(houses, kind=["house"] * len(houses)),
        "livestock": frame(cows, kind=["cow pasture"] * len(cows)),
        "feeders": frame(feeders, kind=["bird feeder"] * len(feeders)),
    }


def parcels(size_m: float, count: int, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Parcels of about 40 ha with crooked sides, one to a square of an even net, cells of 10 km."""
    across = int(np.ceil(np.sqrt(count)))
    pitch = size_m / across
    shapes, ids, cells = [], [], []
    for k in range(count):
        row, col = divmod(k, across)
        middle = np.array([LEFT + (col + 0.5) * pitch, TOP - (row + 0.5) * pitch])
        middle += rng.uniform(-0.1, 0.1, 2) * pitch
        turn = np.sort(rng.uniform(0, 2 * np.pi, 9))
        far = min(rng.uniform(300, 420), 0.4 * pitch) * rng.uniform(0.8, 1.1, 9)
        ring = middle + np.column_stack([np.cos(turn), np.sin(turn)]) * far[:, None]
        shapes.append(Polygon(ring).convex_hull)
        ids.append(f"L{k + 1:04d}")
        wide = max(size_m / 4, 500.0)
        cells.append(f"C{int((middle[0] - LEFT) // wide)}-{int((TOP - middle[1]) // wide)}")
    priority = [1 + k % 3 for k in range(count)]
    data = {"id": ids, "label": [f"Land {k + 1}" for k in range(count)], "cell": cells}
    return gpd.GeoDataFrame({**data, "priority": priority}, geometry=shapes, crs=CRS)


def make_country(folder: Path, *, km: float, count: int, seed: int = 7) -> Path:
    """Write the land into a folder; the path of its inputs file."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    size_m = km * 1000
    shape = (round(size_m / CELL_M), round(size_m / CELL_M))
    profile = {"driver": "GTiff", "height": shape[0], "width": shape[1], "count": 1, "crs": CRS,
        "transform": from_origin(LEFT, TOP, CELL_M, CELL_M), "tiled": min(shape) >= 256,
        "compress": "deflate"}  # fmt: skip
    with rasterio.open(folder / "dem.tif", "w", dtype="float32", nodata=-9999, **profile) as out:
        out.write(ground(shape, rng), 1)
        out.set_band_unit(1, "metre")
    with rasterio.open(folder / "land_cover.tif", "w", dtype="uint8", nodata=0, **profile) as out:
        out.write(cover(shape, rng), 1)
    known = layers(size_m, rng)
    for name, frame in known.items():
        frame.to_file(folder / "layers.gpkg", layer=name, driver="GPKG")
    parcels(size_m, count, rng).to_file(folder / "parcels.gpkg", layer="parcels", driver="GPKG")
    lines = [f'{name} = "layers.gpkg::{name}"' for name in known]
    text = (
        '[parcel]\nfile = "parcels.gpkg::parcels"\nid_column = "id"\nlabel_column = "label"\n'
        'cell_column = "cell"\npriority_column = "priority"\n[dem]\nfile = "dem.tif"\n'
        '[land_cover]\nfile = "land_cover.tif"\nlegend = "nlcd"\n[layers]\n'
        + "\n".join(lines)
        + '\n[survey]\ntime_zone = "Etc/GMT+5"\nfirst_day = 2027-04-01\nlast_day = 2027-11-30\n'
    )
    path = folder / "batch.toml"
    path.write_text(text, encoding="utf-8")
    return path


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--km", type=float, default=40.0)
    parser.add_argument("--parcels", type=int, default=1000)
    asked = parser.parse_args()
    print(make_country(asked.folder, km=asked.km, count=asked.parcels))
