"""What each input is, before any run: one finding per input, faults collected."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from siting import checks, rasters, vectors
from siting.cover import NO_CODE, canonical_codes, roles
from siting.distance import burn
from siting.errors import SitingError
from siting.grid import Grid
from siting.inputs import Inputs
from siting.projection import name_of, project
from siting.protocol import Protocol
from siting.read import choose_grid, input_path, read_legend, read_parcel
from siting.types import CoverRole, Note, Parcel


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
    parcel = _collect(findings, "parcel", inputs.parcel.file, lambda: _parcel(inputs))
    grid = None
    if parcel is not None:
        grid = _collect(findings, "grid", "", lambda: _grid(inputs, parcel, protocol))
    if grid is None:
        _collect(findings, "dem", inputs.dem.file, lambda: _raster_alone(inputs, "dem"))
        _collect(
            findings, "land_cover", inputs.land_cover.file,
            lambda: _raster_alone(inputs, "land_cover"),
        )  # fmt: skip
        for name in inputs.layers.given():
            _collect(
                findings, name, _layer_file(inputs, name), lambda n=name: _layer_alone(inputs, n)
            )
        return findings
    inside = burn([_shape(parcel, grid)], grid=grid)
    most = protocol.grid.most_memory_gb
    _collect(findings, "dem", inputs.dem.file, lambda: _dem(inputs, grid, inside, most))
    _collect(
        findings, "land_cover", inputs.land_cover.file,
        lambda: _cover(inputs, grid, inside, most),
    )  # fmt: skip
    for name in inputs.layers.given():
        _collect(findings, name, _layer_file(inputs, name), lambda n=name: _layer(inputs, grid, n))
    return findings


Told = tuple[Any, dict[str, Any], tuple[Note, ...]]


def _collect(findings: list[Finding], role: str, file: str, look: Callable[[], Told]) -> Any:
    try:
        value, facts, notes = look()
    except SitingError as error:
        findings.append(Finding(role, file, error=error))
        return None
    findings.append(Finding(role, file, facts, notes))
    return value


def _layer_file(inputs: Inputs, name: str) -> str:
    return inputs.layers.given()[name].file


def _parcel(inputs: Inputs) -> Told:
    parcel = read_parcel(inputs)
    facts = {
        "id": parcel.id,
        "coordinate system": name_of(parcel.crs),
        "shape": parcel.geometry.geom_type,
    }
    return parcel, facts, parcel.notes


def _grid(inputs: Inputs, parcel: Parcel, protocol: Protocol) -> Told:
    grid, _, notes = choose_grid(inputs, parcel, protocol.grid)
    shape = _shape(parcel, grid)
    count = int(burn([shape], grid=grid).sum())
    checks.check_cells(
        count,
        cell_size_m=grid.cell_size_m,
        area_m2=float(shape.area),
        what=f"Parcel {parcel.id}",
    )
    facts = {
        "works in": name_of(grid.crs),
        "cells": f"{grid.n_rows} x {grid.n_cols} of {grid.cell_size_m:g} m",
        "parcel": f"{shape.area / 1e4:.1f} ha ({shape.area / 4046.856:.0f} acres), {count:,} cells",
    }
    return grid, facts, notes


def _shape(parcel: Parcel, grid: Grid) -> Any:
    return project(parcel.geometry, parcel.crs, grid.crs, file="parcel")


def _dem(inputs: Inputs, grid: Grid, inside: Any, most_gb: float) -> Told:
    dem, facts, source, notes = rasters.read_elevation(
        input_path(inputs, inputs.dem.file),
        inputs.dem,
        grid,
        key="dem",
        z_unit=inputs.dem.z_unit,
        most_gb=most_gb,
        allow_remote=inputs.allow_remote,
    )
    share, more = checks.check_coverage(np.isfinite(dem), inside, file=facts.file, what="DEM")
    told = dict(source.facts)
    told["elevations"] = f"{np.nanmin(dem):.1f} to {np.nanmax(dem):.1f} m here"
    told["covers"] = f"{share:.1%} of the parcel"
    return dem, told, (*notes, *more)


def _cover(inputs: Inputs, grid: Grid, inside: Any, most_gb: float) -> Told:
    legend = read_legend(inputs)
    raw, facts, source, notes = rasters.read_classes(
        input_path(inputs, inputs.land_cover.file),
        inputs.land_cover,
        grid,
        key="land_cover",
        most_gb=most_gb,
        allow_remote=inputs.allow_remote,
    )
    code = canonical_codes(raw, legend, file=facts.file)
    share, more = checks.check_coverage(code != NO_CODE, inside, file=facts.file, what="land cover")
    role = roles(code, legend)[inside]
    told = dict(source.facts)
    told["legend"] = legend.name
    told["covers"] = f"{share:.1%} of the parcel"
    told["parcel is"] = ", ".join(
        f"{(role == kind).mean():.0%} {kind.name.lower()}"
        for kind in CoverRole
        if (role == kind).any()
    )
    return code, told, (*notes, *more)


def _layer(inputs: Inputs, grid: Grid, name: str) -> Told:
    spec = inputs.layers.given()[name]
    frame, source, notes = vectors.read_layer(input_path(inputs, spec.file), spec, grid, name=name)
    return frame, dict(source.facts), notes


def _layer_alone(inputs: Inputs, name: str) -> Told:
    spec = inputs.layers.given()[name]
    crs = vectors.layer_crs(input_path(inputs, spec.file), spec, name=name)
    return None, {"crs": name_of(crs)}, ()


def _raster_alone(inputs: Inputs, name: str) -> Told:
    spec = getattr(inputs, name)
    path = input_path(inputs, spec.file)
    with rasters.opened(path, key=name, allow_remote=inputs.allow_remote) as dataset:
        facts = rasters.describe(dataset, spec, key=name)
    return None, {"crs": name_of(facts.crs), "cell_size_m": round(facts.cell_m, 3)}, ()
