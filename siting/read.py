"""The door in: everything about one parcel, read, checked and laid on one grid."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from siting import checks, rasters, vectors
from siting.cover import (
    NO_CODE,
    SHIPPED,
    Legend,
    canonical_codes,
    parse_legend,
    roles,
    shipped_legend,
)
from siting.distance import burn
from siting.errors import SitingError
from siting.far_dem import read_far
from siting.grid import Grid
from siting.inputs import Inputs, RasterInput
from siting.projection import is_metric_map, middle_lonlat, name_of, project, working_crs
from siting.protocol import GridRules
from siting.types import Land, Note, Parcel, Source

_FILE_TIMES = tuple[str, int, int]


def read_parcel(inputs: Inputs) -> Parcel:
    """The one parcel of the inputs, checked; E-GEOM-05 when the file holds several and none is
    named."""
    spec = inputs.parcel
    if spec.point is not None and spec.radius_m is not None:
        return vectors.point_parcel(*spec.point, spec.radius_m)
    parcels = all_parcels(inputs)
    chosen = [p for p in parcels if not spec.id or p.id == spec.id]
    file = spec.file.partition("::")[0]
    if len(chosen) != 1:
        ids = ", ".join(p.id for p in parcels[:12]) + (" ..." if len(parcels) > 12 else "")
        said = f"no parcel {spec.id!r}" if spec.id else f"{len(parcels)} parcels"
        raise SitingError(
            "E-GEOM-05",
            f"{file} holds {said}; it has {ids}.",
            rule="One parcel is scored at a time.",
            cure="Name it with --parcel-id, or use 'siting batch' for all.",
        )
    return vectors.checked_parcel(chosen[0], file=file)


def all_parcels(inputs: Inputs) -> list[Parcel]:
    """Every parcel of the inputs' file, not yet checked one by one, in the file's order."""
    file, _, layer = inputs.parcel.file.partition("::")
    path = rasters.resolve(file, inputs.folder, allow_remote=inputs.allow_remote)
    return vectors.read_parcels(path, inputs.parcel, layer=layer)


def read_land(
    inputs: Inputs, parcel: Parcel, *, rules: GridRules, far_reach_m: float = 0.0
) -> Land:
    """DEM, land cover and layers of a parcel and its surroundings, on one grid.

    Parameters
    ----------
    inputs : Inputs
        Files and what is asserted about them.
    parcel : Parcel
        Checked parcel (see `read_parcel`).
    rules : GridRules
        Context, limits of the cell size, memory.
    far_reach_m : float
        How far beyond the context coarse elevations are read for the skyline; 0 reads none.

    Raises
    ------
    SitingError
        See docs/errors.md; nothing is returned half-read.
    """
    before = file_times(inputs)
    grid, dem_path, notes = choose_grid(inputs, parcel, rules)
    shape = project(parcel.geometry, parcel.crs, grid.crs, file="parcel")
    inside = burn([shape], grid=grid)
    checks.check_cells(
        int(inside.sum()),
        cell_size_m=grid.cell_size_m,
        area_m2=float(shape.area),
        what=f"Parcel {parcel.id}",
    )
    dem, dem_facts, dem_source, dem_notes = rasters.read_elevation(
        dem_path,
        inputs.dem,
        grid,
        key="dem",
        z_unit=inputs.dem.z_unit,
        most_gb=rules.most_memory_gb,
        allow_remote=inputs.allow_remote,
    )
    dem_share, dem_cover = checks.check_coverage(
        np.isfinite(dem), inside, file=dem_facts.file, what="DEM"
    )
    legend = read_legend(inputs)
    cover_path = input_path(inputs, inputs.land_cover.file)
    raw, cover_facts, cover_source, cover_notes = rasters.read_classes(
        cover_path,
        inputs.land_cover,
        grid,
        key="land_cover",
        most_gb=rules.most_memory_gb,
        allow_remote=inputs.allow_remote,
    )
    code = canonical_codes(raw, legend, file=cover_facts.file)
    cover_share, cover_warning = checks.check_coverage(
        code != NO_CODE, inside, file=cover_facts.file, what="land cover"
    )
    canopy, canopy_sources, canopy_notes = _read_canopy(inputs, grid, rules)
    layers, layer_sources, layer_notes = _read_layers(inputs, grid)
    far = read_far(
        dem_path, inputs.dem, grid, reach_m=far_reach_m, allow_remote=inputs.allow_remote
    )
    far_dem, wide, far_notes = far if far is not None else (None, None, ())
    _check_unchanged(before, file_times(inputs))
    return Land(
        grid=grid,
        parcel=parcel,
        parcel_shape=shape,
        dem=dem,
        cover_code=code,
        role=roles(code, legend),
        canopy_m=canopy,
        vectors=layers,
        dem_cell_m=dem_facts.cell_m,
        cover_cell_m=cover_facts.cell_m,
        coverage={"dem": dem_share, "land_cover": cover_share},
        notes=(
            *parcel.notes,
            *notes,
            *dem_notes,
            *far_notes,
            *dem_cover,
            *cover_notes,
            *cover_warning,
            *canopy_notes,
            *layer_notes,
        ),
        sources=(
            *parcel.sources,
            parcel_source(inputs, parcel),
            dem_source,
            cover_source,
            *canopy_sources,
            *layer_sources,
        ),
        class_names=legend.names,
        far_dem=far_dem,
        far_grid=wide,
    )


def input_path(inputs: Inputs, file: str) -> str:
    """The path of a file named in the inputs, checked."""
    return rasters.resolve(file, inputs.folder, allow_remote=inputs.allow_remote)


def choose_grid(
    inputs: Inputs, parcel: Parcel, rules: GridRules
) -> tuple[Grid, str, tuple[Note, ...]]:
    """The working grid of a parcel, the path of the DEM, and what was assumed."""
    path = input_path(inputs, inputs.dem.file)
    with rasters.opened(path, key="dem", allow_remote=inputs.allow_remote) as dataset:
        facts = rasters.describe(dataset, inputs.dem, key="dem")
    lon, lat = middle_lonlat(parcel.geometry, parcel.crs, file="parcel")
    crs, notes = working_crs(lon, lat, dem_crs=facts.crs, asked=inputs.grid.crs)
    cell, anchor, cell_notes = _cell(facts, crs, inputs, rules)
    shape = project(parcel.geometry, parcel.crs, crs, file="parcel")
    left, bottom, right, top = shape.bounds
    pad = rules.context_m
    bounds = (left - pad, bottom - pad, right + pad, top + pad)
    grid = Grid.from_bounds(bounds, crs=crs, cell_size_m=cell, anchor=anchor)
    if grid.n_rows * grid.n_cols * 100 > rules.most_memory_gb * 1e9:
        raise SitingError(
            "E-MEM-01",
            f"The grid of parcel {parcel.id} has {grid.n_rows:,} x {grid.n_cols:,} cells, about "
            f"{grid.n_rows * grid.n_cols * 100 / 1e9:,.1f} GB.",
            rule=f"At most {rules.most_memory_gb:g} GB may be used (grid.most_memory_gb).",
            cure="Raise the limit, set a larger grid.cell_size_m, or split the parcel.",
        )
    return grid, path, (*notes, *cell_notes)


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
            rule=f"The protocol holds cells within {low:g} to {high:g} m.",
            cure="Choose a size within, or change the protocol's limits.",
        )
    t = facts.transform
    square = facts.north_up and abs(t.a + t.e) < 1e-6 * abs(t.a)
    own = facts.crs == crs and is_metric_map(facts.crs) and square and low <= t.a <= high
    if own and asked in (None, t.a):
        return t.a, (t.c, t.f), ()
    cell = asked if asked is not None else min(max(_rounded(facts.cell_m), low), high)
    if asked is not None or math.isclose(cell, facts.cell_m, rel_tol=0.05):
        return cell, (0.0, 0.0), ()
    text = f"Cells of {cell:g} m are used; the DEM has cells of {facts.cell_m:.2f} m."
    return cell, (0.0, 0.0), (Note("A-GRID-02", "assumption", text),)


def _rounded(size_m: float) -> float:
    digits = 1 - math.floor(math.log10(size_m))
    return round(size_m, digits)


def read_legend(inputs: Inputs) -> Legend:
    """The legend of the land cover: a shipped one or a CSV file."""
    name = inputs.land_cover.legend
    if name in SHIPPED:
        return shipped_legend(name)
    if not name.lower().endswith(".csv"):
        raise SitingError(
            "E-LEGEND-01",
            f"land_cover.legend = {name!r} is not known.",
            rule=f"A legend is one of {', '.join(SHIPPED)}, or a CSV file.",
            cure="Choose the legend that belongs to the raster.",
        )
    path = Path(input_path(inputs, name))
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SitingError(
            "E-LEGEND-01",
            f"{path} cannot be read: {error}.",
            rule="A legend is a CSV table in UTF-8.",
            cure="Save it again as CSV in UTF-8.",
        ) from error
    return parse_legend(text, name=path.name)


def _read_canopy(
    inputs: Inputs, grid: Grid, rules: GridRules
) -> tuple[Any, tuple[Source, ...], tuple[Note, ...]]:
    spec = inputs.canopy
    if spec is None:
        return None, (), ()
    canopy, _, source, notes = rasters.read_elevation(
        input_path(inputs, spec.file),
        RasterInput(file=spec.file, crs=spec.crs, nodata=spec.nodata, band=spec.band),
        grid,
        key="canopy",
        z_unit=spec.z_unit,
        most_gb=rules.most_memory_gb,
        allow_remote=inputs.allow_remote,
    )
    return np.maximum(canopy, 0.0), (source,), notes


def _read_layers(
    inputs: Inputs, grid: Grid
) -> tuple[Mapping[str, Any], tuple[Source, ...], tuple[Note, ...]]:
    frames: dict[str, Any] = {}
    sources: list[Source] = []
    notes: list[Note] = []
    for name, spec in inputs.layers.given().items():
        path = input_path(inputs, spec.file)
        frames[name], source, told = vectors.read_layer(path, spec, grid, name=name)
        sources.append(source)
        notes += told
    return frames, tuple(sources), tuple(notes)


def parcel_source(inputs: Inputs, parcel: Parcel) -> Source:
    """Where the parcel came from, with a fingerprint of its outline."""
    from siting.files import text_hash

    digest = text_hash(f"{parcel.id}|{parcel.crs}|{shapely.to_wkb(parcel.geometry, hex=True)}")
    file = Path(inputs.parcel.file.partition("::")[0]).name or "point and radius"
    return Source("parcel", file, digest, {"crs": name_of(parcel.crs), "id": parcel.id})


def file_times(inputs: Inputs) -> list[_FILE_TIMES]:
    """Name, size and time of change of every local file of the inputs."""
    files = [inputs.parcel.file, inputs.dem.file, inputs.land_cover.file]
    files += [inputs.canopy.file] if inputs.canopy else []
    files += [layer.file for layer in inputs.layers.given().values()]
    out: list[_FILE_TIMES] = []
    for file in dict.fromkeys(f.partition("::")[0] for f in files if f):
        path = inputs.folder / file
        if path.is_file():
            status = path.stat()
            out.append((str(path), status.st_size, status.st_mtime_ns))
    return out


def _check_unchanged(before: list[_FILE_TIMES], after: list[_FILE_TIMES]) -> None:
    changed = [old[0] for old, new in zip(before, after, strict=False) if old != new]
    if changed or len(before) != len(after):
        raise SitingError(
            "E-CHANGED-01",
            f"{', '.join(changed) or 'A file'} changed while it was being read.",
            rule="All layers must be of one state.",
            cure="Wait until the copying or download is done and run again.",
        )
