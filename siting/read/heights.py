"""Elevations and vegetation of the inputs on the grid, checked over the parcel."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np

from siting.credits import Source
from siting.grid import FloatArray, Grid
from siting.read import checks
from siting.read.input_files import RasterPath, raster_path
from siting.read.raster import raster_layers
from siting.read.raster.far_dem import FarDem, read_far, together
from siting.read.raster.tags import lost_lines
from siting.settings.inputs import Inputs
from siting.settings.protocol import GridRules
from siting.types import BoolArray, Note
from siting.words.office.gather import surface

# A camera is strapped to what is at least this high; where a tenth is covered there is a tree. (Own
# choice; no source.)
_LEAST_TREE_M, _LEAST_TREE_PERCENT = 3.0, 10.0
# Wider cells mix what stands before the lens with what stands beside it.
_WIDEST_CANOPY_M = 10.0


@dataclass(frozen=True)
class DemRead:
    """Elevations on the grid: (rows, cols) float32, metres; share of the parcel they cover."""

    values: FloatArray
    cell_m: float
    share: float
    source: Source
    notes: tuple[Note, ...]


def read_dem(
    inputs: Inputs, path: RasterPath, grid: Grid, inside: BoolArray, *, rules: GridRules
) -> DemRead:
    """The DEM of the inputs on the grid, checked over the parcel.

    Parameters
    ----------
    inputs : Inputs
    path : RasterPath of the DEM
    grid : Grid
    inside : (rows, cols) bool, True inside the parcel
    rules : GridRules, for the memory allowed

    Returns
    -------
    DemRead, metres

    Raises
    ------
    SitingError
        E-COVER-02 when less than 60 % of the parcel has elevations, E-VALUE-02, E-NODATA-01,
        E-UNIT-01, and all of opening a file.
    """
    dem, facts, source, notes = raster_layers.read_elevation(
        path,
        inputs.dem,
        grid,
        key="dem",
        z_unit=inputs.dem.z_unit,
        most_gb=rules.most_memory_gb,
        allow_remote=inputs.allow_remote,
    )
    share, more = checks.check_coverage(np.isfinite(dem), inside, file=facts.file, what="DEM")
    steep = checks.check_relief(dem, cell_size_m=grid.cell_size_m, file=facts.file)
    # Asked for, not guessed: tree tops and ground look alike in numbers.
    high = (surface("dem", facts.file),) if inputs.dem.surface == "yes" else ()
    return DemRead(
        dem, facts.cell_m, share, source, (*notes, *more, *steep, *high, *lost_lines(inputs))
    )


@dataclass(frozen=True)
class CanopyRead:
    """Vegetation on the grid, for what its cells can tell.

    Parameters
    ----------
    height_m : (rows, cols) float32, metres, NaN = not known; None where cells are too wide to say
        what stands before a lens, or hold no heights
    trees : (rows, cols) float32, 1 where trees to strap a camera to are likely, 0 elsewhere, NaN =
        not known
    """

    height_m: FloatArray | None
    trees: FloatArray
    source: Source
    notes: tuple[Note, ...]


def read_canopy(inputs: Inputs, grid: Grid, rules: GridRules) -> CanopyRead | None:
    """The canopy of the inputs on the grid: heights, or percent of tree cover."""
    spec = inputs.canopy
    if spec is None:
        return None
    values, facts, source, notes = raster_layers.read_elevation(
        raster_path(inputs, spec, key="canopy"),
        spec,
        grid,
        key="canopy",
        z_unit=spec.z_unit,
        most_gb=rules.most_memory_gb,
        allow_remote=inputs.allow_remote,
        smooth=False,
    )
    percent = spec.z_unit == "percent"
    if percent:
        checks.check_percent(values, file=source.file)
    else:
        checks.check_canopy(values, file=source.file)
    least = _LEAST_TREE_PERCENT if percent else _LEAST_TREE_M
    # Before a cell is called too wide for the view: a wide one still tells of trees to strap to.
    trees = np.where(np.isfinite(values), values >= least, np.nan).astype(np.float32)
    if not percent and facts.cell_m <= _WIDEST_CANOPY_M:
        # Heights below 0 are errors of two rasters subtracted; no plant grows downwards.
        return CanopyRead(np.maximum(values, 0.0), trees, source, notes)
    what = "holds percent of tree cover" if percent else f"has cells of {facts.cell_m:.0f} m"
    text = (
        f"{source.file} {what}: it shows where trees to strap a camera to are likely, but not what "
        "stands in front of the lens. The view is judged by the land cover."
    )
    return CanopyRead(None, trees, source, (*notes, Note("W-CANOPY-01", "warning", text)))


def read_skyline(
    inputs: Inputs, dem_path: RasterPath, grid: Grid, *, reach_m: float
) -> tuple[FarDem | None, tuple[Note, ...]]:
    """Coarse elevations as far as the skyline is looked for; None where nothing is asked or found.

    With what was assumed, and a warning where a file for the skyline adds nothing to it.

    Parameters
    ----------
    inputs : Inputs
    dem_path : where the elevations of the inputs lie
    grid : Grid, the working grid
    reach_m : float, metres beyond the working grid; 0 reads nothing
    """
    spec, remote = inputs.dem, inputs.allow_remote
    near = read_far(dem_path, spec, grid, reach_m=reach_m, allow_remote=remote)
    if not spec.far:
        return near, near.notes if near else ()
    # Also where nothing is asked for: a file that is named and not there is told of in every run.
    path = raster_path(inputs, spec.further, key="dem.far")
    far = read_far(path, spec.further, grid, reach_m=reach_m, allow_remote=remote, key="dem.far")
    both = together(near, far)
    notes = both.notes if both else ()
    if reach_m <= 0 or (far is not None and np.isfinite(far.dem).any()):
        return both, notes
    text = (
        f"{spec.further.label} (dem.far) has no elevations within {reach_m / 1000:.1f} km of the "
        "parcel, so it was not used. Check that it is the file for this land."
    )
    return near, (*(near.notes if near else ()), Note("W-FAR-01", "warning", text))


def far_sources(inputs: Inputs, far: FarDem | None) -> tuple[Source, ...]:
    """Where the elevations far off came from, with a fingerprint; empty where none were given."""
    if far is None or not inputs.dem.far:
        return ()
    digest = hashlib.sha256(np.ascontiguousarray(far.dem).tobytes()).hexdigest()
    facts = {"cell_size_m": round(far.cell_m, 3)}
    return (Source("dem.far", inputs.dem.further.label, digest, facts, inputs.dem.attribution),)
