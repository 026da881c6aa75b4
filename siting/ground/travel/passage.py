"""Where animals pass and where water stands: travel flow, features found, height above water."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes
from scipy import ndimage
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.ground.distance import burn, distance_to, spread, within
from siting.ground.known import FINEST_HEIGHT_M, cells_to_unknown
from siting.ground.layers import ROAD_CLASSES, Ground, valley_threshold_ha
from siting.ground.neighbourhood import PLAIN
from siting.ground.shapes import features, landforms, woodland
from siting.ground.shapes.feature_order import in_order
from siting.ground.shapes.features import Named, called
from siting.ground.travel.movement import (
    coarsen_cost,
    coarsening_factor,
    concentration,
    current_density,
    refine,
    travel_cost,
)
from siting.ground.water import drainage
from siting.ground.water.engines import Engine, flow_directions
from siting.ground.water.stream_offset import offset_note, stream_offset
from siting.kernels.bands import by_bands, side_by_side
from siting.settings.protocol import DrainageRules
from siting.settings.protocol_travel import FeatureRules, TravelRules
from siting.types import BoolArray, CoverRole, Feature, Land, RoleArray

# Half the width over which a road of each class hinders animals, metres.
_ROAD_HALF_WIDTH_M = {"major": 10.0, "minor": 5.0, "track": 2.0}
# Kinds of features that have a criterion of their own.
_JUDGED_ELSEWHERE = ("stream crossing", "known crossing", "funnel")
# How far around a squeeze what squeezes it is looked for, and how far it keeps from the edge of
# what is known, metres.
_SQUEEZE_REACH_M, _SQUEEZE_EDGE_M = 60.0, 100.0
# A feature of hardly any strength counts as if it lay this much farther away; one farther than
# the reach counts as absent.
_FAINT_M, _FEATURE_REACH_M, _WEAKEST = 40.0, 200.0, 0.05


@dataclass(frozen=True)
class Obstacles:
    """Cells on mapped roads (by class), buildings and ponds; (rows, cols) bool each."""

    roads: Mapping[str, BoolArray]
    buildings: BoolArray
    ponds: BoolArray


def with_passage(
    land: Land,
    ground: Ground,
    *,
    travel: TravelRules,
    sought: FeatureRules,
    drained: DrainageRules,
    engine: Engine = "built-in",
) -> Ground:
    """The ground with the layers of travel and of water, and with the features found.

    Adds funnel_ratio, height_above_water_m (where mapped streams lie in the valleys of the
    elevations), wetter_than_share, distance_to_feature_m and felt_feature_m. Only plain features
    are named; weaker ones count, the less the weaker they are.
    """
    slope = ground.layers["slope_deg"]
    hindered = obstacles(land)
    # Water and travel know nothing of each other, and they are the two longest steps of the ground.
    directions, ratio = side_by_side(
        lambda: flow_directions(land.dem, engine=engine),
        lambda: funnel_ratio(land, hindered, role=ground.role, slope_deg=slope, rules=travel),
    )
    area = drainage.upstream_area_m2(directions, cell_size_m=land.grid.cell_size_m)
    valleys = drainage.stream_lines(
        directions,
        drainage.stream_cells(area, threshold_ha=valley_threshold_ha(land.role, drained)),
        transform=land.grid.transform,
    )
    found = find_features(
        land,
        ground,
        valleys=valleys,
        hindered=hindered,
        ratio=ratio,
        rules=sought,
    )
    layers = dict(ground.layers)
    layers["funnel_ratio"] = ratio
    notes = ground.notes
    # A brook drawn on the hillside would make heights above the water that are simply wrong.
    if "distance_to_water_m" in layers and land.dem_cell_m <= FINEST_HEIGHT_M:
        limit_m = max(land.dem_cell_m, drained.stream_reach_m)
        off = stream_offset(land.shapes("water"), land.dem, grid=land.grid)
        if off is not None and off.median_m > limit_m:
            notes = (*notes, offset_note(off, limit_m=limit_m))
        else:
            layers["height_above_water_m"] = height_above_water_m(
                land, directions, stream_reach_m=drained.stream_reach_m
            )
    layers["wetter_than_share"] = wetter_than_share(area, slope, grid=land.grid)
    # A name on the map must bear looking at; the weak ones count only by what is felt of them.
    plain = tuple(feature for feature in found if feature.strength >= PLAIN)
    layers["distance_to_feature_m"] = _feature_distance(plain, land.grid)
    layers["felt_feature_m"] = felt_feature_m(found, grid=land.grid)
    return replace(ground, layers=layers, features=plain, notes=notes)


def obstacles(land: Land) -> Obstacles:
    """What of the mapped things hinders travel, as cells; no cell where nothing is mapped."""
    return Obstacles(
        roads={kind: _road_cells(land, kind) for kind in ROAD_CLASSES},
        buildings=burn(land.shapes("buildings"), grid=land.grid, all_touched=True),
        ponds=burn([pond.shape for pond in _ponds(land)], grid=land.grid),
    )


def funnel_ratio(
    land: Land, hindered: Obstacles, *, role: RoleArray, slope_deg: FloatArray, rules: TravelRules
) -> FloatArray:
    """Flow of travel through each cell against the ground around it; (rows, cols) float32.

    1 = like the ground around; NaN where slope or elevation is not known.
    """
    grid = land.grid
    cost = travel_cost(
        _slope_to_the_rim(slope_deg, land.dem),
        role,
        role_cost={kind: getattr(rules, f"cost_{kind.name.lower()}") for kind in CoverRole},
        slope_knots=rules.slope_cost,
    )
    cost = _with_obstacles(cost, hindered, rules)
    factor = coarsening_factor(
        grid.shape,
        cell_size_m=grid.cell_size_m,
        target_cell_m=rules.cell_m,
        max_cells=rules.most_cells,
    )
    before = grid.before(factor)
    coarse = coarsen_cost(cost, factor, before=before)
    # Every cover can be crossed at some cost, so what is closed is ground without elevations.
    density = current_density(coarse, outside=np.isnan(coarse), n_directions=rules.directions)
    ratio = concentration(
        density, cell_size_m=grid.cell_size_m * factor, surroundings_m=rules.surroundings_m
    )
    fine = refine(ratio, factor, shape=grid.shape, before=before)
    return np.where(np.isnan(cost), np.float32(np.nan), fine)


def _slope_to_the_rim(slope_deg: FloatArray, dem: FloatArray) -> FloatArray:
    """Slope with the rim of known elevations, where it cannot be measured, taken from beside it."""
    gap = np.isnan(slope_deg)
    if gap.all() or not gap.any():
        return slope_deg
    return np.where(np.isfinite(dem), spread(slope_deg, ~gap), np.nan)


def _with_obstacles(
    cost: NDArray[np.float64], hindered: Obstacles, rules: TravelRules
) -> NDArray[np.float64]:
    """Cost raised on mapped roads, buildings and ponds."""
    raised = [
        (cells, float(getattr(rules, f"cost_road_{kind}")))
        for kind, cells in hindered.roads.items()
    ]
    raised.append((hindered.buildings, rules.cost_built))
    raised.append((hindered.ponds, rules.cost_water))
    out = cost.copy()
    for cells, least in raised:
        out[cells] = np.maximum(out[cells], least)  # what is not known stays so
    return out


def _road_cells(land: Land, kind: str) -> BoolArray:
    """Cells on a road of a class, by its usual width."""
    if "roads" not in land.vectors:
        return np.zeros(land.grid.shape, dtype=bool)
    roads = land.vectors["roads"]
    # At least half a cell, or a narrow road would miss every cell centre.
    half = max(_ROAD_HALF_WIDTH_M[kind], land.grid.cell_size_m / 2)
    return within(list(roads.geometry[roads["class"] == kind]), distance_m=half, grid=land.grid)


def height_above_water_m(
    land: Land, directions: NDArray[np.uint8], *, stream_reach_m: float
) -> FloatArray:
    """Height above the mapped stream or pond that each cell drains to, metres, NaN where none.

    Mapped lines seldom lie exactly on the valley line of the elevations: cells within
    `stream_reach_m` of one count as the stream, and the lowest ground within about as much of such
    a cell is its water level. So a spot on the bank is told how far it stands above the bed, not 0.
    """
    drawn = land.shapes("water")
    wet = land.role == CoverRole.WATER
    if drawn:
        wet = wet | within(drawn, distance_m=stream_reach_m, grid=land.grid)
    wet &= np.isfinite(land.dem)
    level = _lowest_near(land.dem, land.grid, reach_m=stream_reach_m)
    return drainage.height_above_drainage_m(land.dem, directions, drainage=wet, water_level=level)


def _lowest_near(dem: FloatArray, grid: Grid, *, reach_m: float) -> FloatArray:
    """Lowest elevation in a square that reaches as far as a mapped stream may be off."""
    width = 2 * int(reach_m // grid.cell_size_m) + 1
    known = np.where(np.isfinite(dem), dem, np.float32(np.inf))
    lowest = partial(ndimage.minimum_filter, size=width, mode="nearest")
    return by_bands(lowest, known, reach=width // 2)


def wetter_than_share(
    area_m2: NDArray[np.float64], slope_deg: FloatArray, *, grid: Grid
) -> NDArray[np.float32]:
    """Share of the land read that is drier by wetness index, 0..1; NaN where not known."""
    wetness = drainage.wetness_index(area_m2, slope_deg, cell_size_m=grid.cell_size_m)
    known = np.isfinite(wetness)
    out = np.full(wetness.shape, np.nan, dtype=np.float32)
    out[known] = _share_below(wetness[known])
    return out


def _share_below(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Share of the values that are smaller than each of them."""
    # By ranks and not by a histogram: the share is exact, whatever the index's range.
    order = np.argsort(values)
    ordered = values[order]
    rank = np.arange(values.size, dtype=np.float64)
    # Equal values share the rank of the first of them.
    rank[1:][ordered[1:] == ordered[:-1]] = 0
    share = np.empty(values.size, dtype=np.float32)
    share[order] = np.maximum.accumulate(rank) / max(values.size, 1)
    return share


