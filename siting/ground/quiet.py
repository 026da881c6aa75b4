"""Where people live and pass: how far away they are, and how quiet that leaves each cell."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray
from siting.ground.distance import cells_covered, distance_everywhere, distance_to_cells
from siting.ground.screening import felt_distance
from siting.ground.view import ElevationGrid as SightGround
from siting.kernels.curves import Knots, membership
from siting.kernels.remembered import remembered
from siting.settings.protocol_ground import Disturbance
from siting.types import CoverRole, Land, Note

ROAD_CLASSES = ("major", "minor", "track")


def people_cover(land: Land) -> dict[str, FloatArray]:
    """Layers of metres to cover where people live and to parks, (rows, cols) float32 each.

    Built-up cover says nothing where houses and roads are mapped, and is then left out.
    """
    size, out = land.grid.cell_size_m, {}
    built = distance_to_cells(land.role == CoverRole.BUILT, cell_size_m=size)
    if built is not None and not people_are_mapped(land):
        out["distance_to_built_cover_m"] = built
    park = distance_to_cells(land.role == CoverRole.PARK, cell_size_m=size)
    if park is not None:
        out["distance_to_park_m"] = park
    return out


def people_are_mapped(land: Land) -> bool:
    """Whether houses and roads are both given, so that built-up cover tells nothing more."""
    return {"roads", "buildings"} <= land.vectors.keys() - land.known_areas.keys()


@remembered("land", "layers")
def quietness(
    land: Land, layers: Mapping[str, FloatArray], rules: Disturbance
) -> tuple[dict[str, FloatArray], tuple[Note, ...]]:
    """Quietness 0..1: the worst of the disturbances that are known; missing when none is known.

    Parameters
    ----------
    land : Land
    layers : distances made already, metres, (rows, cols), infinite where there is none
    rules : the protocol's table `disturbance`

    Returns
    -------
    (layers, notes) : "quietness" (0..1) and the distances to roads and buildings it was made from,
        metres; W-QUIET-01 where roads or buildings were not given
    """
    out: dict[str, FloatArray] = {}
    worst: list[FloatArray] = []

    def judge(distance_m: FloatArray, curve: Knots) -> None:
        """The worst one counts: a quiet house does not make up for a loud road."""
        quiet = membership(distance_m, curve)
        # One by one: a list of them all would take four bytes a cell each.
        worst[:] = [np.minimum(worst[0], quiet) if worst else quiet]

    # Sight lines are costly, and quietness is asked for on the parcel only.
    inside = cells_covered([land.parcel_shape], grid=land.grid)

    def felt(
        plain: FloatArray, shapes: list[Geometry], curve: Knots, height_m: float
    ) -> FloatArray:
        """Distance with what the terrain hides counted as farther away."""
        return felt_distance(
            plain,
            shapes,
            ground=SightGround(land.dem, land.grid),
            inside=inside,
            factor=rules.screened_factor,
            height_m=height_m,
            animal_height_m=rules.animal_height_m,
            reach_m=curve[-1][0],
        )

    if "roads" in land.vectors:
        roads = land.vectors["roads"]
        for kind in ROAD_CLASSES:
            shapes = list(roads.geometry[roads["class"] == kind])
            out[f"distance_to_road_{kind}_m"] = distance_everywhere(shapes, grid=land.grid)
            curve: Knots = getattr(rules, f"road_{kind}")
            plain = out[f"distance_to_road_{kind}_m"]
            judge(felt(plain, shapes, curve, rules.vehicle_height_m), curve)
    if "buildings" in land.vectors:
        shapes = land.shapes("buildings")
        out["distance_to_building_m"] = distance_everywhere(shapes, grid=land.grid)
        plain = out["distance_to_building_m"]
        judge(felt(plain, shapes, rules.building, rules.eaves_height_m), rules.building)
    for layer, curve in (
        ("distance_to_busy_trail_m", rules.busy_trail),
        ("distance_to_unknown_trail_m", rules.unknown_trail),
        ("distance_to_built_cover_m", rules.built_cover),
        ("distance_to_park_m", rules.park_cover),
    ):
        if layer in layers:
            judge(layers[layer], curve)
    if not worst:
        return out, ()
    out["quietness"] = worst[0]
    missing = [name for name in ("roads", "buildings") if name not in land.vectors]
    if not missing:
        return out, ()
    text = f"No {' or '.join(missing)} were given, so it may be less quiet than shown."
    return out, (Note("W-QUIET-01", "warning", text),)
