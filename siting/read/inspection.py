"""What each input is, before any run: one finding per input, faults collected."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from siting.disk.paths import file_and_layer
from siting.errors import SitingError
from siting.grid import Grid
from siting.ground.cover import roles
from siting.ground.distance import cells_covered
from siting.lengths import area
from siting.read import checks
from siting.read.cover import read_cover, read_legend
from siting.read.crs.projection import name_of, project
from siting.read.heights import read_canopy, read_dem
from siting.read.input_files import input_path, raster_path, resolve
from siting.read.land import all_parcels, read_decisions_of, read_land, read_parcel
from siting.read.raster import rasters
from siting.read.raster.raster_layers import place_words
from siting.read.vector import files, vectors
from siting.read.vector.parcels import checked_parcel, columns_for_names
from siting.read.working_grid import choose_grid
from siting.settings.given.layers import LayerInput
from siting.settings.given.rasters import CoverInput, RasterInput
from siting.settings.inputs import Inputs
from siting.settings.protocol import GridRules, Protocol
from siting.types import CoverRole, Land, Note, Parcel

Told = tuple[Any, dict[str, Any], tuple[Note, ...]]
Look = tuple[str, str, Callable[[], Told]]
# Twenty faults are read to the end, and forty parcels show what a batch will meet.
_MOST_FAULTS, _MOST_READ = 20, 40


@dataclass(frozen=True)
class Finding:
    """One input: what it is, what was noticed, and the first fault if there is one."""

    role: str
    file: str
    facts: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    error: SitingError | None = None


def inspect(inputs: Inputs, protocol: Protocol) -> list[Finding]:
    """A finding for the parcel, each raster and each layer, in a fixed order.

    A fault of one input does not hide those of the others; what depends on a faulty one (such as
    how a layer lies over a parcel that cannot be read) is left out.
    """
    findings: list[Finding] = []
    parcel = _collect(findings, "parcel", inputs.parcel.file, lambda: _parcel(inputs, protocol))
    grid = None
    if parcel is not None:
        grid = _collect(findings, "grid", "", lambda: _grid(inputs, parcel, protocol))
    looks = _alone(inputs) if grid is None else _over_parcel(inputs, parcel, grid, protocol.grid)
    for role, file, look in looks:
        _collect(findings, role, file, look)
    findings = _told_once(findings)
    if parcel is not None and not any(f.error for f in findings):
        findings += _as_a_run(inputs, parcel, protocol, findings)
    return findings


def _as_a_run(
    inputs: Inputs, parcel: Parcel, protocol: Protocol, findings: Sequence[Finding]
) -> list[Finding]:
    """What the reading of a run says beyond the looks at each input: nothing, or one finding.

    So that a run never refuses, nor warns of, what this command passed over.
    """

    def look() -> Told:
        land = _land(inputs, parcel, protocol)
        told = {(note.code, note.text) for f in findings for note in f.notes}
        return land, {}, tuple(n for n in land.notes if (n.code, n.text) not in told)

    more: list[Finding] = []
    _collect(more, "all together", "", look)
    return [f for f in more if f.error or f.notes]


def _land(inputs: Inputs, parcel: Parcel, protocol: Protocol) -> Land:
    reach_m = protocol.sun.horizon_reach_m
    return read_land(inputs, parcel, rules=protocol.grid, far_reach_m=reach_m)


def _alone(inputs: Inputs) -> Iterator[Look]:
    """What can be said of each input where there is no grid to lay it on."""
    for name, raster in inputs.rasters().items():
        if isinstance(raster, CoverInput) and raster.is_polygons:
            yield name, raster.label, partial(_polygons_alone, inputs, raster)
        else:
            yield name, raster.label, partial(_raster_alone, inputs, name, raster)
    cover = inputs.land_cover
    if cover is not None and cover.legend:
        yield "legend", cover.legend, partial(_legend, inputs, cover)
    for name, layer in inputs.layers.files():
        yield name, layer.file, partial(_layer_alone, inputs, name, layer)


def _over_parcel(inputs: Inputs, parcel: Parcel, grid: Grid, rules: GridRules) -> Iterator[Look]:
    inside = cells_covered([_shape(parcel, grid)], grid=grid)
    yield "dem", inputs.dem.label, partial(_dem, inputs, grid, inside, rules)
    cover = inputs.land_cover
    if cover is not None:
        yield "land_cover", cover.label, partial(_cover, inputs, cover, grid, inside, rules)
    if inputs.canopy is not None:
        yield "canopy", inputs.canopy.label, partial(_canopy, inputs, grid, rules)
    for name, layer in inputs.layers.files():
        yield name, layer.file, partial(_layer, inputs, grid, name, layer)
    if inputs.survey.visited:
        files = ", ".join(Path(name).name for name in inputs.survey.visited)
        yield "visited", files, partial(_visits, inputs, parcel)


def _told_once(findings: list[Finding]) -> list[Finding]:
    """Without a fault of grid or parcel that is only that of a file they are looked at with."""
    together = ("grid", "parcel")
    others = {str(f.error) for f in findings if f.error and f.role not in together}
    return [f for f in findings if f.role not in together or str(f.error) not in others]


def _collect(findings: list[Finding], role: str, file: str, look: Callable[[], Told]) -> Any:
    try:
        value, facts, notes = look()
    except SitingError as error:
        findings.append(Finding(role, file, error=error))
        return None
    findings.append(Finding(role, file, facts, notes))
    return value


def _parcel(inputs: Inputs, protocol: Protocol) -> Told:
    if inputs.parcel.file and not inputs.parcel.id:
        every = all_parcels(inputs)
        if len(every) > 1:
            return None, _several(inputs, every, protocol), ()
    parcel = read_parcel(inputs)
    facts = {
        "id": parcel.id,
        "coordinate system": name_of(parcel.crs),
        "shape": parcel.geometry.geom_type,
    }
    return parcel, facts, parcel.notes


def _several(inputs: Inputs, every: Sequence[Parcel], protocol: Protocol) -> dict[str, Any]:
    """The parcels of a batch: how many there are, and what is wrong with those that are faulty.

    Every outline is checked; with the rasters and layers over it at most forty are read, evenly
    spread over the file, as a batch would read them.

    Raises
    ------
    SitingError
        The first one's fault where none of those read can be scored.
    """
    file = Path(file_and_layer(inputs.parcel.file)[0]).name
    faults: dict[str, SitingError] = {}
    # Evenly over the file: neighbours share their faults.
    chosen = set(np.linspace(0, len(every) - 1, min(_MOST_READ, len(every))).astype(int).tolist())
    for number, parcel in enumerate(every):
        try:
            sound = checked_parcel(parcel, file=file)
            if number in chosen:
                _land(inputs, sound, protocol)
        except SitingError as error:
            faults[f"parcel {parcel.id}"] = error
    if len(faults) == len(every):
        raise next(iter(faults.values()))
    told = {name: str(error) for name, error in list(faults.items())[:_MOST_FAULTS]}
    if len(faults) > len(told):
        told["and"] = f"{len(faults) - len(told)} more"
    read = {} if len(chosen) == len(every) else {"read as a batch would": len(chosen)}
    counts = {"parcels": len(every), "without a fault": len(every) - len(faults)}
    return {**counts, **_names(inputs), **read, **told}


def _names(inputs: Inputs) -> dict[str, Any]:
    """Which columns could name parcels that are only counted."""
    file, layer = file_and_layer(inputs.parcel.file)
    path = resolve(file, inputs.folder, allow_remote=inputs.allow_remote)
    columns = columns_for_names(path, inputs.parcel, layer=layer)
    if not columns:
        return {}
    return {"names": f"counted; id_column can name a column: {', '.join(columns)}"}


def _grid(inputs: Inputs, parcel: Parcel, protocol: Protocol) -> Told:
    path = raster_path(inputs, inputs.dem, key="dem")
    grid, notes = choose_grid(inputs, path, parcel, rules=protocol.grid)
    shape = _shape(parcel, grid)
    inside = cells_covered([shape], grid=grid)
    what, cells = f"Parcel {parcel.id}", int(inside.sum())
    checks.check_cells(inside, shape, cell_size_m=grid.cell_size_m, what=what)
    facts = {
        "works in": name_of(grid.crs),
        "cells": f"{grid.n_rows} x {grid.n_cols} of {grid.cell_size_m:g} m",
        "parcel": f"{area(shape.area)}, {cells:,} cells",
    }
    return grid, facts, notes


def _shape(parcel: Parcel, grid: Grid) -> Any:
    return project(parcel.geometry, parcel.crs, grid.crs, file="parcel")


def _dem(inputs: Inputs, grid: Grid, inside: Any, rules: GridRules) -> Told:
    path = raster_path(inputs, inputs.dem, key="dem")
    dem = read_dem(inputs, path, grid, inside, rules=rules)
    told = dict(dem.source.facts)
    # So that a file of another place is seen by its numbers.
    told["lies at"] = place_words(_raster_facts(inputs, "dem", inputs.dem))
    told["elevations"] = f"{np.nanmin(dem.values):.1f} to {np.nanmax(dem.values):.1f} m here"
    told["covers"] = f"{100 * dem.share:.1f} % of the parcel"
    return dem, told, dem.notes


def _cover(inputs: Inputs, spec: CoverInput, grid: Grid, inside: Any, rules: GridRules) -> Told:
    cover = read_cover(inputs, spec, grid, inside, rules=rules)
    role = roles(cover.values, cover.legend)[inside]
    told = dict(cover.source.facts)
    told["legend"] = cover.legend.name
    told["covers"] = f"{100 * cover.share:.1f} % of the parcel"
    told["parcel is"] = ", ".join(
        f"{100 * (role == kind).mean():.0f} % {kind.name.lower()}"
        for kind in CoverRole
        if (role == kind).any()
    )
    return cover, told, cover.notes


def _canopy(inputs: Inputs, grid: Grid, rules: GridRules) -> Told:
    canopy = read_canopy(inputs, grid, rules)
    if canopy is None:
        return None, {}, ()
    told = dict(canopy.source.facts)
    if canopy.height_m is not None:
        told["heights"] = f"up to {np.nanmax(canopy.height_m):.1f} m here"
    told["trees"] = f"on {100 * np.nanmean(canopy.trees):.0f} % of the ground here"
    return canopy, told, canopy.notes


def _legend(inputs: Inputs, spec: CoverInput) -> Told:
    legend = read_legend(inputs, spec)
    return legend, {"classes": len(legend.role)}, ()


def _visits(inputs: Inputs, parcel: Parcel) -> Told:
    found = read_decisions_of(inputs, parcel)
    return found, {"records": len(found.records)}, found.notes


def _layer(inputs: Inputs, grid: Grid, name: str, spec: LayerInput) -> Told:
    frame, source, notes = vectors.read_layer(input_path(inputs, spec.file), spec, grid, name=name)
    return frame, dict(source.facts), notes


def _layer_alone(inputs: Inputs, name: str, spec: LayerInput) -> Told:
    crs = vectors.layer_crs(input_path(inputs, spec.file), spec, name=name)
    return None, {"crs": name_of(crs)}, ()


def _polygons_alone(inputs: Inputs, spec: CoverInput) -> Told:
    file, layer = file_and_layer(spec.files[0])
    given = LayerInput(file=file, layer=spec.layer or layer, crs=spec.crs)
    path = input_path(inputs, file)
    _, crs, count = files.layer_facts(path, given, layer=given.layer, key="land_cover")
    return None, {"crs": name_of(crs), "shapes": count}, ()


def _raster_alone(inputs: Inputs, name: str, spec: RasterInput) -> Told:
    facts = _raster_facts(inputs, name, spec)
    told = {"crs": name_of(facts.crs), "cell_size_m": round(facts.cell_m, 3)}
    return None, {**told, "lies at": place_words(facts)}, ()


def _raster_facts(inputs: Inputs, name: str, spec: RasterInput) -> rasters.RasterFacts:
    path = raster_path(inputs, spec, key=name)
    with rasters.opened(path, key=name, spec=spec, allow_remote=inputs.allow_remote) as dataset:
        return rasters.describe(dataset, spec, key=name)
