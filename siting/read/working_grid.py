"""Which grid a parcel is worked on: map projection, cell size, extent."""

from __future__ import annotations

import math
from dataclasses import replace

import shapely

from siting.errors import SitingError
from siting.grid import Grid
from siting.read.checks import check_zone
from siting.read.crs.datum import conversion_note
from siting.read.crs.projection import (
    WGS84,
    inverse_bounds,
    is_metric_map,
    local_crs,
    middle_lonlat,
    project,
    working_crs,
)
from siting.read.input_files import RasterPath
from siting.read.raster import rasters
from siting.settings.inputs import Inputs
from siting.settings.protocol import GridRules
from siting.types import Note, Parcel

# Peak memory of whole runs on 4 km2 in cells of 1 m (docs/method/speed.md), both processes
# together, with a little to spare: libraries alone take the second figure.
_BYTES_A_CELL, _BYTES_AT_LEAST = 190, 200_000_000
# Blocks at whose edges a grid ends, a part of the context. While an outline is drawn the grid
# mostly stays what it is, and with it all that does not depend on the outline.
_BLOCK_SHARE = 1 / 8

Bounds = tuple[float, float, float, float]


def choose_grid(
    inputs: Inputs, path: RasterPath, parcel: Parcel, *, rules: GridRules
) -> tuple[Grid, tuple[Note, ...]]:
    """The working grid of a parcel, and what was assumed.

    Parameters
    ----------
    inputs : Inputs
    path : RasterPath
        The DEM.
    parcel : Parcel
        Checked parcel.
    rules : GridRules
        Context, limits of the cell size, memory.

    Raises
    ------
    SitingError
        E-CRS-05 for a grid that cannot be worked on, E-MEM-01 for one too large, E-DATUM-01 when
        the parcel cannot be laid on it exactly, and all of `rasters.describe`.
    """
    with rasters.opened(
        path, key="dem", spec=inputs.dem, allow_remote=inputs.allow_remote
    ) as dataset:
        facts = rasters.describe(dataset, inputs.dem, key="dem")
    lon, lat = middle_lonlat(parcel.geometry, parcel.crs, file="parcel")
    local = local_crs(lon, lat)
    here = shapely.get_coordinates(project(shapely.Point(lon, lat), WGS84, local, file="parcel"))
    facts = replace(facts, cell_m=rasters.cell_metres_at(facts, *here[0], crs=local))
    crs, notes = working_crs(lon, lat, dem_crs=facts.crs, asked=inputs.grid.crs)
    cell, anchor, cell_notes = _cell(facts, crs, inputs, rules)
    shape = project(parcel.geometry, parcel.crs, crs, file="parcel")
    left, bottom, right, top = shape.bounds
    # The context: streams, roads and hills beside the parcel count as much as those on it.
    pad = rules.context_m
    bounds = (left - pad, bottom - pad, right + pad, top + pad)
    grid = _in_blocks(bounds, crs, cell, anchor, rules)
    _check_memory(grid, parcel, rules)
    if inputs.grid.cell_size_m is None and inputs.layers.given():
        grid, divided = _for_lines(grid, bounds, anchor, rules)
        cell_notes = (*cell_notes, *divided)
    lonlat = inverse_bounds((left, bottom, right, top), crs)
    fit = conversion_note(parcel.crs, crs, bounds_lonlat=lonlat, cell_m=cell)
    clock = check_zone(inputs.survey.time_zone, lon)
    return grid, (*notes, *cell_notes, *((fit,) if fit else ()), *clock)


def _in_blocks(
    bounds: Bounds, crs: str, cell_m: float, anchor: tuple[float, float], rules: GridRules
) -> Grid:
    """The grid of land and context, each edge moved to the nearest block: context +- 1/16."""
    block = max(1, round(rules.context_m * _BLOCK_SHARE / cell_m))
    return Grid.from_bounds(bounds, crs=crs, cell_size_m=cell_m, anchor=anchor, whole=block)


