"""Skyline and line of sight against a slow twin in plain Python and against gdal_viewshed."""

from __future__ import annotations

import math
import shutil
import subprocess
from collections.abc import Callable
from itertools import product
from pathlib import Path

import numpy as np
import pytest
import rasterio
from scipy.ndimage import gaussian_filter

from siting.grid import Grid
from siting.ground.view import ElevationGrid, Places, Skyline, drop_m, in_sight, profiles, skyline

CRS = "EPSG:32617"
CELL = 10.0
AZIMUTHS = np.arange(0, 360, 22.5)


def hills(
    seed: int, n: int = 121, corner: tuple[float, float] = (400_000.0, 5_000_000.0)
) -> ElevationGrid:
    rng = np.random.default_rng(seed)
    z = (
        gaussian_filter(rng.normal(size=(n, n)), 6) * 250
        + gaussian_filter(rng.normal(size=(n, n)), 2) * 10
    )
    return ElevationGrid(z, Grid(CRS, corner[0], corner[1] + n * CELL, CELL, n, n))


def bilinear(ground: ElevationGrid, x: float, y: float) -> float:
    grid = ground.grid
    row = (grid.top - y) / grid.cell_size_m - 0.5
    col = (x - grid.left) / grid.cell_size_m - 0.5
    if not (0 <= row <= grid.n_rows - 1 and 0 <= col <= grid.n_cols - 1):
        return math.nan
    r, c = min(int(row), grid.n_rows - 2), min(int(col), grid.n_cols - 2)
    v, u = row - r, col - c
    z = ground.dem
    top = z[r, c] * (1 - u) + z[r, c + 1] * u
    return float(top * (1 - v) + (z[r + 1, c] * (1 - u) + z[r + 1, c + 1] * u) * v)


def slow_skyline(ground: ElevationGrid, x0: float, y0: float, eye_height_m: float) -> list[float]:
    """March by half a cell to the end of the elevations; no levels, no averages, no arrays."""
    eye = bilinear(ground, x0, y0) + eye_height_m
    found = []
    for azimuth in AZIMUTHS:
        best, distance = -math.inf, CELL
        while True:
            x = x0 + distance * math.sin(math.radians(azimuth))
            y = y0 + distance * math.cos(math.radians(azimuth))
            z = bilinear(ground, x, y)
            if math.isnan(z):
                break
            sunk = 0.87 * distance**2 / (2 * 6_371_008.8)
            best = max(best, math.degrees(math.atan((z - eye - sunk) / distance)))
            distance += CELL / 2
        found.append(best)
    return found


Finder = Callable[..., Skyline]


def check_skyline(find: Finder) -> None:
    # Blocks of cells are counted from the origin of the coordinates, so the corner of the
    # elevations decides which cells are averaged together: all four ways to pair them.
    corners = [(400_000.0 + east, 5_000_000.0 + north) for east in (0, CELL) for north in (0, CELL)]
    for seed, corner in product(range(3), corners):
        ground = hills(seed, corner=corner)
        rng = np.random.default_rng(seed + 100)
        x = corner[0] + rng.uniform(200, 1000, 4)
        y = corner[1] + rng.uniform(200, 1000, 4)
        fast = find(ground, (x, y), azimuth_deg=AZIMUTHS, eye_height_m=0.45).horizon_deg
        slow = [slow_skyline(ground, *place, 0.45) for place in zip(x, y, strict=True)]
        # Steps of one cell against half a cell, and beyond 64 cells averages of 2 x 2, which
        # lower a narrow top. The largest difference on the same ground is 0.28 to 0.355 degree
        # by how the blocks pair the cells over that top (0.28 when counted from the corner).
        assert np.abs(fast - np.array(slow)).max() < 0.36
        assert np.abs(fast - np.array(slow)).mean() < 0.05


def test_skyline_agrees_with_the_slow_twin() -> None:
    check_skyline(skyline)


def _counter_clockwise(*args: object, **kwargs: object) -> Skyline:
    return skyline(*args, **{**kwargs, "azimuth_deg": -AZIMUTHS})  # type: ignore[arg-type]


def _south_up(ground: ElevationGrid, place: Places, **kwargs: object) -> Skyline:
    return skyline(ElevationGrid(ground.dem[::-1], ground.grid), place, **kwargs)  # type: ignore[arg-type]


def _transposed(ground: ElevationGrid, place: Places, **kwargs: object) -> Skyline:
    return skyline(ElevationGrid(ground.dem.T, ground.grid), place, **kwargs)  # type: ignore[arg-type]


def _shifted_by_a_cell(ground: ElevationGrid, place: Places, **kw: object) -> Skyline:
    return skyline(ground, (place[0] + CELL, place[1]), **kw)  # type: ignore[arg-type]


