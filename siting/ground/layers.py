"""The layers a score is made of: what lies how far from each cell, and what the ground is like."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.criteria import CRITERIA
from siting.grid import FloatArray, Grid
from siting.ground.cover import (
    OPEN_ROLES,
    clear_by_canopy,
    clear_share,
    openings,
    patches_at_least,
    without_specks,
)
from siting.ground.distance import distance_everywhere, distance_to_border, distance_to_cells
from siting.ground.known import layers_that_end_before, least_area_m2
from siting.ground.peopled import animal_trails, people_note, through_parks, valley_layers
from siting.ground.quiet import people_cover, quietness
from siting.ground.terrain import mean_within
from siting.ground.water.engines import Engine, slope_deg
from siting.ground.water.valley_depth import lines_that_show, shallow_note
from siting.ground.water.valley_lines import valley_lines_of
from siting.kernels.remembered import remembered
from siting.settings.protocol import CameraRules
from siting.settings.protocol_ground import CoverRules, Disturbance, DrainageRules
from siting.types import BoolArray, CoverRole, Feature, Land, Note, RoleArray


@dataclass(frozen=True)
class GroundLayers:
    """What the layers are built from, besides the land itself.

    Parameters
    ----------
    layers : mapping from layer name (ending in its unit) to (rows, cols) float32; NaN = not
        known, inf = there is none on this land; a layer that cannot be made is missing
    role : (rows, cols) int8, roles after specks were removed
    woods, fields, opening : (rows, cols) bool
    valley_lines : lines worked out from the elevations, empty when a water layer was given
    crossings : points where a trail meets a stream, and those the user knows
    features : features found (`siting.ground.travel.passage` adds them)
    """

    layers: Mapping[str, FloatArray]
    role: RoleArray
    woods: BoolArray
    fields: BoolArray
    opening: BoolArray
    valley_lines: tuple[Geometry, ...]
    crossings: tuple[Geometry, ...]
    notes: tuple[Note, ...]
    features: tuple[Feature, ...] = ()


def build_ground(
    land: Land,
    *,
    cover: CoverRules,
    camera: CameraRules,
    drainage: DrainageRules,
    disturbance: Disturbance,
    brush_m: tuple[float, float],
    engine: Engine = "built-in",
    height_error_m: float = 0.0,
) -> GroundLayers:
    """All layers of one parcel, from the land and the survey's rules.

    Parameters
    ----------
    land : Land
        Elevations in metres, roles and mapped shapes on one grid, north first.
    cover, camera, drainage, disturbance : the protocol's tables of these names
    brush_m : (least, most) height of plants that stand before a lens, metres
    engine : "built-in" or "richdem", for slope and flow of water
    height_error_m : error of the elevations, metres; 0 = they are taken as exact

    Returns
    -------
    Ground, without the layers of travel and of height above water, which
        `siting.ground.travel.passage.with_passage` adds

    Raises SitingError E-ENGINE-01 when the engine is not installed.
    """
    grid = land.grid
    # Roles first: what counts as woods or field decides edges, openings and where to look for flow.
    role, woods, fields, opening = _cover_kinds(land, cover)
    valley_lines, valley_notes = valley_lines_of(land, drainage, engine)
    water = land.shapes("water")
    crossings = _crossings(land, water)
    layers: dict[str, FloatArray] = {}
    layers.update(_terrain_layers(land, camera, engine))
    layers.update(_cover_layers(role, woods, fields, opening, land, cover))
    layers.update(_view_layer(land, role, cover, camera, brush_m))
    # A layer that cannot be made is missing, and its criterion is then not judged: no guess.
    if "water" in land.vectors or (land.role == CoverRole.WATER).any():
        layers["distance_to_water_m"] = _water_distance(land, water)
    if valley_lines:
        shown = lines_that_show(
            valley_lines,
            land.dem,
            grid=grid,
            source_cell_m=land.dem_cell_m,
            error_m=height_error_m,
        )
        layers.update(valley_layers(valley_lines, shown, land))
        valley_notes = (*valley_notes, *shallow_note(valley_lines, shown, land.parcel_shape))
    if "trails" in land.vectors:
        trails = land.vectors["trails"]
        shapes = np.asarray(trails.geometry.values, dtype=object)
        use = np.asarray(trails["use"])
        drawing = animal_trails(land)
        ways = {
            "trail": [line for line, _ in drawing],
            "busy_trail": list(shapes[use == "busy"]),
        }
        if (use == "unknown").any():
            ways["unknown_trail"] = list(shapes[use == "unknown"])
            ways["unsure_trail"] = [line for line, n in drawing if use[n] == "unknown"]
        for name, lines in ways.items():
            layers[f"distance_to_{name}_m"] = distance_everywhere(lines, grid=grid)
    if "crossings" in land.vectors or {"trails", "water"} <= land.vectors.keys():
        layers["distance_to_crossing_m"] = distance_everywhere(crossings, grid=grid)
    layers["distance_to_boundary_m"] = distance_everywhere(
        [shapely.boundary(land.parcel_shape)], grid=grid
    )
    if "livestock" in land.vectors:
        layers["distance_to_livestock_m"] = distance_everywhere(land.shapes("livestock"), grid=grid)
    # After the mapped layers: built-up cover stands in only where houses and roads are not mapped.
    layers.update(people_cover(land))
    quiet, quiet_notes = quietness(land, layers, disturbance)
    layers.update(quiet)
    notes = (
        *valley_notes,
        *quiet_notes,
        *through_parks(land),
        *people_note(land),
        *_absent(layers, land),
    )
    return GroundLayers(
        layers, role, woods, fields, opening, tuple(valley_lines), tuple(crossings), notes
    )


def _or_none_near(found: FloatArray | None, grid: Grid) -> FloatArray:
    return found if found is not None else np.full(grid.shape, np.inf, dtype=np.float32)


def _terrain_layers(land: Land, camera: CameraRules, engine: Engine) -> dict[str, FloatArray]:
    size = land.grid.cell_size_m
    slope = slope_deg(land.dem, size, engine=engine)
    # Flat where the camera stands is not enough: the ground in view must be level as well.
    view = mean_within(slope, radius_m=camera.view_far_m, cell_size_m=size)
    return {"slope_deg": slope, "view_slope_deg": view}


@remembered("land")
def _cover_kinds(
    land: Land, rules: CoverRules
) -> tuple[RoleArray, BoolArray, BoolArray, BoolArray]:
    """Roles without specks, and which cells are woods, fields and openings in forest."""
    cell_m2 = land.grid.cell_size_m**2

    def cells(asked_m2: float) -> float:
        return least_area_m2(asked_m2, source_cell_m=land.cover_cell_m) / cell_m2

    role = without_specks(land.role, smallest_cells=int(np.ceil(cells(rules.speck_m2))))
    trees = role == CoverRole.TREE
    open_ground = np.isin(role, OPEN_ROLES)
    woods = patches_at_least(trees, smallest_cells=cells(rules.min_woods_ha * 1e4))
    fields = patches_at_least(open_ground, smallest_cells=cells(rules.min_field_ha * 1e4))
    gaps = openings(
        open_ground,
        woods,
        known=role != CoverRole.UNKNOWN,
        least_cells=cells(rules.min_opening_m2),
        most_cells=rules.min_field_ha * 1e4 / cell_m2,
        ring=rules.opening_ring_share,
    )
    return role, woods, fields, gaps


def _cover_layers(
    role: RoleArray,
    woods: BoolArray,
    fields: BoolArray,
    opening: BoolArray,
    land: Land,
    rules: CoverRules,
) -> dict[str, FloatArray]:
    grid, size = land.grid, land.grid.cell_size_m
    # A clump too small for an edge or a feature may still hold the tree that a camera needs.
    trees = np.isin(land.role, [CoverRole.TREE, CoverRole.ORCHARD])
    if land.canopy_trees is not None:
        # A canopy file knows single trees better than classes do, and where there is none.
        trees = np.where(np.isnan(land.canopy_trees), trees, land.canopy_trees > 0.5)
    brush = np.isin(role, [CoverRole.SHRUB, CoverRole.WETLAND])
    brush_m2 = least_area_m2(rules.min_woods_ha * 1e4, source_cell_m=land.cover_cell_m)
    brush = patches_at_least(brush, smallest_cells=brush_m2 / size**2)
    # Where woods or fields meet brush: less of a contrast than woods against field.
    soft = distance_to_border(woods | fields, brush, cell_size_m=size)
    to_tree = _nearer(distance_to_cells(trees, cell_size_m=size), land.shapes("trees"), grid)
    if not land.has_cover:
        # Nothing is known of woods and view; single trees or a canopy still tell where trees stand.
        told = "trees" in land.vectors or land.canopy_trees is not None
        return {"distance_to_tree_m": to_tree} if told else {}
    return {
        "distance_to_edge_m": _or_none_near(
            distance_to_border(woods, fields, cell_size_m=size), grid
        ),
        "distance_to_soft_edge_m": _or_none_near(soft, grid),
        "distance_to_opening_m": _or_none_near(distance_to_cells(opening, cell_size_m=size), grid),
        "distance_to_tree_m": to_tree,
    }


def _view_layer(
    land: Land,
    role: RoleArray,
    rules: CoverRules,
    camera: CameraRules,
    brush_m: tuple[float, float],
) -> dict[str, FloatArray]:
    """Share of the view likely to be clear: by the canopy where it is known, else by role."""
    if not land.has_cover and land.canopy_m is None:
        return {}
    shares = {
        CoverRole.TREE: rules.clear_tree,
        CoverRole.SHRUB: rules.clear_shrub,
        CoverRole.GRASS: rules.clear_grass,
        CoverRole.CROP: rules.clear_crop,
        CoverRole.PASTURE: rules.clear_pasture,
        CoverRole.WETLAND: rules.clear_wetland,
        CoverRole.BARE: rules.clear_bare,
        CoverRole.PARK: rules.clear_park,
        CoverRole.ORCHARD: rules.clear_orchard,
        CoverRole.SNOW: rules.clear_bare,
        CoverRole.WATER: 1.0,
    }
    clear = clear_share(role, share_of_role=shares)
    if land.canopy_m is not None:
        clear = clear_by_canopy(
            clear,
            land.canopy_m,
            brush_m=brush_m,
            in_brush=rules.clear_shrub,
            under_trees=rules.clear_tree,
            between=rules.clear_grass,
            grows=np.isin(role, [CoverRole.CROP, CoverRole.WETLAND]),
        )
    size = land.grid.cell_size_m
    return {"clear_share": mean_within(clear, radius_m=camera.view_far_m, cell_size_m=size)}


def _nearer(found: FloatArray | None, shapes: list[Geometry], grid: Grid) -> FloatArray:
    """The distance to cells or to shapes, whichever is less; inf where there are neither."""
    to_shapes = distance_everywhere(shapes, grid=grid)
    return np.asarray(np.minimum(_or_none_near(found, grid), to_shapes))


@remembered("land")
def _water_distance(land: Land, shapes: list[Geometry]) -> FloatArray:
    """Distance to streams and ponds, and to water cells of the land cover."""
    size = land.grid.cell_size_m
    cells = distance_to_cells(land.role == CoverRole.WATER, cell_size_m=size)
    lines = distance_everywhere(shapes, grid=land.grid)
    return lines if cells is None else np.minimum(lines, cells)


@remembered("land")
def _crossings(land: Land, water: list[Geometry]) -> list[Geometry]:
    """Points where a trail that is not busy meets a stream, and crossings known to the user."""
    known = land.shapes("crossings")
    if "trails" not in land.vectors:
        return known
    lines = [line for line, _ in animal_trails(land)]
    # A trail round a pond follows its bank for long; it does not cross it.
    streams = [shape for shape in water if shape.geom_type.endswith("LineString")]
    if not lines or not streams:
        return known
    meet = shapely.intersection(shapely.union_all(lines), shapely.union_all(streams))
    # A trail drawn along a brook shares a line with it; its middle stands for the crossing.
    points = [
        part if part.geom_type == "Point" else part.interpolate(0.5, normalized=True)
        for part in shapely.get_parts(meet)
        if not part.is_empty
    ]
    return [*known, *points]


def _absent(layers: Mapping[str, FloatArray], land: Land) -> tuple[Note, ...]:
    """A warning for each criterion whose layer only the user can give and did not."""
    # One that was given and ends before the parcel has its own warning.
    ended = layers_that_end_before(land.notes)
    return tuple(
        Note("W-ABSENT-01", "warning", row.not_judged)
        for row in CRITERIA
        if row.must_be_given
        and row.layer not in layers
        and not any(ended & set(need.layers) for need in row.needs)
    )
