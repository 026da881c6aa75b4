"""Slope and aspect held against published windows, GDAL's gdaldem and real SRTM terrain."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

from siting.ground.terrain import aspect_deg, hillshade, slope_deg

STORED = Path(__file__).parent / "stored" / "terrain_gdaldem.npz"
# gdaldem 3.6 writes float32; Horn's sums in another order differ in the sixth digit.
SLOPE_TOLERANCE_DEG = 1e-3

# (window, cell m, slope, aspect): published in a GIS vendor's help pages (A, B) and a public
# course (C), reproduced with gdaldem, xdem and GRASS. A's printed slope 75.25762 is a rounding
# slip for 75.25766.
WINDOWS = [
    ([[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5, 75.25766, 180.7538),
    ([[101, 92, 85], [101, 92, 85], [101, 91, 84]], 1, 82.9909, 92.6426),
    ([[101, 92, 85], [101, 92, 85], [101, 91, 84]], 10, 39.1237, 92.6426),
    ([[42, 45, 47], [40, 44, 49], [44, 48, 52]], 10, 22.7918, 292.7510),
    ([[3, 3, 3], [2, 2, 2], [1, 1, 1]], 10, 5.7106, 180.0),
]


def hill(cell_m: float = 5.0) -> np.ndarray:
    """A hill off centre on a tilted plane, with a hole: no symmetry hides a wrong axis."""
    row, col = np.mgrid[0:61, 0:83]
    x, y = col * cell_m, -row * cell_m
    z = 200 + 0.03 * x - 0.07 * y + 40 * np.exp(-(((x - 150) / 70) ** 2 + ((y + 120) / 45) ** 2))
    z[20:22, 50:53] = np.nan
    return z.astype("float32")


def srtm() -> np.ndarray:
    """A real SRTM window from matplotlib's sample data (public domain)."""
    cbook = pytest.importorskip("matplotlib.cbook", reason="matplotlib carries the SRTM sample")
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as data:
        return data["elevation"][100:220, 150:300].astype("float32")


def gdaldem(mode: str, z: np.ndarray, cell_m: float, folder: Path) -> np.ndarray:
    source, target = folder / "in.tif", folder / f"{mode}.tif"
    with rasterio.open(
        source, "w", driver="GTiff", height=z.shape[0], width=z.shape[1], count=1,
        dtype="float32", crs="EPSG:32617", transform=from_origin(5e5, 5e6, cell_m, cell_m),
        nodata=-9999,
    ) as file:  # fmt: skip
        file.write(np.where(np.isnan(z), -9999, z), 1)
    subprocess.run(["gdaldem", mode, source, target, "-q"], check=True)
    with rasterio.open(target) as file:
        return file.read(1, masked=True).astype("float64").filled(np.nan)


def same_circle(got: np.ndarray, want: np.ndarray, *, within_deg: float) -> None:
    np.testing.assert_array_equal(np.isnan(got), np.isnan(want))
    turn = np.abs((got - want + 180) % 360 - 180)
    assert np.nanmax(turn) <= within_deg


@pytest.mark.parametrize(("window", "cell_m", "slope", "aspect"), WINDOWS)
def test_published_windows(window, cell_m, slope, aspect):
    z = np.array(window, dtype="float64")
    assert slope_deg(z, cell_m)[1, 1] == pytest.approx(slope, abs=2e-4)
    assert aspect_deg(z, cell_m)[1, 1] == pytest.approx(aspect, abs=2e-4)


@pytest.mark.parametrize("name", ["hill", "srtm"])
def test_stored_gdaldem_outputs(name):
    """gdaldem 3.6.2 (`gdaldem slope|aspect in.tif out.tif`); made by tests/reference/store.py."""
    stored = np.load(STORED)
    z, cell_m = (hill(), 5.0) if name == "hill" else (srtm(), 30.0)
    got, want = slope_deg(z, cell_m), stored[f"{name}_slope"]
    np.testing.assert_array_equal(np.isnan(got), np.isnan(want))
    np.testing.assert_allclose(got, want, atol=SLOPE_TOLERANCE_DEG)
    got_aspect = aspect_deg(z, cell_m)
    # On flat cells gdaldem and ours both give no aspect; elsewhere they agree around the circle.
    steep = np.nan_to_num(want) > 0.5
    same_circle(
        np.where(steep, got_aspect, np.nan),
        np.where(steep, stored[f"{name}_aspect"], np.nan),
        within_deg=0.05,
    )


@pytest.mark.skipif(not shutil.which("gdaldem"), reason="gdaldem is not installed (gdal-bin)")
@pytest.mark.parametrize("name", ["hill", "srtm"])
def test_live_gdaldem(name, tmp_path):
    z, cell_m = (hill(), 5.0) if name == "hill" else (srtm(), 30.0)
    got, want = slope_deg(z, cell_m), gdaldem("slope", z, cell_m, tmp_path)
    np.testing.assert_array_equal(np.isnan(got), np.isnan(want))
    np.testing.assert_allclose(got, want, atol=SLOPE_TOLERANCE_DEG)
    shade = gdaldem("hillshade", z, cell_m, tmp_path)
    ours = hillshade(z, cell_m) * 254 + 1
    known = np.isfinite(ours) & np.isfinite(shade)
    # gdaldem rounds to whole grey steps.
    assert np.abs(ours - shade)[known].max() <= 1.0


@pytest.mark.parametrize(
    "fault",
    [
        lambda z, c: slope_deg(z[::-1, ::-1], c),
        lambda z, c: slope_deg(z, c * 2),
        lambda z, c: np.roll(slope_deg(z, c), 1, axis=1),
        lambda z, c: np.radians(slope_deg(z, c)),
        lambda z, c: np.nan_to_num(slope_deg(z, c)),
    ],
    ids=["turned", "cell size", "shift", "unit", "hole filled"],
)
def test_a_planted_fault_is_seen(fault):
    want = np.load(STORED)["hill_slope"]
    got = fault(hill(), 5.0)
    with pytest.raises(AssertionError):
        np.testing.assert_array_equal(np.isnan(got), np.isnan(want))
        np.testing.assert_allclose(got, want, atol=SLOPE_TOLERANCE_DEG)
