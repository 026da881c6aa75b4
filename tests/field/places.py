"""Real places for the field check: an inputs file and the raw layers of each, nothing committed."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from rasterio.features import shapes as outlines
from scipy import ndimage

from tests.real_places import DATA, write_place

# Codes to plain kinds, written down here anew and not read from the program's legends.
NLCD = {
    **dict.fromkeys((41, 42, 43, 90), "tree"), **dict.fromkeys((51, 52), "brush"), 95: "brush",
    **dict.fromkeys((71, 72, 81, 82), "open"), 11: "water", 12: "snow", 31: "bare", 21: "park",
    **dict.fromkeys((22, 23, 24), "built"),
}  # fmt: skip
CORINE = {
    **dict.fromkeys((111, 112, 121, 122, 123, 124, 131, 132, 133), "built"), 141: "park",
    142: "park", **dict.fromkeys((211, 212, 213, 221, 231, 241, 242, 321), "open"),
    **dict.fromkeys((222, 223), "orchard"), **dict.fromkeys((311, 312, 313, 244), "tree"),
    **dict.fromkeys((243, 322, 323, 324), "brush"), **dict.fromkeys((411, 412), "brush"),
    **dict.fromkeys((511, 512), "water"), **dict.fromkeys((331, 332, 333), "bare"),
}  # fmt: skip
WAKE = {1: "built", 2: "open", 3: "open", 4: "brush", 5: "tree", 6: "water", 7: "bare"}
ROBIT = {1: "water", 2: "open", 3: "open", 4: "tree"}
SWELLENDAM = {1: "open", 2: "brush", 3: "built", 4: "tree"}
SOMERSET = {1: "tree", 2: "open"}


@dataclass(frozen=True)
class Raw:
    """Where the raw data of a place lie.

    `layers` maps a kind to (file, layer) or (file, layer, column, values kept).
    """

    inputs: Path
    dem: Path
    cover: Path
    kinds: dict[int, str]
    layers: dict[str, tuple] = field(default_factory=dict)


DURHAM = """
[parcel]
file = "{data}/durham-nc/vectors.gpkg::parks"
id_column = "objectd"
id = "{id}"
[dem]
file = "{data}/durham-nc/dem_1arcsec_masked.tif"
z_unit = "m"
[land_cover]
file = "{data}/durham-nc/nlcd_30m.tif"
legend = "nlcd"
{layers}
"""
SOMERSET_TEXT = """
[parcel]
file = "parcel.gpkg"
[dem]
file = "{data}/somerset-uk/dtm_1m_whole_metres.tif"
z_unit = "m"
[land_cover]
file = "cover.gpkg"
column = "kind"
values = {{ wood = "tree", meadow = "pasture" }}
[layers]
buildings = "{data}/somerset-uk/vectors.gpkg::buildings"
[layers.roads]
file = "{data}/somerset-uk/vectors.gpkg"
layer = "roads"
column = "highway"
values = {{ {values} }}
"""
# The places that are run where none is asked for by name.
USUAL = (
    "durham-65", "durham-59", "durham-44-dry", "somerset", "gardiner-mt", "lot-fr", "wake-nc",
    "robit-et", "fort-bragg-nc", *(f"swellendam-{number}" for number in range(5)),
)  # fmt: skip
_WAYS = ("path", "footway", "bridleway", "steps", "cycleway")


def write_all(folder: Path, names: Sequence[str] = ()) -> dict[str, Raw]:
    """Every place, or those whose names begin so, its inputs written into a folder of its own."""
    return {name: _maker(name)(folder / name) for name in names or USUAL}


def _maker(name: str) -> Callable[[Path], Raw]:
    """What writes a place: "durham-65", "durham-20-bare" (rasters alone), "lot-fr-2" (its rank)."""
    place, _, rest = name.partition("-")
    if place == "durham":
        park, _, given = rest.partition("-")
        return partial(_durham, park=park, given=given)
    if place == "swellendam":
        return partial(_farm, number=int(rest))
    if place == "somerset":
        return _somerset
    known, rank = re.fullmatch(r"(.+?)(?:-(\d))?", name).groups()
    return partial(_known, name=known, rank=rank or "1")


def _durham(folder: Path, park: str, given: str) -> Raw:
    """A park with streams and trails; `given` is "" for both, "dry" without streams, or "bare"."""
    folder.mkdir(parents=True, exist_ok=True)
    base = DATA / "durham-nc"
    file = base / "vectors.gpkg"
    drawn = {"": ("trails", "streams"), "dry": ("trails",), "bare": ()}[given]
    keys = {"trails": ("trails", "trail"), "streams": ("water", "water")}
    lines = [f'{keys[name][0]} = "{file.as_posix()}::{name}"' for name in drawn]
    text = "\n".join(["[layers]", *lines]) if lines else ""
    path = folder / "inputs.toml"
    path.write_text(DURHAM.format(data=DATA.as_posix(), id=park, layers=text))
    layers = {keys[name][1]: (file, name) for name in drawn}
    return Raw(path, base / "dem_1arcsec_masked.tif", base / "nlcd_30m.tif", NLCD, layers)


def _somerset(folder: Path) -> Raw:
    """Woods on the steep sides of the combe, meadow elsewhere, as polygons; a square of 15 ha."""
    folder.mkdir(parents=True, exist_ok=True)
    base = DATA / "somerset-uk"
    with rasterio.open(base / "dtm_1m_whole_metres.tif") as file:
        dem, transform = file.read(1).astype(float), file.transform
    ground = ndimage.gaussian_filter(dem, 8.0)
    steep = ndimage.gaussian_filter(np.hypot(*np.gradient(ground)), 15.0) > 0.2
    steep = ndimage.binary_opening(steep, iterations=15)
    share = ndimage.uniform_filter(steep.astype(float), 390)
    share[:300], share[-300:], share[:, :300], share[:, -300:] = 0, 0, 0, 0
    row, col = np.unravel_index(int(np.argmin(np.abs(share - 0.45))), share.shape)
    east, north = transform @ (col, row)
    square = shapely.box(east - 195, north - 195, east + 195, north + 195)
    gpd.GeoDataFrame(geometry=[square], crs=27700).to_file(folder / "parcel.gpkg")
    woods = [
        shapely.simplify(shapely.geometry.shape(g), 3.0)
        for g, _ in outlines(steep.astype("uint8"), mask=steep, transform=transform)
    ]
    corner = transform @ (0, 0)
    whole = shapely.box(corner[0], corner[1] - 1800, corner[0] + 1800, corner[1])
    meadow = shapely.difference(whole, shapely.union_all(woods))
    frame = gpd.GeoDataFrame(
        {"kind": ["wood"] * len(woods) + ["meadow"]}, geometry=[*woods, meadow], crs=27700
    )
    frame.to_file(folder / "cover.gpkg")
    ways = sorted(
        {k for k in pyogrio.read_dataframe(base / "vectors.gpkg", layer="roads")["highway"] if k}
    )
    kinds = {w: "trails" if w in _WAYS else "track" if w == "track" else "minor" for w in ways}
    values = ", ".join(f'"{k}" = "{v}"' for k, v in kinds.items())
    path = folder / "inputs.toml"
    path.write_text(SOMERSET_TEXT.format(data=DATA.as_posix(), values=values))
    raster = folder / "raw_cover.tif"
    with rasterio.open(
        raster, "w", driver="GTiff", height=1800, width=1800, count=1, dtype="uint8",
        crs="EPSG:27700", transform=transform,
    ) as file:  # fmt: skip
        file.write(np.where(steep, 1, 2).astype("uint8"), 1)
    roads = (base / "vectors.gpkg", "roads", "highway")
    layers = {
        "building": (base / "vectors.gpkg", "buildings"),
        "trail": (*roads, [w for w, kind in kinds.items() if kind == "trails"]),
        "road": (*roads, [w for w, kind in kinds.items() if kind != "trails"]),
    }
    return Raw(path, base / "dtm_1m_whole_metres.tif", raster, SOMERSET, layers)


def _known(folder: Path, name: str, rank: str = "1") -> Raw:
    base = DATA / name
    inputs = write_place(name, folder)
    inputs.write_text(inputs.read_text().replace('id = "1"', f'id = "{rank}"'))
    dem, cover, kinds, layers = {
        "gardiner-mt": ("dem_third_arcsec.tif", "nlcd_2011.tif", NLCD,
                        {"water": (base / "vectors.gpkg", "streams_geoglows")}),
        "lot-fr": ("dem_lonlat_1s.tif", "corine_2018_100m_3035.tif", CORINE, {}),
        "wake-nc": ("dem_30m.tif", "landcover_10m.tif", WAKE,
                    {"water": (base / "vectors.gpkg", "streams")}),
        "robit-et": ("dem_30m.tif", "landuse_30m.tif", ROBIT, {}),
        "fort-bragg-nc": ("dem_2016_1m.tif", "landcover_1m.tif", NLCD, {}),
    }[name]  # fmt: skip
    return Raw(inputs, base / dem, base / cover, kinds, layers)


def _farm(folder: Path, number: int) -> Raw:
    """One farm, counted from the nearest to river and houses."""
    folder.mkdir(parents=True, exist_ok=True)
    base = DATA / "swellendam-za"
    source = base / "vectors.gpkg"
    inputs = write_place("swellendam-za", folder)
    farms = pyogrio.read_dataframe(source, layer="farm_parcels").to_crs(32733)
    farms = farms[farms.is_valid & farms.area.between(3e5, 8e5)].reset_index(drop=True)
    rivers = pyogrio.read_dataframe(source, layer="rivers").to_crs(32733)
    houses = pyogrio.read_dataframe(source, layer="osm_buildings").to_crs(32733)
    near = farms.distance(rivers.union_all()) + farms.distance(houses.union_all())
    chosen = near.sort_values().index[number]
    (folder / "farm.gpkg").unlink(missing_ok=True)
    farms.loc[[chosen], ["geometry"]].to_file(folder / "farm.gpkg")
    layers = {
        "water": (source, "rivers"),
        "building": (source, "osm_buildings"),
        "road": (source, "osm_roads"),
    }
    return Raw(inputs, base / "dem_srtm_82m.tif", folder / "cover.tif", SWELLENDAM, layers)
