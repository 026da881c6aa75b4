"""Shapes as the page wants them: whole decimetres from the upper left corner of the grid.

A shape is [kind, [ring or line, ...]]: "A" area, "L" line, "P" point. Each ring or line is a flat
list x0, y0, dx1, dy1, ... with x to the east and y to the south of the corner.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes
from shapely import LineString
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.types import BoolArray, NoGo, NoGoArray, Result

_STEPS_PER_M = 10.0
_BESIDE_M = 4.0
# Zones are drawn along the edges of the cells, so that no spot stands in a hatching that does not
# hold for it. Only where they have more corners than a phone can draw are they drawn more coarsely.
_MOST_ZONE_POINTS = 60_000

Flat = list[int]
Drawn = list[Any]


def along_tracks(walk: LineString, result: Result) -> LineString:
    """A walk with what runs beside a mapped trail or road laid on it.

    A walk is found from cell to cell, so beside a trail it zigzags within a cell or two of it.
    Only the drawing is moved: both ends, and what runs apart, stay where they are.
    """
    grid, vectors = result.land.grid, result.land.vectors
    tracks = [g for name in ("trails", "roads") if name in vectors for g in vectors[name].geometry]
    lines = [g for g in tracks if g is not None and shapely.get_dimensions(g) == 1]
    if not lines:
        return walk
    reach_m = max(_BESIDE_M, 1.5 * grid.cell_size_m)
    xy = shapely.get_coordinates(shapely.segmentize(walk, grid.cell_size_m))
    to_track = shapely.shortest_line(shapely.points(xy), shapely.union_all(lines))
    beside = np.asarray(shapely.length(to_track) <= reach_m)
    beside[[0, -1]] = False
    xy[beside] = shapely.get_coordinates(shapely.get_point(to_track, -1))[beside]
    return LineString(xy)


def flat(xy: FloatArray, grid: Grid) -> Flat:
    """(n, 2) easting, northing as the page's flat list of differences."""
    steps = np.rint(
        np.column_stack([xy[:, 0] - grid.left, grid.top - xy[:, 1]]) * _STEPS_PER_M
    ).astype(np.int64)
    # A point on the decimetre of the last one draws nothing: the page need not hold it.
    keep = np.r_[True, np.any(np.diff(steps, axis=0) != 0, axis=1)]
    steps = steps[keep]
    out: list[int] = np.diff(steps, axis=0, prepend=0).ravel().tolist()
    return out


def drawn(geometry: Geometry, grid: Grid) -> Iterator[Drawn]:
    """Each single part of a geometry, as the page draws it."""
    for part in shapely.get_parts(geometry):
        if part.is_empty:
            continue
        if part.geom_type == "GeometryCollection" or part.geom_type.startswith("Multi"):
            yield from drawn(part, grid)
        elif part.geom_type == "Polygon":
            rings = [part.exterior, *part.interiors]
            yield ["A", [flat(_xy(ring), grid) for ring in rings]]
        elif part.geom_type == "Point":
            yield ["P", [flat(_xy(part), grid)]]
        else:
            yield ["L", [flat(_xy(part), grid)]]


def shortened(geometry: Geometry, *, grid: Grid, tolerance_m: float) -> Geometry:
    """The part of a geometry on the grid, with fewer points."""
    cut = shapely.clip_by_rect(shapely.force_2d(geometry), *grid.bounds)
    return shapely.simplify(cut, tolerance_m, preserve_topology=True)


def parcel_window(no_go: NoGoArray, grid: Grid) -> tuple[Grid, slice, slice]:
    """The smallest part of the grid that holds every cell inside the parcel: its rows, columns."""
    inside = (no_go & NoGo.OUTSIDE.value) == 0
    row, col = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if not row.size:
        return grid, slice(None), slice(None)
    rows, cols = (slice(int(n[0]), int(n[-1]) + 1) for n in (row, col))
    part = grid.window(rows.start, cols.start, rows.stop - rows.start, cols.stop - cols.start)
    return part, rows, cols


def zone_areas(
    no_go: NoGoArray, rules: Sequence[NoGo], *, grid: Grid
) -> Iterator[tuple[NoGo, list[Geometry]]]:
    """Areas inside the parcel where each rule holds, drawn from the cells, larger ones first.

    A rule that holds nowhere is left out.
    """
    part, rows, cols = parcel_window(no_go, grid)
    bits = no_go[rows, cols]
    inside = (bits & NoGo.OUTSIDE.value) == 0
    for rule in rules:
        areas = cell_areas(((bits & rule.value) != 0) & inside, grid=part)
        if areas:
            # Bounds settle equal areas: the order, and with it the page, is the same every time.
            yield rule, sorted(areas, key=lambda area: (-area.area, area.bounds))


def cell_areas(hit: BoolArray, *, grid: Grid) -> list[Geometry]:
    """The patches of marked cells, along the edges of the cells."""
    if not hit.any():
        return []
    found = shapes(hit.astype(np.uint8), mask=hit, transform=grid.transform)
    return [shape(area) for area, _ in found]


def lighter(areas: list[Geometry], *, cell_size_m: float) -> list[Geometry]:
    """The same areas with fewer corners where a phone could not draw so many.

    Parameters
    ----------
    areas : shapes in metres
    cell_size_m : cell size they were drawn from, metres: no corner moves by much more
    """
    light, tolerance_m = areas, cell_size_m / 2.0
    while sum(shapely.get_num_coordinates(light)) > _MOST_ZONE_POINTS:
        light = [area.simplify(tolerance_m, preserve_topology=True) for area in areas]
        tolerance_m *= 1.5
        areas = [area for area in areas if area.area >= tolerance_m**2]
    return light


def label_points(areas: list[Geometry], *, smallest_m2: float) -> list[tuple[float, float, float]]:
    """(easting, northing, area in m2) inside each area of at least `smallest_m2`, metres."""
    points = []
    for area in areas:
        if area.area >= smallest_m2:
            inner = shapely.point_on_surface(area)
            points.append((inner.x, inner.y, area.area))
    return points


def _xy(geometry: Geometry) -> NDArray[np.float64]:
    return shapely.get_coordinates(geometry)
