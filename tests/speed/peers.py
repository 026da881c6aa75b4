"""One kernel or its peer, timed inside a process of its own; prints the least seconds of three.

    python -m tests.speed.peers NAME FOLDER      NAME is a key of JOBS; FOLDER holds peer.npz

The file imports nothing of ours at the top, so that a peer that needs an environment of its own
(richdem, xdem) can run it there as a plain script.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

CELL_M = 2.0
Job = Callable[[dict[str, Any]], Callable[[], Any]]
JOBS: dict[str, Job] = {}


def job(function: Job) -> Job:
    JOBS[function.__name__] = function
    return function


@job
def slope_ours(data: dict[str, Any]) -> Callable[[], Any]:
    from siting.ground.terrain import slope_deg

    return lambda: slope_deg(data["dem"], CELL_M)


@job
def slope_richdem(data: dict[str, Any]) -> Callable[[], Any]:
    import richdem

    return lambda: richdem.TerrainAttribute(_rich(data["dem"]), attrib="slope_degrees")


@job
def slope_xdem(data: dict[str, Any]) -> Callable[[], Any]:
    from xdem.terrain import slope

    return lambda: slope(data["dem"], method="Horn", resolution=CELL_M)


@job
def hillshade_ours(data: dict[str, Any]) -> Callable[[], Any]:
    from siting.ground.terrain import hillshade

    return lambda: hillshade(data["dem"], CELL_M)


@job
def distance_ours(data: dict[str, Any]) -> Callable[[], Any]:
    """From the true lines; the peers only measure between cell centres."""
    import shapely

    from siting.grid import Grid
    from siting.ground.distance import distance_to

    n_rows, n_cols = data["dem"].shape
    grid = Grid("EPSG:32617", 0.0, n_rows * CELL_M, CELL_M, n_rows, n_cols)
    lines = list(shapely.from_wkb(data["lines"]))
    return lambda: distance_to(lines, grid=grid)


@job
def distance_scipy(data: dict[str, Any]) -> Callable[[], Any]:
    from scipy.ndimage import distance_transform_edt

    return lambda: distance_transform_edt(~data["lined"], sampling=CELL_M)


@job
def fill_ours(data: dict[str, Any]) -> Callable[[], Any]:
    from siting.ground.water.flow import fill_depressions

    return lambda: fill_depressions(data["dem"])


@job
def fill_pyflwdir(data: dict[str, Any]) -> Callable[[], Any]:
    from pyflwdir.dem import fill_depressions

    return lambda: fill_depressions(data["dem"], nodata=-9999.0)


@job
def fill_richdem(data: dict[str, Any]) -> Callable[[], Any]:
    import richdem

    return lambda: richdem.FillDepressions(_rich(data["dem"]), epsilon=False)


@job
def fill_skimage(data: dict[str, Any]) -> Callable[[], Any]:
    from skimage.morphology import reconstruction

    seed = np.full_like(data["dem"], data["dem"].max())
    seed[[0, -1]], seed[:, [0, -1]] = data["dem"][[0, -1]], data["dem"][:, [0, -1]]
    return lambda: reconstruction(seed, data["dem"], method="erosion")


@job
def flow_ours(data: dict[str, Any]) -> Callable[[], Any]:
    from siting.ground.water.drainage import upstream_area_m2
    from siting.kernels import steepest

    return lambda: upstream_area_m2(steepest(data["filled"]), cell_size_m=CELL_M)


@job
def flow_richdem(data: dict[str, Any]) -> Callable[[], Any]:
    """Directions and accumulation; its flats are resolved beforehand, untimed."""
    import richdem

    ready = richdem.FillDepressions(_rich(data["dem"]), epsilon=True)
    return lambda: richdem.FlowAccumulation(ready, method="D8")


@job
def flow_pyflwdir(data: dict[str, Any]) -> Callable[[], Any]:
    import pyflwdir
    from pyflwdir.dem import fill_depressions

    _, codes = fill_depressions(data["dem"], nodata=-9999.0)
    return lambda: pyflwdir.from_array(codes, check_ftype=False).upstream_area("cell")


@job
def bilinear_ours(data: dict[str, Any]) -> Callable[[], Any]:
    from siting.kernels import between_centres

    return lambda: between_centres(data["dem"], *data["at"])


@job
def bilinear_scipy(data: dict[str, Any]) -> Callable[[], Any]:
    from scipy.ndimage import map_coordinates

    return lambda: map_coordinates(data["dem"], data["at"], order=1, prefilter=False)


@job
def specks_ours(data: dict[str, Any]) -> Callable[[], Any]:
    from siting.ground.cover import patches_at_least

    return lambda: patches_at_least(data["woods"], smallest_cells=400)


@job
def specks_skimage(data: dict[str, Any]) -> Callable[[], Any]:
    from skimage.morphology import remove_small_objects

    return lambda: remove_small_objects(data["woods"], max_size=399)


@job
def disc_mean_ours(data: dict[str, Any]) -> Callable[[], Any]:
    from siting.ground.terrain import mean_within

    return lambda: mean_within(data["dem"], radius_m=15.0, cell_size_m=CELL_M)


@job
def disc_mean_scipy(data: dict[str, Any]) -> Callable[[], Any]:
    from scipy.signal import oaconvolve

    row, col = np.mgrid[-7:8, -7:8]
    disc = (row**2 + col**2 <= 7.5**2).astype(np.float32)
    ones = np.ones_like(data["dem"])
    return lambda: oaconvolve(data["dem"], disc, mode="same") / oaconvolve(ones, disc, mode="same")


def _rich(dem: np.ndarray) -> Any:
    import richdem

    corner = [0.0, CELL_M, 0.0, 0.0, 0.0, -CELL_M]
    return richdem.rdarray(dem, no_data=-9999.0, geotransform=corner)


def seconds(call: Callable[[], Any], *, times: int = 3) -> tuple[float, float]:
    """Least wall and processor seconds; once before, so that nothing is compiled or loaded."""
    call()
    found = []
    for _ in range(times):
        wall, cpu = time.perf_counter(), time.process_time()
        call()
        found.append((time.perf_counter() - wall, time.process_time() - cpu))
    return min(w for w, _ in found), min(c for _, c in found)


if __name__ == "__main__":
    with np.load(Path(sys.argv[2]) / "peer.npz") as stored:
        given = {name: stored[name] for name in stored.files}
    try:
        todo = JOBS[sys.argv[1]](given)
    except ImportError as error:
        sys.exit(f"{error.name} is not installed")
    print("RESULT", *seconds(todo))
