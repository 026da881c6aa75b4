"""The ground under the overview: against gdalwarp, and nothing where nothing can be had."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely

from siting.batch.output.overview import page_data
from siting.batch.worklist import batch_parcels, outlines
from siting.read.raster.relief import read_relief
from siting.settings.load import load_inputs
from tests.batch_rows import invented_batch

SAMPLE = Path(__file__).parents[1] / "sample_rasters" / "batch.toml"


@pytest.fixture(scope="module")
def inputs():
    return load_inputs(SAMPLE)


@pytest.fixture(scope="module")
def shapes(inputs):
    return outlines(batch_parcels(inputs))


def test_against_gdalwarp(inputs, shapes, tmp_path):
    """GDAL's own program on the same grid; 0.1 m, since the order of sums differs."""
    if shutil.which("gdalwarp") is None:
        pytest.skip("gdalwarp is not installed")
    dem, grid = read_relief(inputs, shapes)
    left, bottom, right, top = grid.bounds
    out = tmp_path / "warped.tif"
    method = "average" if grid.cell_size_m > 10 else "bilinear"
    subprocess.run(
        ["gdalwarp", "-q", "-t_srs", grid.crs, "-te", *map(str, (left, bottom, right, top)), "-ts",
         str(grid.n_cols), str(grid.n_rows), "-r", method, "-ot", "Float32", "-dstnodata", "-9999",
         str(SAMPLE.parent / "dem_10m.tif"), str(out)], check=True)  # fmt: skip
    with rasterio.open(out) as found:
        wanted = found.read(1, masked=True).filled(np.nan)
    assert (np.isnan(dem) == np.isnan(wanted)).mean() > 0.999
    both = np.isfinite(dem) & np.isfinite(wanted)
    assert both.mean() > 0.9
    assert np.abs(dem[both] - wanted[both]).max() < 0.1
    # A shift by one cell would show.
    rolled = np.roll(wanted, 1, axis=1)
    usable = both & np.isfinite(rolled)
    assert np.abs(dem[usable] - rolled[usable]).max() > 1.0


def test_every_parcel_lies_on_it(inputs, shapes):
    _, grid = read_relief(inputs, shapes)
    west, south = grid.to_lonlat.transform(grid.bounds[0], grid.bounds[1])
    east, north = grid.to_lonlat.transform(grid.bounds[2], grid.bounds[3])
    box = shapely.box(west, south, east, north)
    assert all(box.contains(shape) for shape in shapes.values())


@pytest.mark.parametrize(
    "places",
    [
        {},
        {"a": None},
        {"a": shapely.box(-80.5, 43.5, -80.4, 43.6), "b": shapely.box(20, 50, 21, 51)},
        {"a": shapely.box(10.0, 50.0, 10.1, 50.1)},
    ],
    ids=["no parcel", "no outline", "two continents", "beside the raster"],
)
def test_no_ground_is_no_error(inputs, places):
    assert read_relief(inputs, places) is None


def test_a_missing_raster_is_no_error(inputs, shapes):
    gone = inputs.model_copy(update={"dem": inputs.dem.model_copy(update={"file": "gone.tif"})})
    assert read_relief(gone, shapes) is None


def test_across_the_antimeridian_all_is_in_one_piece():
    """Two parcels, one on each side: on the page they lie beside each other."""
    from dataclasses import replace

    batch = invented_batch(2, failures=0, assigned=False)
    shapes = {
        "L0000": shapely.box(179.98, -17.0, 179.99, -16.99),
        "L0001": shapely.box(-179.99, -17.0, -179.98, -16.99),
    }
    drawn = page_data(replace(batch, shapes=shapes), relief=None)["shapes"]
    xs = [ring[0] for rings in drawn["rings"] for ring in rings]
    assert max(xs) - min(xs) < 4000  # metres of Web Mercator, not the way round the globe