def find_features(
    land: Land,
    ground: Ground,
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
    return in_order(f for f in found if shapely.contains_xy(near, f.easting, f.northing))


def _raster_features(
    land: Land, ground: Ground, hindered: Obstacles, *, ratio: FloatArray, rules: FeatureRules
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
    land: Land, ground: Ground, hindered: Obstacles, *, ratio: FloatArray, rules: FeatureRules
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


def _main_roles(ground: Ground) -> RoleArray:
    """Roles with woods and fields that are too small to make an edge taken out."""
    small = (ground.role == CoverRole.TREE) & ~ground.woods
    open_ground = np.isin(ground.role, woodland.OPEN_ROLES)
    out = ground.role.copy()
    out[small] = CoverRole.SHRUB
    out[open_ground & ~ground.fields] = CoverRole.SHRUB
    return out


def _line_features(
    land: Land, ground: Ground, valleys: Sequence[Geometry], rules: FeatureRules
) -> list[Feature]:
    trails, streams = _trails(land), _streams(land)
    ponds = [*_ponds(land), *_ponds_of_cells(land, ground, rules)]
    beds = [Named(line, "a valley line") for line in _away_from(valleys, streams)]
    role = _main_roles(ground)
    return [
        *features.meetings(trails, streams, kind="stream crossing"),
        *features.known_crossings(_named(land, "crossings", "crossing")),
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


def _named(land: Land, layer: str, otherwise: str) -> list[Named]:
    if layer not in land.vectors:
        return []
    frame = land.vectors[layer]
    rows = zip(frame.geometry, frame["name"], frame["kind"], strict=True)
    return [Named(shape, called(name, kind, otherwise=otherwise)) for shape, name, kind in rows]


def _trails(land: Land) -> list[Named]:
    """Game and quiet trails; where many people walk, no feature of theirs is a spot."""
    if "trails" not in land.vectors:
        return []
    busy = land.vectors["trails"]["use"] == "busy"
    named = _named(land, "trails", "trail")
    return [trail for trail, crowded in zip(named, busy, strict=True) if not crowded]


def _streams(land: Land) -> list[Named]:
    return [n for n in _named(land, "water", "stream") if "LineString" in n.shape.geom_type]


def _ponds(land: Land) -> list[Named]:
    return [n for n in _named(land, "water", "pond") if "Polygon" in n.shape.geom_type]


def _ponds_of_cells(land: Land, ground: Ground, rules: FeatureRules) -> list[Named]:
    return [
        Named(pond, "the pond" if pond.area < rules.lake_ha * 1e4 else "the lake")
        for pond in ponds_of_cells(land, ground.role)
    ]


def ponds_of_cells(land: Land, role: RoleArray) -> list[Geometry]:
    """Outlines of the ponds that only the land cover knows, along the edges of its cells.

    `role` is (rows, cols) int8, `CoverRole` of each cell.
    """
    mapped = [shape for shape in land.shapes("water") if "Polygon" in shape.geom_type]
    wet = role == CoverRole.WATER
    patches = shapes(wet.astype(np.uint8), mask=wet, connectivity=8, transform=land.grid.transform)
    found = [shapely.geometry.shape(outline) for outline, _ in patches]
    return [pond for pond in found if not any(pond.intersects(other) for other in mapped)]


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


def _feature_distance(found: Sequence[Feature], grid: Grid) -> FloatArray:
    points = [
        shapely.Point(f.easting, f.northing) for f in found if f.kind not in _JUDGED_ELSEWHERE
    ]
    far = distance_to(points, grid=grid) if points else None
    return far if far is not None else np.full(grid.shape, np.inf, dtype=np.float32)
