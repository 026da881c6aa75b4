"""What is mapped on a piece of land that cautions are about, gathered once for all its spots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.types import Land

# As near to a road one walks beside its traffic.
_BESIDE_M = 10.0


@dataclass(frozen=True)
class Mapped:
    """The shapes that cautions ask about.

    `busy_roads` is the ground on and beside roads with through or village traffic, `dem_cell_m` the
    width of the elevations' cells in metres; shapes are in metres, too.
    """

    water: Sequence[Geometry]
    valleys: Sequence[Geometry]
    livestock: Sequence[Geometry]
    roads: Sequence[Geometry]
    people: Sequence[Geometry]
    unknown_trails: Sequence[Geometry]
    boundary: Geometry
    busy_roads: Geometry
    dem_cell_m: float


def mapped(land: Land, valley_lines: Sequence[Geometry] = ()) -> Mapped:
    """What of a piece of land cautions ask about.

    `valley_lines` are worked out from the elevations, where no water layer was given.
    """
    trails = land.vectors.get("trails")
    busy: list[Geometry] = []
    unknown: list[Geometry] = []
    if trails is not None and "use" in trails.columns:
        # A quiet trail brings few people and a game trail none; unknown use is said as such.
        busy = list(trails.geometry[trails["use"] == "busy"])
        unknown = list(trails.geometry[trails["use"] == "unknown"])
    return Mapped(
        water=land.shapes("water"),
        valleys=valley_lines,
        livestock=land.shapes("livestock"),
        roads=land.shapes("roads"),
        people=[*land.shapes("buildings"), *busy],
        unknown_trails=unknown,
        # The line and not the area, from which a place on the parcel is 0 m away.
        boundary=shapely.boundary(land.parcel_shape),
        busy_roads=_beside_busy_roads(land),
        dem_cell_m=land.dem_cell_m,
    )


def _beside_busy_roads(land: Land) -> Geometry:
    """The ground on or beside major and minor roads; empty where there are none."""
    frame = land.vectors.get("roads")
    if frame is None or frame.empty:
        return shapely.Polygon()
    # A farm track has too little traffic to warn of.
    busy = np.asarray(frame.geometry[frame["class"] != "track"], dtype=object)
    return shapely.union_all(shapely.buffer(busy, _BESIDE_M))