def _eye_on_the_ground(*args: object, **kwargs: object) -> Skyline:
    return skyline(*args, **{**kwargs, "eye_height_m": 5.0})  # type: ignore[arg-type]


def _in_radians(*args: object, **kwargs: object) -> Skyline:
    found = skyline(*args, **kwargs)  # type: ignore[arg-type]
    return found._replace(horizon_deg=np.radians(found.horizon_deg))


@pytest.mark.parametrize(
    "fault",
    [
        _counter_clockwise,
        _south_up,
        _transposed,
        _shifted_by_a_cell,
        _eye_on_the_ground,
        _in_radians,
    ],
    ids=lambda f: f.__name__,
)
def test_planted_fault_in_the_skyline_is_found(fault: Finder) -> None:
    with pytest.raises(AssertionError):
        check_skyline(fault)


def viewshed_heights(ground: ElevationGrid, folder: Path) -> np.ndarray:
    """Lowest visible height above the ground from the middle cell, by GDAL, no curvature."""
    source, target = folder / "dem.tif", folder / "heights.tif"
    profile = {
        "driver": "GTiff",
        "height": ground.grid.n_rows,
        "width": ground.grid.n_cols,
        "count": 1,
        "dtype": "float64",
        "crs": CRS,
        "transform": ground.grid.transform,
    }
    with rasterio.open(source, "w", **profile) as file:
        file.write(ground.dem.astype("f8"), 1)
    x, y = ground.grid.xy(ground.grid.n_rows // 2, ground.grid.n_cols // 2)
    options = "-oz 1.5 -tz 0 -md 0 -cc 0 -om GROUND -q"
    command = ["gdal_viewshed", *options.split(" ")]
    command += ["-ox", str(x), "-oy", str(y), str(source), str(target)]
    subprocess.run(command, check=True)
    with rasterio.open(target) as file:
        heights: np.ndarray = file.read(1)
    return heights


Sight = Callable[..., np.ndarray]


def check_sight(see: Sight, folder: Path) -> None:
    """Along the axes both walk the same cells, so the answer must be the same.

    GDAL 3.6.2 takes the cells next to the eye as no lower than the eye's own cell; so the eye
    stands in a cell as low as the lowest of its neighbours.
    """
    ground, middle, steps = hills(5, n=61), 30, np.arange(1, 30)
    ground.dem[middle, middle] = ground.dem[middle - 1 : middle + 2, middle - 1 : middle + 2].min()
    heights = viewshed_heights(ground, folder)
    x, y = ground.grid.xy(np.array([middle]), np.array([middle]))
    rays = profiles(
        ground,
        (x, y),
        azimuth_deg=np.arange(0, 360, 90.0),
        distance_m=steps * CELL,
        eye_height_m=1.5,
    )
    along = np.stack(
        [
            heights[middle - steps, middle],
            heights[middle, middle + steps],
            heights[middle + steps, middle],
            heights[middle, middle - steps],
        ]
    )
    for target in (0.0, 1.0, 3.0, 10.0):
        seen = see(rays, target_height_m=target)[0]
        # Cells within a centimetre of the limit may fall either way.
        clear_cut = (np.abs(along - target) > 0.01) | (along == 0)
        assert clear_cut.sum() > 100
        assert (seen == (along <= target))[clear_cut].all()


needs_gdal = pytest.mark.skipif(
    shutil.which("gdal_viewshed") is None, reason="gdal_viewshed (gdal-bin) is not installed"
)


@needs_gdal
def test_line_of_sight_agrees_with_gdal(tmp_path: Path) -> None:
    check_sight(in_sight, tmp_path)


@needs_gdal
@pytest.mark.parametrize("fault", ["turned", "no running maximum", "target forgotten"])
def test_planted_fault_in_sight_is_found(fault: str, tmp_path: Path) -> None:
    def wrong(rays, *, target_height_m: float) -> np.ndarray:
        if fault == "turned":
            return np.roll(in_sight(rays, target_height_m=target_height_m), 1, axis=1)
        if fault == "target forgotten":
            return in_sight(rays, target_height_m=0.0)
        rise = (rays.elevation_m - rays.eye_m[:, None, None] + target_height_m) / rays.distance_m
        return np.diff(rise, axis=2, prepend=-np.inf) >= 0

    with pytest.raises(AssertionError):
        check_sight(wrong, tmp_path)


def test_the_twin_uses_the_published_curvature() -> None:
    assert pytest.approx(float(drop_m(5000.0))) == 0.87 * 5000**2 / (2 * 6_371_008.8)
