"""The door in: everything about one parcel, read, checked and laid on one grid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.credits import Credit, Source
from siting.decisions.places import KnownPlace
from siting.disk.files import State, file_state
from siting.disk.paths import file_and_layer
from siting.errors import SitingError
from siting.grid import Grid
from siting.ground.cover import NO_CODE, roles
from siting.ground.distance import cells_covered
from siting.read import checks
from siting.read.cover import CoverRead, read_cover
from siting.read.crs.projection import name_of, project
from siting.read.heights import (
    CanopyRead,
    DemRead,
    far_sources,
    read_canopy,
    read_dem,
    read_skyline,
)
from siting.read.input_files import input_path, raster_path, resolve
from siting.read.vector import parcels, vectors
from siting.read.vector.decision_files import (
    Decisions,
    check_parcels,
    decisions_of,
    read_given,
    read_places,
)
from siting.read.vector.ruled_out import Closed, effects_of
from siting.read.working_grid import choose_grid
from siting.settings.given.layers import LayerInput
from siting.settings.inputs import Inputs
from siting.settings.protocol import GridRules
from siting.settings.protocol_field import DecisionRules
from siting.types import BoolArray, CoverRole, Land, Note, Parcel, RoleArray

_FILE_TIMES = tuple[str, State]
# Of a parcel's area: outline and area are seldom drawn along the very same line.
_ALL_KNOWN = 0.999
_DECISION_RULES = DecisionRules()


def read_parcel(inputs: Inputs) -> Parcel:
    """The one parcel of the inputs, checked; E-GEOM-05 when the file holds several and none is
    named."""
    spec = inputs.parcel
    if spec.point is not None and spec.radius_m is not None:
        return parcels.point_parcel(*spec.point, spec.radius_m)
    every = all_parcels(inputs)
    chosen = [p for p in every if not spec.id or p.id == spec.id]
    file = file_and_layer(spec.file)[0]
    if len(chosen) != 1:
        ids = ", ".join(p.id for p in every[:12]) + (" ..." if len(every) > 12 else "")
        said = f"no parcel named {spec.id!r}" if spec.id else f"{len(every)} parcels"
        raise SitingError(
            "E-GEOM-05",
            f"{file} holds {said}; their names are {ids}.",
            rule="Only one parcel is scored at a time.",
            cure="Name it with --parcel-id, or use 'siting batch' for all.",
        )
    return parcels.checked_parcel(chosen[0], file=file)


def all_parcels(inputs: Inputs) -> list[Parcel]:
    """Every parcel of the inputs' file, not yet checked one by one, in the file's order."""
    file, layer = file_and_layer(inputs.parcel.file)
    path = resolve(file, inputs.folder, allow_remote=inputs.allow_remote)
    return parcels.read_parcels(path, inputs.parcel, layer=layer)


def read_land(
    inputs: Inputs,
    parcel: Parcel,
    *,
    rules: GridRules,
    far_reach_m: float = 0.0,
    decision_rules: DecisionRules = _DECISION_RULES,
    decisions: Decisions | None = None,
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
    decision_rules : DecisionRules
        What a place ruled out takes with it.
    decisions : Decisions or None
        What was decided about the parcel, where the caller has read it; None reads it here.

    Raises
    ------
    SitingError
        See docs/errors.md; nothing is returned half-read.
    """
    # Looked at again when all is read: a file that is still being copied must not give half a land.
    before = file_times(inputs)
    dem_path = raster_path(inputs, inputs.dem, key="dem")
    grid, notes = choose_grid(inputs, dem_path, parcel, rules=rules)
    shape = project(parcel.geometry, parcel.crs, grid.crs, file="parcel")
    inside = cells_covered([shape], grid=grid)
    what = f"Parcel {parcel.id}"
    checks.check_cells(inside, shape, cell_size_m=grid.cell_size_m, what=what)
    dem = read_dem(inputs, dem_path, grid, inside, rules=rules)
    cover = _read_cover(inputs, grid, inside, rules)
    canopy = read_canopy(inputs, grid, rules)
    layers, known_areas, layer_sources, layer_notes = _read_layers(inputs, grid, shape)
    decided = read_decisions_of(inputs, parcel) if decisions is None else decisions
    layers, closed, visit_notes = _decided(decided, layers, grid, decision_rules)
    far, far_notes = read_skyline(inputs, dem_path, grid, reach_m=far_reach_m)
    _check_unchanged(before, file_times(inputs))
    return Land(
        grid=grid,
        parcel=parcel,
        parcel_shape=shape,
        dem=dem.values,
        cover_code=cover.values if cover else np.full(grid.shape, NO_CODE, dtype=np.int32),
        role=_roles(cover, grid),
        canopy_m=canopy.height_m if canopy else None,
        canopy_trees=canopy.trees if canopy else None,
        vectors=layers,
        dem_cell_m=dem.cell_m,
        cover_cell_m=cover.cell_m if cover else grid.cell_size_m,
        coverage={"dem": dem.share} | ({"land_cover": cover.share} if cover else {}),
        known=_known(dem, cover, canopy),
        known_areas=known_areas,
        notes=(
            *parcel.notes,
            *notes,
            *dem.notes,
            *far_notes,
            *(cover.notes if cover else (_no_cover(canopy, layers),)),
            *(canopy.notes if canopy else ()),
            *layer_notes,
            *vectors.dry_water(layers, _roles(cover, grid), cover.cell_m if cover else 0.0, grid),
            *visit_notes,
            *decided.notes,
        ),
        sources=(
            *parcel.sources,
            parcel_source(inputs, parcel),
            dem.source,
            *(far_sources(inputs, far)),
            *((cover.source,) if cover else ()),
            *((canopy.source,) if canopy else ()),
            *layer_sources,
            *decided.sources,
        ),
        class_names=cover.legend.names if cover else {},
        far_dem=far.dem if far else None,
        far_grid=far.grid if far else None,
        credits=credits_of(inputs),
        ruled_out=closed,
        decisions=decided.records,
        known_places=decided.known,
    )


