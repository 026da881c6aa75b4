"""What is drawn on the map, by what it is called: quiet trails, streams, ponds, crossings."""

from __future__ import annotations

import numpy as np
import shapely
from rasterio.features import shapes
from shapely.geometry.base import BaseGeometry as Geometry

from siting.ground.peopled import animal_trails
from siting.ground.shapes.features import Named, called
from siting.types import CoverRole, Land, RoleArray


def named_shapes(land: Land, layer: str, otherwise: str) -> list[Named]:
    """The shapes of a layer, each with what to call it; none where the layer was not given."""
    if layer not in land.vectors:
        return []
    frame = land.vectors[layer]
    rows = zip(frame.geometry, frame["name"], frame["kind"], strict=True)
    return [Named(shape, called(name, kind, otherwise=otherwise)) for shape, name, kind in rows]


def quiet_trails(land: Land) -> list[Named]:
    """Trails that may draw animals; where many people walk, no feature of theirs is a spot."""
    named = named_shapes(land, "trails", "trail")
    return [Named(line, named[number].called) for line, number in animal_trails(land)]


def mapped_streams(land: Land) -> list[Named]:
    """Lines of the water layer."""
    return [n for n in named_shapes(land, "water", "stream") if "LineString" in n.shape.geom_type]


def mapped_ponds(land: Land) -> list[Named]:
    """Areas of the water layer."""
    return [n for n in named_shapes(land, "water", "pond") if "Polygon" in n.shape.geom_type]


def ponds_of_cells(land: Land, role: RoleArray) -> list[Geometry]:
    """Outlines of the ponds that only the land cover knows, along the edges of its cells.

    `role` is (rows, cols) int8, `CoverRole` of each cell.
    """
    mapped = [shape for shape in land.shapes("water") if "Polygon" in shape.geom_type]
    wet = role == CoverRole.WATER
    patches = shapes(wet.astype(np.uint8), mask=wet, connectivity=8, transform=land.grid.transform)
    found = [shapely.geometry.shape(outline) for outline, _ in patches]
    return [pond for pond in found if not any(pond.intersects(other) for other in mapped)]
