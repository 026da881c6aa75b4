"""Ground where no camera may stand: one bit per reason, set-backs from the true shapes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray
from siting.ground.distance import cells_covered, distance_to_cells, within
from siting.ground.quiet import ROAD_CLASSES, people_are_mapped
from siting.settings.protocol_ground import NoGoRules
from siting.types import BoolArray, CoverRole, Land, NoGo, NoGoArray, Note, RoleArray


def no_go_bits(
    land: Land,
    *,
    slope_deg: FloatArray,
    role: RoleArray,
    rules: NoGoRules,
    ruled_out: Sequence[tuple[Geometry, float]] = (),
) -> NoGoArray:
    """Every reason against each cell, as bits of `NoGo`; 0 is allowed ground.

    Parameters
    ----------
    land : Land
    slope_deg : (rows, cols) float32, degrees, NaN = not known
    role : (rows, cols) int8, `CoverRole` after specks were removed
    rules : NoGoRules, set-backs in metres from the true shapes; of water that only the land cover
        knows, from the edges of its cells
    ruled_out : (place, radius in metres) pairs of an earlier visit

    Returns
    -------
    (rows, cols) uint16
    """
    grid = land.grid
    bits = np.zeros(grid.shape, dtype=np.uint16)

    def mark(reason: NoGo, cells: BoolArray) -> None:
        np.bitwise_or(bits, np.uint16(reason), out=bits, where=cells)

    def near(name: str, distance_m: float, only: BoolArray | None = None) -> BoolArray:
        shapes = np.asarray(land.shapes(name), dtype=object)
        chosen = shapes if only is None else shapes[only]
        return within(list(chosen), distance_m=distance_m, grid=grid)

    inside = cells_covered([land.parcel_shape], grid=grid)
    mark(NoGo.OUTSIDE, ~inside)
    fence = [shapely.boundary(land.parcel_shape)]
    mark(NoGo.BOUNDARY, inside & within(fence, distance_m=rules.boundary_m, grid=grid))
    mark(NoGo.NO_DATA, np.isnan(slope_deg))
    if land.has_cover:
        mark(NoGo.NO_DATA, role == CoverRole.UNKNOWN)
    with np.errstate(invalid="ignore"):
        mark(NoGo.STEEP, slope_deg > rules.steep_deg)
    pond = distance_to_cells(role == CoverRole.WATER, cell_size_m=grid.cell_size_m)
    if pond is not None:
        mark(NoGo.WATER, (role == CoverRole.WATER) | (pond < rules.water_m))
    mark(NoGo.BUILT_COVER, role == CoverRole.BUILT)
    built = distance_to_cells(role == CoverRole.BUILT, cell_size_m=grid.cell_size_m)
    if built is not None and not people_are_mapped(land):
        mark(NoGo.BUILT_COVER, built < rules.built_cover_m)
    if "water" in land.vectors:
        mark(NoGo.WATER, near("water", rules.water_m))
    if "roads" in land.vectors:
        kind = np.asarray(land.vectors["roads"]["class"], dtype=object)
        for road in ROAD_CLASSES:
            set_back: float = getattr(rules, f"road_{road}_m")
            mark(NoGo.ROAD, near("roads", set_back, kind == road))
    for name, reason, set_back in (
        ("buildings", NoGo.BUILDING, rules.building_m),
        ("feeders", NoGo.FEEDER, rules.feeder_m),
        ("livestock", NoGo.LIVESTOCK, rules.livestock_m),
    ):
        if name in land.vectors:
            mark(reason, near(name, set_back))
    if "no_go" in land.vectors:
        thin = _without_area(land)
        mark(NoGo.USER, near("no_go", 0.0, ~thin))
        mark(NoGo.USER, near("no_go", rules.owner_m, thin))
    for place, radius_m in ruled_out:
        mark(NoGo.RULED_OUT, within([place], distance_m=radius_m, grid=grid))
    return bits


def _without_area(land: Land) -> BoolArray:
    """Which of the owner's shapes are points or lines."""
    shapes = np.asarray(land.shapes("no_go"), dtype=object)
    return np.asarray(shapely.area(shapes) == 0)


def owner_notes(land: Land, *, rules: NoGoRules) -> tuple[Note, ...]:
    """What is assumed of points and lines that the owner wants left alone."""
    count = int(_without_area(land).sum()) if "no_go" in land.vectors else 0
    if not count:
        return ()
    text = (
        f"{count} of the owner's no-go shapes are points or lines: {rules.owner_m:g} m around each "
        "are left out (no_go.owner_m)."
    )
    return (Note("A-NOGO-01", "assumption", text),)
