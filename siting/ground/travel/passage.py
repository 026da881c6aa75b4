"""Where animals pass and where water stands: travel flow, features found, height above water."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import scipy
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid
from siting.ground.distance import nearest_value, within
from siting.ground.known import FINEST_HEIGHT_M
from siting.ground.layers import GroundLayers
from siting.ground.neighbourhood import PLAIN
from siting.ground.peopled import quiet_ratio
from siting.ground.shapes.found import distance_to_feature_m, felt_feature_m, find_features
from siting.ground.travel.movement import (
    coarsen_cost,
    coarsening_factor,
    concentration,
    current_density,
    refine,
    travel_cost,
)
from siting.ground.travel.obstacles import Obstacles, obstacles
from siting.ground.water import drainage
from siting.ground.water.engines import Engine, flow_directions
from siting.ground.water.stream_offset import offset_note, stream_offset
from siting.ground.water.valley_depth import lines_that_show
from siting.ground.water.valley_lines import valley_threshold_ha
from siting.kernels.bands import bands, by_bands, give_back, in_parallel
from siting.kernels.remembered import remembered
from siting.settings.protocol_ground import DrainageRules
from siting.settings.protocol_travel import FeatureRules, TravelRules
from siting.types import CoverRole, Land, RoleArray


def with_passage(
    land: Land,
    ground: GroundLayers,
    *,
    travel: TravelRules,
    sought: FeatureRules,
    drained: DrainageRules,
    engine: Engine = "built-in",
    height_error_m: float = 0.0,
) -> GroundLayers:
    """The ground with the layers of travel and of water, and with the features found.

    Adds funnel_ratio, height_above_water_m (where mapped streams lie in the valleys of the
    elevations), wetter_than_share, distance_to_feature_m and felt_feature_m. Only plain features
    are named; weaker ones count, the less the weaker they are. `height_error_m` is the error of the
    elevations, metres, 0 = none.
    """
    slope = ground.layers["slope_deg"]
    hindered = obstacles(land)
    # Water and travel know nothing of each other, and they are the two longest steps of the ground.
    directions, ratio = in_parallel(
        lambda: flow_directions(land.dem, engine=engine),
        lambda: funnel_ratio(land, hindered, role=ground.role, slope_deg=slope, rules=travel),
    )
    area = drainage.upstream_area_m2(directions, cell_size_m=land.grid.cell_size_m)
    valleys = drainage.stream_lines(
        directions,
        drainage.stream_cells(area, threshold_ha=valley_threshold_ha(land.role, drained)),
        transform=land.grid.transform,
    )
    wetter = wetter_than_share(area, slope, grid=land.grid)
    # The widest of the arrays here, and not read again.
    del area
    give_back(land.dem.size)
    ratio = quiet_ratio(ratio, land)
    found = find_features(
        land,
        ground,
        valleys=lines_that_show(
            valleys,
            land.dem,
            grid=land.grid,
            source_cell_m=land.dem_cell_m,
            error_m=height_error_m,
        ),
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
    layers["wetter_than_share"] = wetter
    # A name on the map must bear looking at; the weak ones count only by what is felt of them.
    plain = tuple(feature for feature in found if feature.strength >= PLAIN)
    layers["distance_to_feature_m"] = distance_to_feature_m(plain, land.grid)
    layers["felt_feature_m"] = felt_feature_m(found, grid=land.grid)
    return replace(ground, layers=layers, features=plain, notes=notes)


@remembered("land")
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
    _raise_on_obstacles(cost, hindered, rules)
    factor = coarsening_factor(
        grid.shape,
        cell_size_m=grid.cell_size_m,
        target_cell_m=rules.cell_m,
        max_cells=rules.most_cells,
    )
    before = grid.before(factor)
    coarse = coarsen_cost(cost, factor, before=before)
    closed = np.isnan(cost)
    # Eight bytes a cell, while water is worked out beside this.
    del cost
    # Every cover can be crossed at some cost, so what is closed is ground without elevations.
    density = current_density(coarse, outside=np.isnan(coarse), n_directions=rules.directions)
    ratio = concentration(
        density, cell_size_m=grid.cell_size_m * factor, surroundings_m=rules.surroundings_m
    )
    fine = refine(ratio, factor, shape=grid.shape, before=before)
    fine[closed] = np.nan
    return fine


def _slope_to_the_rim(slope_deg: FloatArray, dem: FloatArray) -> FloatArray:
    """Slope with the rim of known elevations, where it cannot be measured, taken from beside it."""
    gap = np.isnan(slope_deg)
    if gap.all() or not gap.any():
        return slope_deg
    return np.where(np.isfinite(dem), nearest_value(slope_deg, ~gap), np.nan)


def _raise_on_obstacles(cost: NDArray[np.float64], hindered: Obstacles, rules: TravelRules) -> None:
    """Raise the cost, in place, on mapped roads, buildings and ponds."""
    raised = [
        (cells, float(getattr(rules, f"cost_road_{kind}")))
        for kind, cells in hindered.roads.items()
    ]
    raised.append((hindered.buildings, rules.cost_built))
    raised.append((hindered.ponds, rules.cost_water))
    for cells, least in raised:
        cost[cells] = np.maximum(cost[cells], least)  # what is not known stays so


@remembered("land")
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
    lowest = partial(scipy.ndimage.minimum_filter, size=width, mode="nearest")
    return by_bands(lowest, known, reach=width // 2)


@remembered()
def wetter_than_share(
    area_m2: NDArray[np.float64], slope_deg: FloatArray, *, grid: Grid
) -> NDArray[np.float32]:
    """Share of the land read that is drier by wetness index, 0..1; NaN where not known."""
    wetness = drainage.wetness_index(area_m2, slope_deg, cell_size_m=grid.cell_size_m)
    known = np.isfinite(wetness)
    # In the same array: here a run on large land needs most besides its layers.
    wetness[known] = _share_below(wetness[known])
    wetness[~known] = np.nan
    return wetness


def _share_below(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Share of the values that are smaller than each of them."""
    # By ranks and not by a histogram: the share is exact, whatever the index's range.
    order = np.argsort(values)
    ordered = values[order]
    del values
    rank = np.arange(ordered.size, dtype=np.int32)
    # Equal values share the rank of the first of them.
    rank[1:][ordered[1:] == ordered[:-1]] = 0
    del ordered
    np.maximum.accumulate(rank, out=rank)
    share = np.empty(rank.size, dtype=np.float32)
    for some in bands((rank.size, 1)):
        share[order[some]] = rank[some] / np.float64(max(rank.size, 1))
    return share