def credits_of(inputs: Inputs) -> tuple[Credit, ...]:
    """The lines that publishers of the inputs ask for, as data of the land."""
    return tuple(
        Credit(one.attribution, one.short, one.title, one.licence, one.licence_url, one.changed)
        for one in inputs.credits()
    )


def _read_cover(
    inputs: Inputs, grid: Grid, inside: BoolArray, rules: GridRules
) -> CoverRead | None:
    spec = inputs.land_cover
    return read_cover(inputs, spec, grid, inside, rules=rules) if spec else None


def _no_cover(canopy: CanopyRead | None, layers: Mapping[str, Any]) -> Note:
    """The warning of a run without land cover: what it therefore does not judge."""
    lost = ["woods", "fields", "edges", "openings"]
    if canopy is None or canopy.height_m is None:
        lost.append("the view")
    if canopy is None and "trees" not in layers:
        lost.append("trees to strap to")
    text = (
        f"No land cover was given: {', '.join(lost[:-1])} and {lost[-1]} are not judged. Look at "
        "each place before you choose it."
    )
    return Note("W-NOCOVER-01", "warning", text)


def _roles(cover: CoverRead | None, grid: Grid) -> RoleArray:
    if cover is None:
        return np.full(grid.shape, CoverRole.UNKNOWN, dtype=np.int8)
    return roles(cover.values, cover.legend)


def _known(
    dem: DemRead, cover: CoverRead | None, canopy: CanopyRead | None
) -> Mapping[str, BoolArray]:
    """Where each raster has a value: (rows, cols) bool by the raster's name."""
    out = {"dem": np.isfinite(dem.values)}
    if cover is not None:
        out["land_cover"] = cover.values != NO_CODE
    if canopy is not None:
        out["canopy"] = np.isfinite(canopy.trees)
    return out


def _read_layers(
    inputs: Inputs, grid: Grid, shape: Geometry
) -> tuple[Mapping[str, Any], Mapping[str, Geometry], tuple[Source, ...], tuple[Note, ...]]:
    """The layers, the areas of those that are known on part of the parcel, sources and notes."""
    frames: dict[str, Any] = {}
    areas: dict[str, Geometry] = {}
    sources: list[Source] = []
    notes: list[Note] = []
    for name, specs in inputs.layers.given().items():
        parts, within = [], []
        for path, spec in _once(inputs, specs):
            part, source, told = vectors.read_layer(path, spec, grid, name=name)
            parts.append(part)
            sources.append(source)
            notes += told
            area_path = input_path(inputs, spec.paths[-1]) if len(spec.paths) > 1 else ""
            within += vectors.known_area(area_path, spec, grid, name=name)
        frames[name] = vectors.together(parts)
        if not within:
            continue
        areas[name] = shapely.union_all(within)
        share = shapely.intersection(areas[name], shape).area / shape.area
        if share >= _ALL_KNOWN:
            del areas[name]
            continue
        none = share < 1.0 - _ALL_KNOWN
        notes.append(vectors.partly_known(name, share, none=none))
        # As if it had not been given: nothing of it is known, and nothing was seen.
        if none and frames[name].empty:
            del frames[name], areas[name]
    if "livestock" in frames and "fences" in frames:
        fences = list(frames["fences"].geometry)
        frames["livestock"], told = vectors.livestock_to_fences(frames["livestock"], fences)
        notes += told
    return frames, areas, tuple(sources), tuple(notes)