def _memory_bytes(grid: Grid) -> float:
    return grid.n_rows * grid.n_cols * _BYTES_A_CELL + _BYTES_AT_LEAST


def _check_memory(grid: Grid, parcel: Parcel, rules: GridRules) -> None:
    """E-MEM-01 where a run on the grid would take more memory than the rules allow."""
    cells, need = grid.n_rows * grid.n_cols, _memory_bytes(grid)
    most = rules.most_memory_gb * 1e9
    if need <= most:
        return
    # The size that would fit is worked out, for the message must say what to write.
    share = max(most - _BYTES_AT_LEAST, 1.0) / (cells * _BYTES_A_CELL)
    # With another cell size the blocks lie otherwise: 17/16 of the context, where it was 15/16.
    fits = 1.15 * grid.cell_size_m / math.sqrt(share)
    size = "a larger grid.cell_size_m"
    if fits <= rules.largest_cell_m:
        size = f"grid.cell_size_m to {math.ceil(fits * 10) / 10:g} or more"
    raise SitingError(
        "E-MEM-01",
        f"The grid for parcel {parcel.id} has {grid.n_rows:,} x {grid.n_cols:,} cells, about "
        f"{need / 1e9:,.1f} GB.",
        rule=f"At most {rules.most_memory_gb:g} GB may be used (grid.most_memory_gb).",
        cure=f"Raise the limit, set {size}, or split the parcel.",
    )


def _cell(
    facts: rasters.RasterFacts, crs: str, inputs: Inputs, rules: GridRules
) -> tuple[float, tuple[float, float], tuple[Note, ...]]:
    """Cell size and lattice: the DEM's own where it may be, so that its cells are not resampled."""
    low, high = rules.smallest_cell_m, rules.largest_cell_m
    asked = inputs.grid.cell_size_m
    if asked is not None and not low <= asked <= high:
        raise SitingError(
            "E-SETTINGS-01",
            f"grid.cell_size_m = {asked:g}.",
            rule=f"The protocol allows cells of {low:g} to {high:g} m.",
            cure="Choose a size in that range, or change the protocol's limits.",
        )
    t = facts.transform
    square = facts.north_up and abs(t.a + t.e) < 1e-6 * abs(t.a)
    own = facts.crs == crs and is_metric_map(facts.crs) and square and low <= t.a <= high
    if own and asked in (None, t.a):
        return t.a, (t.c, t.f), ()
    # Two figures: 9.26 m of a file in degrees become 9.3, a size one can say.
    cell = asked if asked is not None else min(max(_rounded(facts.cell_m), low), high)
    if asked is not None or math.isclose(cell, facts.cell_m, rel_tol=0.05):
        return cell, (0.0, 0.0), ()
    text = f"Cells of {cell:g} m are used; the DEM has cells of {facts.cell_m:.2f} m."
    return cell, (0.0, 0.0), (Note("A-GRID-02", "assumption", text),)


def _for_lines(
    grid: Grid,
    bounds: Bounds,
    anchor: tuple[float, float],
    rules: GridRules,
) -> tuple[Grid, tuple[Note, ...]]:
    """Wide cells divided, so that mapped lines and their set-backs are judged where they are."""
    parts = math.ceil(grid.cell_size_m / rules.lines_cell_m - 1e-9)
    if parts <= 1:
        return grid, ()
    finer = _in_blocks(bounds, grid.crs, grid.cell_size_m / parts, anchor, rules)
    # Land so large that it only goes on wide cells is judged on those.
    if _memory_bytes(finer) > rules.most_memory_gb * 1e9:
        return grid, ()
    text = (
        f"Cells of {grid.cell_size_m:g} m were divided by {parts}: mapped lines are finer than the "
        "elevations. What elevations and land cover can tell is no finer for it."
    )
    return finer, (Note("A-GRID-03", "assumption", text),)


def _rounded(size_m: float) -> float:
    digits = 1 - math.floor(math.log10(size_m))
    return round(size_m, digits)
