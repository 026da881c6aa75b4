"""Inputs files for the real places of ../shared/data, written into a folder; nothing is committed.

python -m tests.real_places FOLDER      # writes the inputs, one folder per place
"""

from __future__ import annotations

import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from rasterio.features import rasterize
from rasterio.transform import from_origin

DATA = Path(__file__).parents[2] / "shared" / "data"

# place: (text of the inputs file, legend of its own or "")
WAKE = """
[parcel]
file = "{data}/wake-nc/suggested_aoi.gpkg"
id_column = "rank"
id = "1"
[dem]
file = "{data}/wake-nc/dem_30m.tif"
z_unit = "m"
[land_cover]
file = "{data}/wake-nc/landcover_10m.tif"
legend = "legend.csv"
[layers]
water = "{data}/wake-nc/vectors.gpkg::streams"
"""
GARDINER = """
[parcel]
point = [-110.6967, 45.0385]
radius_m = 350.0
[dem]
file = "{data}/gardiner-mt/dem_third_arcsec.tif"
[land_cover]
file = "{data}/gardiner-mt/nlcd_2011.tif"
legend = "nlcd"
[layers]
water = "{data}/gardiner-mt/vectors.gpkg::streams_geoglows"
[survey]
time_zone = "America/Denver"
"""
LOT = """
[parcel]
file = "{data}/lot-fr/suggested_aoi.gpkg"
id_column = "rank"
id = "1"
[dem]
file = "{data}/lot-fr/dem_lonlat_1s.tif"
[land_cover]
file = "{data}/lot-fr/corine_2018_100m_3035.tif"
legend = "corine"
"""
FORT = """
[parcel]
file = "parcel.geojson"
[dem]
file = "{data}/fort-bragg-nc/dem_2016_1m.tif"
[land_cover]
file = "{data}/fort-bragg-nc/landcover_1m.tif"
legend = "nlcd"
[canopy]
file = "{data}/fort-bragg-nc/canopy_height_2012_2m.tif"
"""
SWELLENDAM = """
[parcel]
file = "farm.gpkg"
[dem]
file = "{data}/swellendam-za/dem_srtm_82m.tif"
[land_cover]
file = "cover.tif"
legend = "legend.csv"
[layers]
water = "{data}/swellendam-za/vectors.gpkg::rivers"
buildings = "{data}/swellendam-za/vectors.gpkg::osm_buildings"
[layers.roads]
file = "{data}/swellendam-za/vectors.gpkg"
layer = "osm_roads"
column = "highway"
values = {{ {values} }}
"""
ROBIT = """
[parcel]
file = "{data}/robit-et/suggested_aoi.gpkg"
id_column = "rank"
id = "1"
[dem]
file = "{data}/robit-et/dem_30m.tif"
[land_cover]
file = "{data}/robit-et/landuse_30m.tif"
legend = "legend.csv"
"""
OWN_LEGENDS = {
    "wake-nc": "code,name,role\n1,developed,built\n2,agriculture,crop\n3,herbaceous,grass\n"
    "4,shrubland,shrub\n5,forest,tree\n6,water,water\n7,sediment,bare\n",
    "robit-et": "code,name,role\n1,water,water\n2,crops,crop\n3,pasture,pasture\n4,forest,tree\n",
    "swellendam-za": "code,name,role\n1,farm,crop\n2,mountain,shrub\n3,town,built\n"
    "4,river wood,tree\n",
}
TEXTS = {
    "wake-nc": WAKE,
    "gardiner-mt": GARDINER,
    "lot-fr": LOT,
    "fort-bragg-nc": FORT,
    "swellendam-za": SWELLENDAM,
    "robit-et": ROBIT,
}
MAJOR = ("motorway", "trunk", "primary", "secondary")
TRACK = ("track", "path", "footway", "service", "pedestrian", "steps", "cycleway", "bridleway")


def write_place(place: str, folder: Path) -> Path:
    """The inputs file of one place; layers that the place lacks are made beside it."""
    folder.mkdir(parents=True, exist_ok=True)
    values = ""
    if place in OWN_LEGENDS:
        (folder / "legend.csv").write_text(OWN_LEGENDS[place])
    if place == "fort-bragg-nc":
        square = shapely.box(597_270, 150_655, 597_570, 150_955)
        frame = gpd.GeoDataFrame(geometry=[square], crs="EPSG:3358")
        frame.to_crs(4326).to_file(folder / "parcel.geojson")
    if place == "swellendam-za":
        values = _swellendam(folder)
    path = folder / "inputs.toml"
    path.write_text(TEXTS[place].format(data=DATA.as_posix(), values=values))
    return path


def _swellendam(folder: Path) -> str:
    """Land cover made from the layers (the place has none), one farm, and the road classes."""
    source = DATA / "swellendam-za" / "vectors.gpkg"

    def layer(name: str) -> gpd.GeoDataFrame:
        return pyogrio.read_dataframe(source, layer=name).to_crs(32733)

    farms = layer("farm_parcels")
    farms = farms[farms.is_valid & farms.area.between(3e5, 8e5)].reset_index(drop=True)
    rivers, buildings = layer("rivers"), layer("osm_buildings")
    near = farms.distance(rivers.union_all()) + farms.distance(buildings.union_all())
    farms.loc[[near.idxmin()], ["geometry"]].to_file(folder / "farm.gpkg")
    left, bottom, right, top = farms.total_bounds
    transform = from_origin(left - 2000, top + 2000, 20, 20)
    shape = (int((top - bottom + 4000) / 20), int((right - left + 4000) / 20))
    cover = np.full(shape, 1, dtype="uint8")
    for code, shapes in (
        (2, layer("protected_areas").geometry),
        (4, rivers.geometry.buffer(60)),
        (3, layer("urban").geometry),
    ):
        marks = rasterize(list(shapes), out_shape=shape, transform=transform)
        cover[marks > 0] = code
    with rasterio.open(
        folder / "cover.tif", "w", driver="GTiff", height=shape[0], width=shape[1], count=1,
        dtype="uint8", crs="EPSG:32733", transform=transform, compress="deflate",
    ) as file:  # fmt: skip
        file.write(cover, 1)
    kinds = sorted({k for k in layer("osm_roads")["highway"] if k})
    return ", ".join(f'"{k}" = "{_road_class(k)}"' for k in kinds)


def _road_class(kind: str) -> str:
    if kind.removesuffix("_link") in MAJOR:
        return "major"
    return "track" if kind in TRACK else "minor"


if __name__ == "__main__":
    for name in TEXTS:
        sys.stdout.write(f"{write_place(name, Path(sys.argv[1]) / name)}\n")