def _once(inputs: Inputs, specs: Sequence[LayerInput]) -> list[tuple[str, LayerInput]]:
    """(path, input) of each file of a layer; one that is named twice, also by a link, once."""
    found: dict[tuple[Path, str], tuple[str, LayerInput]] = {}
    for spec in specs:
        path = input_path(inputs, spec.file)
        # All but the name: the same file read in two ways stands there twice for a reason.
        rest = spec.model_dump_json(exclude={"file"})
        found.setdefault((Path(path).resolve(), rest), (path, spec))
    return list(found.values())


def read_decisions_of(inputs: Inputs, parcel: Parcel, *, before: Path | None = None) -> Decisions:
    """What the files of decisions say of a parcel, and the places that have a name already.

    `before` is the places.csv of an earlier run in the same folder, where there is one.
    """
    given = read_given(inputs)
    notes = check_parcels(given, [parcel.id])
    known = known_places(inputs).get(parcel.id, ())
    if before is not None and before.is_file():
        known = (*known, *read_places(before).get(parcel.id, ()))
    found = decisions_of(given, parcel, known=known)
    return replace(found, notes=(*found.notes, *notes))


def known_places(inputs: Inputs) -> dict[str, tuple[KnownPlace, ...]]:
    """Places that an earlier run named, by parcel."""
    if not inputs.survey.places:
        return {}
    return read_places(Path(input_path(inputs, inputs.survey.places)))


def _decided(
    decisions: Decisions, layers: Mapping[str, Any], grid: Grid, rules: DecisionRules
) -> tuple[Mapping[str, Any], tuple[Closed, ...], tuple[Note, ...]]:
    """Layers and closed ground after what was decided: trails that people use are busy."""
    found = effects_of(decisions.records, grid=grid, vectors=layers, rules=rules)
    out = dict(layers)
    if found.busy_trails:
        # A copy: the layer is shared by all parcels of a batch, the decision is of this one.
        trails = layers["trails"].copy()
        trails.loc[trails.index[found.busy_trails], "use"] = "busy"
        out["trails"] = trails
    if not decisions.records:
        return out, (), ()
    text = (
        f"{len(decisions.records)} decisions about this land were read; {found.places} places are "
        "ruled out and do not come back."
    )
    return out, tuple(found.closed), (Note("A-VISIT-01", "assumption", text),)


def parcel_source(inputs: Inputs, parcel: Parcel) -> Source:
    """Where the parcel came from, with a fingerprint of its outline."""
    from siting.disk.files import text_hash

    digest = text_hash(f"{parcel.id}|{parcel.crs}|{shapely.to_wkb(parcel.geometry, hex=True)}")
    file = Path(file_and_layer(inputs.parcel.file)[0]).name or "point and radius"
    facts = {"crs": name_of(parcel.crs), "id": parcel.id}
    return Source("parcel", file, digest, facts, inputs.parcel.attribution)


def file_times(inputs: Inputs) -> list[_FILE_TIMES]:
    """Name and state of every local file of the inputs."""
    files = [
        inputs.parcel.file,
        *(f for spec in inputs.rasters().values() for f in spec.every_file),
    ]
    files += [path for _, layer in inputs.layers.files() for path in layer.paths]
    files += inputs.survey.visited
    out: list[_FILE_TIMES] = []
    for file in dict.fromkeys(file_and_layer(f)[0] for f in files if f):
        path = str(inputs.folder / file)
        known = file_state(path)
        if known is not None:  # Else it is told with its own code when the file is read.
            out.append((path, known))
    return out


def _check_unchanged(before: list[_FILE_TIMES], after: list[_FILE_TIMES]) -> None:
    changed = [old[0] for old, new in zip(before, after, strict=False) if old != new]
    if changed or len(before) != len(after):
        raise SitingError(
            "E-CHANGED-01",
            f"{', '.join(changed) or 'A file'} changed while it was being read.",
            rule="All layers must come from the same moment.",
            cure="Wait until copying or downloading has finished, then run again.",
        )
