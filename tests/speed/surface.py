"""The surface stage twice: by the program, and by GDAL's command-line tools.

    python -m tests.speed.surface ours FOLDER
    python -m tests.speed.surface tools FOLDER
    python -m tests.speed.surface compare FOLDER

FOLDER is what `tests.speed.lands.write_surface` made. Both write slope, four distances, no-go and
score as GeoTIFFs. The rules below are given to both.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import rasterio

LAYERS = ("water", "trails", "roads", "buildings")
STEEP_DEG = 25.0
SET_BACK_M = {"water": 10.0, "roads": 30.0, "buildings": 50.0}
# criterion: (measure, knots, logarithm of its ratio); the first two draw animals (they speak of
# two facts), the others must hold
CURVES = {
    "trail": ("trails", ((0, 1.0), (10, 1.0), (60, 0.2), (150, 0.0)), 0.5),
    "water": ("water", ((0, 0.6), (20, 1.0), (100, 0.3), (300, 0.0)), 0.3),
    "flat": ("slope", ((0, 1.0), (5, 1.0), (25, 0.1)), -0.7),
    "quiet": ("roads", ((0, 0.1), (100, 0.5), (400, 1.0)), -0.5),
    "view": ("buildings", ((0, 0.1), (150, 0.6), (500, 1.0)), -0.3),
}


def ours(folder: Path) -> None:
    import geopandas as gpd
    from shapely import box

    from siting.grid import Grid
    from siting.ground.distance import distance_to
    from siting.ground.no_go import no_go_bits
    from siting.ground.terrain import slope_deg
    from siting.kernels.bands import bands
    from siting.kernels.curves import membership
    from siting.scoring.combine import combine
    from siting.settings.protocol_ground import NoGoRules
    from siting.settings.protocol_score import Scoring
    from siting.types import CoverRole, Land, Parcel

    with rasterio.open(folder / "dem.tif") as source:
        dem, profile = source.read(1), source.profile
    cell_m, (left, top) = profile["transform"].a, profile["transform"] @ (0, 0)
    grid = Grid(profile["crs"].to_string(), left, top, cell_m, *dem.shape)
    vectors = {name: gpd.read_file(folder / "layers.gpkg", layer=name) for name in LAYERS}
    vectors["roads"]["class"] = "minor"

    def put(name: str, values: np.ndarray) -> None:
        kind = profile | {"dtype": values.dtype.name, "nodata": None}
        with rasterio.open(folder / f"ours_{name}.tif", "w", **kind) as out:
            out.write(values[np.newaxis])  # one band given by number would be copied first

    measures = {}
    for name in LAYERS:
        measures[name] = distance_to(list(vectors[name].geometry), grid=grid)
        put(name, measures[name])
    measures["slope"] = slope_deg(dem, cell_m)
    put("slope", measures["slope"])
    area = box(*grid.bounds)
    land = Land(
        grid=grid,
        parcel=Parcel("S", "", area, grid.crs),
        parcel_shape=area,
        dem=dem,
        cover_code=np.broadcast_to(np.int32(71), dem.shape),
        role=np.broadcast_to(np.int8(CoverRole.GRASS), dem.shape),
        canopy_m=None,
        vectors={name: vectors[name] for name in SET_BACK_M},
        dem_cell_m=cell_m,
        cover_cell_m=cell_m,
        coverage={},
        notes=(),
        sources=(),
    )
    rules = NoGoRules(
        boundary_m=0.0,
        steep_deg=STEEP_DEG,
        water_m=SET_BACK_M["water"],
        road_minor_m=SET_BACK_M["roads"],
        building_m=SET_BACK_M["buildings"],
    )
    bits = no_go_bits(land, slope_deg=measures["slope"], role=land.role, rules=rules)
    put("no_go", bits)
    del bits, land, dem  # what the score does not need
    total = np.empty(grid.shape, dtype=np.float32)
    weights = {name: weight for name, (_, _, weight) in CURVES.items()}
    for rows in bands(grid.shape):
        parts = {n: membership(measures[m][rows], knots) for n, (m, knots, _) in CURVES.items()}
        found = combine(parts, weights=weights, scoring=Scoring())
        total[rows] = found.total
    put("score", total)


def tools(folder: Path) -> None:
    def run(*words: object) -> None:
        subprocess.run([str(w) for w in words], check=True, cwd=folder, stdout=subprocess.DEVNULL)

    run("gdaldem", "slope", "dem.tif", "tools_slope.tif", "-q")
    with rasterio.open(folder / "dem.tif") as source:
        bounds, cell_m = source.bounds, source.transform.a
    for name in LAYERS:
        run(
            *("gdal_rasterize", "-q", "-at", "-burn", 1, "-init", 0, "-ot", "Byte", "-l", name),
            *("-te", *bounds, "-tr", cell_m, cell_m, "layers.gpkg", f"burnt_{name}.tif"),
        )
        run(
            *("gdal_proximity.py", "-q", f"burnt_{name}.tif", f"tools_{name}.tif"),
            *("-distunits", "GEO", "-ot", "Float32"),
        )
    letters = dict(zip((*LAYERS, "slope"), "ABCDE", strict=True))
    given = [word for name, k in letters.items() for word in (f"-{k}", f"tools_{name}.tif")]
    near = "|".join(f"({letters[name]}<{limit})" for name, limit in SET_BACK_M.items())
    calc = ("gdal_calc.py", "--quiet", "--overwrite", *given)
    run(
        *(*calc, "--type", "UInt16", "--outfile", "tools_no_go.tif"),
        *("--calc", f"({near}|(E>{STEEP_DEG})|(E<0))*1"),
    )
    terms = []
    for measure, knots, weight in CURVES.values():
        at, level = zip(*knots, strict=True)
        curve = f"interp({letters[measure]},{list(at)},{list(level)})"
        terms.append(f"{weight}*{curve}" if weight > 0 else f"{weight}*(1-{curve})")
    run(
        *(*calc, "--type", "Float32", "--outfile", "tools_score.tif", "--calc"),
        f"exp({'+'.join(f'({term})' for term in terms)})",
    )


def compare(folder: Path) -> dict[str, float]:
    """How far the two results lie apart, off the outermost cells.

    The tools measure to the centre of the nearest touched cell, the program to the true shape:
    the distances may differ by a cell's diagonal and by what gdal_proximity's own approximation
    adds; the no-go by the cells at its limits; the score by what the curves make of it.
    """
    read = {}
    for name in (*LAYERS, "slope", "no_go", "score"):
        for who in ("ours", "tools"):
            with rasterio.open(folder / f"{who}_{name}.tif") as source:
                read[who, name] = source.read(1)[1:-1, 1:-1]
                cell_m = source.transform.a
    out = {"slope_deg": float(np.abs(read["ours", "slope"] - read["tools", "slope"]).max())}
    apart = [np.abs(read["ours", n] - read["tools", n]).max() / cell_m for n in LAYERS]
    out["distance_cells"] = float(max(apart))
    out["no_go_share"] = float(((read["ours", "no_go"] > 0) != (read["tools", "no_go"] > 0)).mean())
    score = np.abs(read["ours", "score"] - read["tools", "score"])
    out["score_999"] = float(np.quantile(score, 0.999))
    out["score_max"] = float(score.max())
    return out


if __name__ == "__main__":
    job, place = sys.argv[1], Path(sys.argv[2])
    if job == "compare":
        print(compare(place))
    else:
        {"ours": ours, "tools": tools}[job](place)
