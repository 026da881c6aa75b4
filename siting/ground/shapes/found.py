"""All features of a parcel: what lines, cover and ground show, only where enough is known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.ground.cover import OPEN_ROLES
from siting.ground.distance import distance_everywhere
from siting.ground.known import cells_to_unknown
from siting.ground.layers import GroundLayers
from siting.ground.peopled import away_from_people
from siting.ground.shapes import features, landforms, woodland
from siting.ground.shapes.feature_order import in_order
from siting.ground.shapes.features import Named
from siting.ground.shapes.mapped import (
    mapped_ponds,
    mapped_streams,
    named_shapes,
    ponds_of_cells,
    quiet_trails,
)
from siting.ground.travel.obstacles import Obstacles
from siting.kernels.remembered import remembered
from siting.settings.protocol_travel import FeatureRules
from siting.types import BoolArray, CoverRole, Feature, Land, RoleArray

# Cells from the middle of a pond to its rim, at least: at the bend of a strip two cells wide it is
# 1.17, in three cells square 1.5.
_POND_CELLS = 1.25
# Kinds of features that have a criterion of their own.
_JUDGED_ELSEWHERE = ("stream crossing", "known crossing", "funnel")
# How far around a squeeze what squeezes it is looked for, and how far it keeps from the edge of
# what is known, metres.
_SQUEEZE_REACH_M, _SQUEEZE_EDGE_M = 60.0, 100.0
# A feature of hardly any strength counts as if it lay this much farther away; one farther than
# the reach counts as absent.
_FAINT_M, _FEATURE_REACH_M, _WEAKEST = 40.0, 200.0, 0.05


def find_features(
    land: Land,
    ground: GroundLayers,
    *,
    valleys: Sequence[Geometry],
    hindered: Obstacles,
    ratio: FloatArray,
    rules: FeatureRules,
) -> tuple[Feature, ...]:
    """All features on the parcel and just over its boundary, in a fixed order.

    Parameters
    ----------
    land, ground : what is known of the land, and its layers
    valleys : valley lines worked out from the elevations
    hindered : Obstacles
    ratio : (rows, cols) float32, what `funnel_ratio` returns, 1 = like the ground around
    rules : the protocol's table `features`; lengths in metres

    Returns
    -------
    tuple of Feature, in the order of `siting.ground.shapes.feature_order.in_order`
    """
    found = [
        *_line_features(land, ground, valleys, rules),
        *_raster_features(land, ground, hindered, ratio=ratio, rules=rules),
    ]
    # What lies just over the fence still says why animals come this way.
    near = shapely.buffer(land.parcel_shape, 2 * rules.reach_m)
    shapely.prepare(near)
    found = away_from_people(found, land)
    return in_order(f for f in found if shapely.contains_xy(near, f.easting, f.northing))


@remembered("land", "ground")
def _raster_features(
    land: Land, ground: GroundLayers, hindered: Obstacles, *, ratio: FloatArray, rules: FeatureRules
) -> list[Feature]:
    role = _main_roles(ground)
    saddles = landforms.saddles(
        land.dem,
        smoothing_m=rules.smoothing_m,
        ring_m=rules.saddle_ring_m,
        relief_m=rules.saddle_relief_m,
        source_cell_m=land.dem_cell_m,
        grid=land.grid,
        weakest=_WEAKEST,
    )
    cover_cell_m = land.cover_cell_m
    return [
        *_far_from_unknown(
            saddles,
            np.isfinite(land.dem),
            reach_m=rules.saddle_ring_m + 2 * rules.smoothing_m,
            grid=land.grid,
        ),
        *woodland.field_corners(
            role,
            radius_m=rules.corner_radius_m,
            source_cell_m=cover_cell_m,
            grid=land.grid,
            weakest=_WEAKEST,
        ),
        *woodland.narrow_woods(
            role, width_m=rules.strip_width_m, source_cell_m=cover_cell_m, grid=land.grid
        ),
        *_squeezes(land, ground, hindered, ratio=ratio, rules=rules),
    ]


def _squeezes(
    land: Land, ground: GroundLayers, hindered: Obstacles, *, ratio: FloatArray, rules: FeatureRules
) -> list[Feature]:
    """Squeezes of easy ways, named only after layers that were given.

    Where a cell of a raster is wider than the look around, what squeezes there cannot be seen.
    """
    if max(land.dem_cell_m, land.cover_cell_m) > _SQUEEZE_REACH_M / 2:
        return []
    people = {
        "a road": hindered.roads["major"] | hindered.roads["minor"],
        "buildings": hindered.buildings,
        "built-up ground": ground.role == CoverRole.BUILT,
    }
    found = landforms.funnels(
        ratio,
        ground.layers["slope_deg"],
        water=(ground.role == CoverRole.WATER) | hindered.ponds,
        people={name: cells for name, cells in people.items() if cells.any()},
        least_ratio=rules.funnel_ratio,
        reach_m=_SQUEEZE_REACH_M,
        grid=land.grid,
    )
    known = np.isfinite(land.dem)
    if land.has_cover:
        known &= ground.role != CoverRole.UNKNOWN
    # Closed ground beyond the edge of the known squeezes the flow along it.
    return _far_from_unknown(found, known, reach_m=_SQUEEZE_EDGE_M, grid=land.grid)


def _far_from_unknown(
    found: Sequence[Feature], known: BoolArray, *, reach_m: float, grid: Grid
) -> list[Feature]:
    """The features that keep `reach_m` from the edge of what is known."""
    if not found:
        return []
    away_m = cells_to_unknown(known) * grid.cell_size_m
    row, col = grid.rowcol(
        np.array([f.easting for f in found]), np.array([f.northing for f in found])
    )
    kept = away_m[row, col] > reach_m
    return [feature for feature, far in zip(found, kept, strict=True) if far]


def _main_roles(ground: GroundLayers) -> RoleArray:
    """Roles with woods and fields that are too small to make an edge taken out."""
    small = (ground.role == CoverRole.TREE) & ~ground.woods
    open_ground = np.isin(ground.role, OPEN_ROLES)
    out = ground.role.copy()
    out[small] = CoverRole.SHRUB
    out[open_ground & ~ground.fields] = CoverRole.SHRUB
    return out


@remembered("land", "ground")
def _line_features(
    land: Land, ground: GroundLayers, valleys: Sequence[Geometry], rules: FeatureRules
) -> list[Feature]:
    trails, streams = quiet_trails(land), mapped_streams(land)
    ponds = [*mapped_ponds(land), *_ponds_of_cells(land, ground, rules)]
    beds = [Named(line, "a valley line") for line in _away_from(valleys, streams)]
    role = _main_roles(ground)
    return [
        *features.meetings(trails, streams, kind="stream crossing"),
        *features.known_crossings(named_shapes(land, "crossings", "crossing")),
        *features.forks(trails),
        *features.forks(streams, kind="stream junction"),
        *features.pond_ends(ponds, least_m2=rules.pond_least_m2, most_m2=rules.pond_most_ha * 1e4),
        *features.meetings(streams, ponds, kind="inflow", strength=0.7),
        *features.meetings(
            trails, beds, kind="valley crossing", words="where {0} crosses {1}", strength=0.7
        ),
        *features.woods_edges(trails, role, kind="trail at woods edge", grid=land.grid),
        *features.woods_edges(streams, role, kind="stream at woods edge", grid=land.grid),
    ]


def _away_from(lines: Sequence[Geometry], streams: Sequence[Named]) -> list[Geometry]:
    """The parts of valley lines that are no mapped stream."""
    if not streams or not lines:
        return list(lines)
    beside = shapely.buffer(shapely.union_all([stream.shape for stream in streams]), 40.0)
    left = shapely.difference(np.asarray(lines, dtype=object), beside)
    return [line for line in left if not line.is_empty]


def _ponds_of_cells(land: Land, ground: GroundLayers, rules: FeatureRules) -> list[Named]:
    # What is nowhere wider than two cells of the land cover may as well be a piece of a river: it
    # has neither ends nor the name of a pond.
    return [
        Named(pond, "the pond" if pond.area < rules.lake_ha * 1e4 else "the lake")
        for pond in ponds_of_cells(land, ground.role)
        if not shapely.buffer(pond, -_POND_CELLS * land.cover_cell_m).is_empty
    ]


@remembered()
def felt_feature_m(found: Sequence[Feature], *, grid: Grid) -> NDArray[np.float32]:
    """Distance to the nearest feature, a weak one counting as farther away, metres.

    One of strength s counts as 40 (1 - s) m farther, so that a feature fades as it weakens and
    none is there or gone by a hair. Infinite where none is within 200 m.
    """
    out = np.full(grid.shape, np.inf, dtype=np.float32)
    reach = int(_FEATURE_REACH_M / grid.cell_size_m) + 1
    for feature in found:
        if feature.kind in _JUDGED_ELSEWHERE:
            continue
        row, col = (int(at) for at in grid.rowcol(feature.easting, feature.northing))
        rows = slice(max(row - reach, 0), max(row + reach + 1, 0))
        cols = slice(max(col - reach, 0), max(col + reach + 1, 0))
        at = np.arange(grid.n_rows)[rows, None], np.arange(grid.n_cols)[None, cols]
        easting, northing = grid.xy(*at)
        away = np.hypot(easting - feature.easting, northing - feature.northing)
        felt = np.where(
            away <= _FEATURE_REACH_M, away + _FAINT_M * (1.0 - feature.strength), np.inf
        )
        out[rows, cols] = np.minimum(out[rows, cols], felt)
    return out


def distance_to_feature_m(found: Sequence[Feature], grid: Grid) -> FloatArray:
    """Distance to the nearest feature without a criterion of its own, metres; (rows, cols)."""
    points = [
        shapely.Point(f.easting, f.northing) for f in found if f.kind not in _JUDGED_ELSEWHERE
    ]
    return distance_everywhere(points, grid=grid)
