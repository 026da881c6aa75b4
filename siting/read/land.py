"""The door in: everything about one parcel, read, checked and laid on one grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.errors import SitingError
from siting.grid import FloatArray, Grid
from siting.ground.cover import (
    NO_CODE,
    SHIPPED,
    Legend,
    canonical_codes,
    parse_legend,
    roles,
    shipped_legend,
)
from siting.ground.distance import burn
from siting.read import checks
from siting.read.input_files import read_text, resolve
from siting.read.projection import name_of, project
from siting.read.raster import raster_layers
from siting.read.raster.far_dem import read_far
from siting.read.vector import parcels, vectors
from siting.read.vector.layer_cache import stamp
from siting.read.vector.visit_file import ruled_out
from siting.read.working_grid import choose_grid
from siting.settings.inputs import Inputs, RasterInput
from siting.settings.protocol import GridRules
from siting.types import BoolArray, Land, Note, Parcel, Source

_FILE_TIMES = tuple[str, int, int]


def read_parcel(inputs: Inputs) -> Parcel:
    """The one parcel of the inputs, checked; E-GEOM-05 when the file holds several and none is
    named."""
    spec = inputs.parcel
    if spec.point is not None and spec.radius_m is not None:
        return parcels.point_parcel(*spec.point, spec.radius_m)
    every = all_parcels(inputs)
    chosen = [p for p in every if not spec.id or p.id == spec.id]
    file = spec.file.partition("::")[0]
    if len(chosen) != 1:
        ids = ", ".join(p.id for p in every[:12]) + (" ..." if len(every) > 12 else "")
        said = f"no parcel {spec.id!r}" if spec.id else f"{len(every)} parcels"
        raise SitingError(
            "E-GEOM-05",
            f"{file} holds {said}; it has {ids}.",
            rule="One parcel is scored at a time.",
            cure="Name it with --parcel-id, or use 'siting batch' for all.",
        )
    return parcels.checked_parcel(chosen[0], file=file)


def all_parcels(inputs: Inputs) -> list[Parcel]:
    """Every parcel of the inputs' file, not yet checked one by one, in the file's order."""
    file, _, layer = inputs.parcel.file.partition("::")
    path = resolve(file, inputs.folder, allow_remote=inputs.allow_remote)
    return parcels.read_parcels(path, inputs.parcel, layer=layer)


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
    dem_path = input_path(inputs, inputs.dem.file)
    grid, notes = choose_grid(inputs, dem_path, parcel, rules=rules)
    shape = project(parcel.geometry, parcel.crs, grid.crs, file="parcel")
    inside = burn([shape], grid=grid)
    what = f"Parcel {parcel.id}"
    checks.check_cells(inside, shape, cell_size_m=grid.cell_size_m, what=what)
    dem = read_dem(inputs, dem_path, grid, inside, rules=rules)
    cover = read_cover(inputs, grid, inside, rules=rules)
    canopy, canopy_sources, canopy_notes = read_canopy(inputs, grid, rules)
    layers, layer_sources, layer_notes = _read_layers(inputs, grid)
    places, visit_sources, visit_notes = _read_visits(inputs, grid)
    far = read_far(
        dem_path, inputs.dem, grid, reach_m=far_reach_m, allow_remote=inputs.allow_remote
    )
    far_dem, wide, far_notes = far if far is not None else (None, None, ())
    _check_unchanged(before, file_times(inputs))
    return Land(
        grid=grid,
        parcel=parcel,
        parcel_shape=shape,
        dem=dem.values,
        cover_code=cover.values,
        role=roles(cover.values, cover.legend),
        canopy_m=canopy,
        vectors=layers,
        dem_cell_m=dem.cell_m,
        cover_cell_m=cover.cell_m,
        coverage={"dem": dem.share, "land_cover": cover.share},
        notes=(
            *parcel.notes,
            *notes,
            *dem.notes,
            *far_notes,
            *cover.notes,
            *canopy_notes,
            *layer_notes,
            *visit_notes,
        ),
        sources=(
            *parcel.sources,
            parcel_source(inputs, parcel),
            dem.source,
            cover.source,
            *canopy_sources,
            *layer_sources,
            *visit_sources,
        ),
        class_names=cover.legend.names,
        far_dem=far_dem,
        far_grid=wide,
        ruled_out=places,
    )


@dataclass(frozen=True)
class DemRead:
    """Elevations on the grid: (rows, cols) float32, metres; share of the parcel they cover."""

    values: FloatArray
    cell_m: float
    share: float
    source: Source
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class CoverRead:
    """Class codes on the grid: (rows, cols) int32; share of the parcel they cover."""

    values: NDArray[np.int32]
    legend: Legend
    cell_m: float
    share: float
    source: Source
    notes: tuple[Note, ...]


def read_dem(
    inputs: Inputs, path: str, grid: Grid, inside: BoolArray, *, rules: GridRules
) -> DemRead:
    """The DEM of the inputs on the grid, checked over the parcel."""
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
    return DemRead(dem, facts.cell_m, share, source, (*notes, *more, *steep))


def read_cover(inputs: Inputs, grid: Grid, inside: BoolArray, *, rules: GridRules) -> CoverRead:
    """The land cover of the inputs on the grid, its codes known to the legend."""
    legend = read_legend(inputs)
    raw, facts, source, notes = raster_layers.read_classes(
        input_path(inputs, inputs.land_cover.file),
        inputs.land_cover,
        grid,
        key="land_cover",
        most_gb=rules.most_memory_gb,
        allow_remote=inputs.allow_remote,
    )
    code = canonical_codes(raw, legend, file=facts.file)
    share, more = checks.check_coverage(code != NO_CODE, inside, file=facts.file, what="land cover")
    doubt = checks.check_roles(roles(code, legend)[inside], legend=legend.name, file=facts.file)
    return CoverRead(code, legend, facts.cell_m, share, source, (*notes, *more, *doubt))


def input_path(inputs: Inputs, file: str) -> str:
    """The path of a file named in the inputs, checked."""
    return resolve(file, inputs.folder, allow_remote=inputs.allow_remote)


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
    return parse_legend(read_text(path, key="land_cover.legend"), name=path.name)


def read_canopy(
    inputs: Inputs, grid: Grid, rules: GridRules
) -> tuple[Any, tuple[Source, ...], tuple[Note, ...]]:
    spec = inputs.canopy
    if spec is None:
        return None, (), ()
    canopy, _, source, notes = raster_layers.read_elevation(
        input_path(inputs, spec.file),
        RasterInput(file=spec.file, crs=spec.crs, nodata=spec.nodata, band=spec.band),
        grid,
        key="canopy",
        z_unit=spec.z_unit,
        most_gb=rules.most_memory_gb,
        allow_remote=inputs.allow_remote,
        smooth=False,
    )
    checks.check_canopy(canopy, file=source.file)
    return np.maximum(canopy, 0.0), (source,), notes


def _read_layers(
    inputs: Inputs, grid: Grid
) -> tuple[Mapping[str, Any], tuple[Source, ...], tuple[Note, ...]]:
    frames: dict[str, Any] = {}
    sources: list[Source] = []
    notes: list[Note] = []
    for name, specs in inputs.layers.given().items():
        parts = []
        for spec in specs:
            path = input_path(inputs, spec.file)
            part, source, told = vectors.read_layer(path, spec, grid, name=name)
            parts.append(part)
            sources.append(source)
            notes += told
        frames[name] = vectors.together(parts)
    return frames, tuple(sources), tuple(notes)


def _read_visits(
    inputs: Inputs, grid: Grid
) -> tuple[tuple[tuple[Geometry, float], ...], tuple[Source, ...], tuple[Note, ...]]:
    if not inputs.survey.visited:
        return (), (), ()
    places, source, notes = ruled_out(Path(input_path(inputs, inputs.survey.visited)), grid=grid)
    return places, (source,), notes


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
    files += [layer.file for _, layer in inputs.layers.files()]
    files += [inputs.survey.visited]
    out: list[_FILE_TIMES] = []
    for file in dict.fromkeys(f.partition("::")[0] for f in files if f):
        path = str(inputs.folder / file)
        known = stamp(path)
        if known is not None:  # Else it is told with its own code when the file is read.
            out.append((path, *known))
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
