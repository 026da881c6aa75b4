"""Rolling land with woods, a brook, trails and a log, built by formula wherever a grid may lie.

The same land can be read on any grid: moved, mirrored, turned, or in another projection.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from siting.grid import Grid, transformer
from siting.settings.load import load_protocol
from siting.settings.protocol import Protocol
from siting.types import CoverRole, Land
from tests.fake_result import fake_land

# The middle lies on whole kilometres, so that a turn about it maps every block onto a block.
CRS, EAST, NORTH = "EPSG:32617", 540_000.0, 4_820_000.0
CELL_M, HALF_CELLS = 5.0, 70
_PARCEL = shapely.box(-210.0, -210.0, 210.0, 210.0)
_WAVES, _STEP_M = 24, 5.0
Move = Callable[[Any, Any], tuple[Any, Any]]


@dataclass(frozen=True)
class Hills:
    """A smooth field of standard deviation 1, the same at the same place for the same seed."""

    seed: int
    alike_m: float

    def at(self, east: Any, north: Any) -> Any:
        rng = np.random.default_rng(self.seed)
        wave = rng.standard_normal((_WAVES, 2)) / self.alike_m
        phase = rng.uniform(0, 2 * np.pi, _WAVES)
        turns = np.multiply.outer(east, wave[:, 0]) + np.multiply.outer(north, wave[:, 1])
        return np.cos(turns + phase).sum(axis=-1) * np.sqrt(2 / _WAVES)


def _same(east: Any, north: Any) -> tuple[Any, Any]:
    return east, north


def built_land(
    seed: int,
    *,
    to_land: Move = _same,
    from_land: Move = _same,
    crs: str = CRS,
    moved: tuple[int, int] = (0, 0),
) -> Land:
    """The land of a seed as a grid shows it.

    Parameters
    ----------
    to_land, from_land : from the grid's metres about its middle to the land's own, and back
    crs : of the grid; its middle is at `middle(crs)`
    moved : by how many rows and columns the window reaches less far to the north and west
    """
    east0, north0 = middle(crs)
    grid = Grid(
        crs,
        east0 - HALF_CELLS * CELL_M,
        north0 + HALF_CELLS * CELL_M,
        CELL_M,
        2 * HALF_CELLS,
        2 * HALF_CELLS,
    ).window(*moved, 2 * HALF_CELLS, 2 * HALF_CELLS)
    easting, northing = grid.xy(*np.indices(grid.shape))
    east, north = to_land(easting - east0, northing - north0)
    # Whole centimetres and thousandths: a turn must not change a cell by rounding alone.
    height = np.round(300 + 6 * Hills(seed, 130.0).at(east, north) + 0.02 * north, 2)
    growth = np.round(Hills(seed + 1, 90.0).at(east, north), 3)
    role = np.select(
        [growth > 0.1, growth > -0.2], [CoverRole.TREE, CoverRole.SHRUB], CoverRole.GRASS
    ).astype(np.int8)

    def laid(shape: Any) -> Any:
        def put(xy: Any) -> Any:
            x, y = from_land(xy[:, 0], xy[:, 1])
            return np.column_stack([x + east0, y + north0])

        return shapely.transform(shape, put)

    def layer(*shapes: Any, **columns: Any) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame(columns, geometry=[laid(s) for s in shapes], crs=crs)

    land = fake_land(
        grid=grid,
        height=height,
        role=role,
        vectors={
            "water": layer(_way(seed + 2, steep=3.0), kind=["stream"], name=[""]),
            "trails": layer(
                _way(seed + 3, steep=-0.4),
                _way(seed + 4, steep=0.8),
                use=["game", "quiet"],
                name=["", ""],
                kind=["", ""],
            ),
        },
        parcel_shape=laid(shapely.segmentize(_PARCEL, 20.0)),
    )
    return replace(land, dem_cell_m=CELL_M, cover_cell_m=CELL_M)


def middle(crs: str) -> tuple[float, float]:
    """Where the land's own origin lies in a coordinate system, metres."""
    if crs == CRS:
        return EAST, NORTH
    east, north = transformer(CRS, crs).transform(EAST, NORTH)
    return round(east, -1), round(north, -1)


def _way(seed: int, *, steep: float) -> Any:
    """A bent line across the land."""
    rng = np.random.default_rng(seed)
    along = np.arange(-450.0, 450.0 + _STEP_M, _STEP_M)
    bend = 25 * np.sin(along / rng.uniform(60, 110) + rng.uniform(0, 6)) + rng.uniform(-90, 90)
    turn = np.arctan(steep)
    east = along * np.cos(turn) - bend * np.sin(turn)
    north = along * np.sin(turn) + bend * np.cos(turn)
    return shapely.LineString(np.round(np.column_stack([east, north]), 2))


def calm_protocol(*, headings: bool) -> Protocol:
    """The shipped protocol without trials; without headings, too: the sun has its own north."""
    protocol = load_protocol(None)
    change: dict[str, Any] = {"stability": protocol.stability.model_copy(update={"draws": 0})}
    if not headings:
        none = protocol.conditions.heading.model_copy(
            update={"ratio": 1.0, "low": 1.0, "high": 1.0}
        )
        change["conditions"] = protocol.conditions.model_copy(update={"heading": none})
    return protocol.model_copy(update=change)
