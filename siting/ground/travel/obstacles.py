"""What of the mapped things hinders travel: roads, buildings and ponds, as cells."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from siting.ground.distance import cells_covered, within
from siting.ground.quiet import ROAD_CLASSES
from siting.ground.shapes.mapped import (
    mapped_ponds,
)
from siting.kernels.remembered import remembered
from siting.types import BoolArray, Land

# Half the width over which a road of each class hinders animals, metres.
_ROAD_HALF_WIDTH_M = {"major": 10.0, "minor": 5.0, "track": 2.0}


@dataclass(frozen=True)
class Obstacles:
    """Cells on mapped roads (by class), buildings and ponds; (rows, cols) bool each."""

    roads: Mapping[str, BoolArray]
    buildings: BoolArray
    ponds: BoolArray


@remembered("land")
def obstacles(land: Land) -> Obstacles:
    """What of the mapped things hinders travel, as cells; no cell where nothing is mapped."""
    return Obstacles(
        roads={kind: _road_cells(land, kind) for kind in ROAD_CLASSES},
        buildings=cells_covered(land.shapes("buildings"), grid=land.grid, all_touched=True),
        ponds=cells_covered([pond.shape for pond in mapped_ponds(land)], grid=land.grid),
    )


def _road_cells(land: Land, kind: str) -> BoolArray:
    """Cells on a road of a class, by its usual width."""
    if "roads" not in land.vectors:
        return np.zeros(land.grid.shape, dtype=bool)
    roads = land.vectors["roads"]
    # At least half a cell, or a narrow road would miss every cell centre.
    half = max(_ROAD_HALF_WIDTH_M[kind], land.grid.cell_size_m / 2)
    return within(list(roads.geometry[roads["class"] == kind]), distance_m=half, grid=land.grid)
