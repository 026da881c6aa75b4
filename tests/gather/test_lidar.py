"""A point cloud of our own making, its ground known: the error is told, water stays unknown."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import rasterio
from scipy.spatial import cKDTree

from siting.errors import SitingError
from siting.gather.raster import cloud as clouds
from siting.gather.raster import lidar
from siting.kernels.bands import one_thread
from tests.gather import land
from tests.gather.server import serving

laspy = pytest.importorskip("laspy", reason="the extra siting[lidar] is not installed")
SIDE_M = 320.0
LEFT, BOTTOM = land.LEFT + 2840.0, land.TOP - 3160.0
POND = (160.0, 215.0, 40.0)
"""Middle and radius of a pond that sends no light back, metres from the corner."""


def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A smooth surface whose height is known everywhere."""
    return 300 + 12 * np.sin(x / 60.0) * np.cos(y / 75.0) + 0.02 * x


def cloud(
    path: Path, *, per_m2: float = 0.35, noise_m: float = 0.05, crs: str | None = land.CRS,
    classes: bool = True, normalised: bool = False, seed: int = 5,
) -> Path:  # fmt: skip
    """Ground and trees over a hilly square with a pond; a few points of noise high above."""
    draw = np.random.default_rng(seed)
    count = int(per_m2 * SIDE_M**2)
    x, y = draw.uniform(0, SIDE_M, (2, count))
    dry = np.hypot(x - POND[0], y - POND[1]) > POND[2]
    x, y = x[dry], y[dry]
    tree = (np.sin(x / 25.0) + np.sin(y / 31.0) > 0.6) & (draw.random(len(x)) < 0.6)
    height = np.where(tree, draw.uniform(5, 18, len(x)), 0.0)
    z = (0 if normalised else ground(x, y)) + height + draw.normal(0, noise_m, len(x))
    kind = np.where(tree, 5, 2)
    birds = draw.integers(0, len(x), 40)
    z[birds] += 90
    kind[birds] = 18
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.001] * 3, [LEFT, BOTTOM, 0]
    if crs:
        from pyproj import CRS

        header.add_crs(CRS(crs))
    las = laspy.LasData(header)
    las.x, las.y, las.z = LEFT + x, BOTTOM + y, z
    las.classification = kind if classes else np.ones(len(x), dtype=np.uint8)
    las.return_number = np.ones(len(x), dtype=np.uint8)
    las.number_of_returns = np.ones(len(x), dtype=np.uint8)
    las.write(path)
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A region from the cloud, and its elevations with the places of their cells."""
    folder = tmp_path_factory.mktemp("lidar")
    path = cloud(folder / "tile.laz")
    with serving() as site:
        land.serve(site, land.items_of(site, folder))
        rules = land.rules(site, folder)
        done = land.gather(folder / "region", rules, "--lidar", path, "--margin", 700, radius=100)
    assert done.exit_code == 0, done.output
    with rasterio.open(folder / "region" / "dem.tif") as dem:
        values = dem.read(1)
        col, row = np.meshgrid(np.arange(dem.width) + 0.5, np.arange(dem.height) + 0.5)
        x, y = dem.transform.c + col * dem.transform.a, dem.transform.f + row * dem.transform.e
    return folder, done, values, x - LEFT, y - BOTTOM


def test_elevations_are_those_of_the_known_ground(made):
    _, _, values, x, y = made
    known = np.isfinite(values)
    off = values[known] - ground(x[known], y[known])
    assert abs(float(np.median(off))) < 0.01
    # Noise of 5 cm, and what a plane per triangle cuts off a curve of these bends.
    assert float(np.sqrt((off**2).mean())) < 0.10
    assert float(np.abs(off).max()) < 1.5


def test_water_without_points_stays_unknown(made):
    _, _, values, x, y = made
    away = np.hypot(x - POND[0], y - POND[1])
    assert np.isnan(values[away < POND[2] - 17]).all()
    inside = (away > POND[2] + 3) & (np.abs(x - 160) < 145) & (np.abs(y - 160) < 145)
    assert np.isfinite(values[inside]).all()


def test_the_error_density_and_age_are_told(made):
    folder, done, *_ = made
    record = json.loads((folder / "region" / "sources.json").read_text(encoding="utf-8"))
    notes = {n[0]: n[2] for source in record["sources"] for n in source["notes"]}
    assert "half lie within 0.0" in notes["A-LIDAR-01"]
    assert "per square metre" in notes["A-LIDAR-01"]
    assert "W-HOLE-01" in notes
    assert "Warning: dem: there are no data for 0.0" in done.output


def test_vegetation_is_measured_above_the_ground(made):
    folder, *_ = made
    with rasterio.open(folder / "region" / "canopy.tif") as canopy:
        values = canopy.read(1)
        assert canopy.res[0] <= 5.0
    known = values[np.isfinite(values)]
    assert 15.0 < float(known.max()) < 19.0  # no bird among the trees
    assert float(known.min()) == 0.0


def test_the_region_scores(made, tmp_path):
    from click.testing import CliRunner

    from siting.cli.main import siting

    folder, *_ = made
    done = CliRunner().invoke(
        siting,
        ["score", str(folder / "region" / "inputs.toml"), "-o", str(tmp_path / "out"),
         "--cell-size", "4"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output


@pytest.fixture(scope="module")
def points(made):
    return clouds.read([str(made[0] / "tile.laz")], land_grid())


def test_pieces_meet_without_a_step(made, points, monkeypatch):
    """One piece of 320 m or pieces of 250 m: the same surface, but for triangles at the rim."""
    small = made[2]
    monkeypatch.setattr(lidar, "_PIECE_M", 5000.0)
    with one_thread():
        large = lidar.ground_surface(points)[0].values
    assert small.shape == large.shape
    both = np.isfinite(small) & np.isfinite(large)
    off = np.abs(small - large)[both]
    assert float(np.quantile(off, 0.999)) < 0.02


def land_grid():
    from siting.grid import Grid

    bounds = (LEFT, BOTTOM, LEFT + SIDE_M, BOTTOM + SIDE_M)
    return Grid.from_bounds(bounds, crs=land.CRS, cell_size_m=30.0)


def test_the_distance_rule_is_fifteen_metres(made, points):
    _, _, values, x, y = made
    known = np.isfinite(values)
    x, y = x[known] + LEFT, y[known] + BOTTOM
    used = points.xyz[np.isin(points.kind, (2, 9)), :2]
    away, _ = cKDTree(used).query(np.column_stack([x, y]))
    assert float(away.max()) <= 15.0


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"classes": False}, "E-LIDAR-01"),
        ({"normalised": True}, "E-LIDAR-02"),
        ({"crs": None}, "E-LIDAR-03"),
        ({"crs": "EPSG:2264"}, "E-LIDAR-03"),
    ],
)
def test_a_cloud_that_cannot_serve_is_refused(more, code, tmp_path):
    path = cloud(tmp_path / "a.las", per_m2=0.2, **more)
    with pytest.raises(SitingError) as failure:
        found = clouds.read([str(path)], land_grid())
        clouds.check(found)
    assert failure.value.code == code
    assert failure.value.cure


@pytest.mark.parametrize("data", [b"", b"LASF", b"<html>log in</html>", b"LASF" + b"\xff" * 500])
def test_what_is_no_cloud_is_told(data, tmp_path):
    path = tmp_path / "a.las"
    path.write_bytes(data)
    with pytest.raises(SitingError, match="E-LIDAR-03"):
        clouds.read([str(path)], land_grid())


def test_half_a_cloud_is_refused(tmp_path):
    path = cloud(tmp_path / "a.laz", per_m2=0.2)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(SitingError, match="E-LIDAR-03"):
        clouds.read([str(path)], land_grid())


def test_a_spike_is_counted(tmp_path):
    dem = np.full((200, 200), 300.0, dtype=np.float32)
    dem[50, 60] = 345.0
    dem[120, 10] = 270.0
    assert lidar.count_spikes(dem) == 2
