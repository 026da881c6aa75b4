"""The way in on foot: where to start, the quickest dry way to each spot, time there and back.

The ground is a net of points, one to a cell of about 5 m, each joined to its 16 neighbours. A step
costs the seconds that Tobler's hiking function gives it, uphill and downhill apart. The quickest
way through the net is Dijkstra's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, LineString, Point

from siting.grid import FloatArray
from siting.kernels.remembered import remembered
from siting.notes import Remark
from siting.settings.protocol_field import WalkRules
from siting.spot_parts import Walk
from siting.types import Land
from siting.walk.network import (
    IntArray,
    Net,
    Steps,
    Ways,
    all_steps,
    build_net,
    crossing_places,
    layer_shapes,
    nearest_cell,
    positions,
    step_cost_s,
    step_seconds,
    steps_along,
    tobler_km_per_h,
    ways_of,
)

_LOOSE_CELLS = 0.6
"""How far, in cells, the drawn line may leave the steps it stands for."""


@dataclass(frozen=True)
class Start:
    """Where the walk begins.

    `kind` is "given" (the user named it) or "road" (the nearest point of a road, and whether one
    may stop there or cross to the parcel is unknown). Metres in the grid's coordinate system.
    """

    easting: float
    northing: float
    kind: Literal["given", "road"]


def find_start(land: Land, *, toward: tuple[float, float]) -> Start | None:
    """Where to begin: the given way in, else the nearest road point to the parcel.

    Parameters
    ----------
    land : Land
    toward : (easting, northing), metres
        The first spot: of several points that would do, the one nearest to it is taken.

    Returns
    -------
    Start, or None when neither a way in nor a road lies on the ground that was read
    """
    goal = Point(toward)
    window = shapely.box(*land.grid.bounds)
    given = shapely.intersection(shapely.union_all(layer_shapes(land, "way_in")), window)
    if not given.is_empty:
        return _start_at(given, goal, kind="given")
    roads = shapely.intersection(shapely.union_all(layer_shapes(land, "roads")), window)
    if roads.is_empty:
        return None
    reached = shapely.intersection(roads, land.parcel_shape)
    if reached.is_empty:
        nearest = shapely.get_point(shapely.shortest_line(roads, land.parcel_shape), 0)
        return _start_at(nearest, goal, kind="road")
    # Where the road enters, not anywhere along it: inside the parcel one could start at any point.
    entries = shapely.intersection(roads, shapely.boundary(land.parcel_shape))
    return _start_at(reached if entries.is_empty else entries, goal, kind="road")


def _start_at(places: Geometry, goal: Point, *, kind: Literal["given", "road"]) -> Start:
    (easting, northing), _ = shapely.get_coordinates(shapely.shortest_line(places, goal))
    return Start(float(easting), float(northing), kind)


def ways_in(
    land: Land,
    places: Sequence[tuple[float, float]],
    *,
    rules: WalkRules,
    height_error_m: float = 0.0,
) -> tuple[tuple[Walk | None, ...], tuple[Remark, ...]]:
    """The walk to each place, best place first, and what was taken for granted about the way in.

    Parameters
    ----------
    land : Land
    places : sequence of (easting, northing), metres
    rules : WalkRules
    height_error_m : error of the elevations, metres: the climb is given no finer

    Returns
    -------
    (walks, notes) : one Walk to a place in the same order, None where there is none
    """
    if not places:
        return (), ()
    start = find_start(land, toward=places[0])
    walks: tuple[Walk | None, ...] = (None,) * len(places)
    if start is not None:
        # The net knows no error of its cells: what was read at one stands beside each walk.
        found = find_walks(land, start=start, targets=places, rules=rules)
        walks = tuple(walk and replace(walk, height_error_m=height_error_m) for walk in found)
    return walks, walk_remarks(start, walks, way_in_given="way_in" in land.vectors)


def find_walks(
    land: Land, *, start: Start, targets: Sequence[tuple[float, float]], rules: WalkRules
) -> tuple[Walk | None, ...]:
    """The quickest way on foot from the start to each target.

    Open water, livestock fields, buildings, ground marked as no-go and ground steeper than the
    rules say are never entered. A stream is crossed at a known place, or where a road, track or
    trail crosses it, unless the detour were longer than the rules say; the walk then counts it.

    Parameters
    ----------
    land : Land
    start : Start
    targets : sequence of (easting, northing), metres
    rules : WalkRules

    Returns
    -------
    tuple of Walk, one to a target in the same order; None where no way was found

    Notes
    -----
    Distances are those on the map, as in Tobler's rise per horizontal metre. A way over open
    ground is at most 2.75 % longer than the best one (16 neighbours), so times err on the long
    side. Memory is about 300 bytes a cell of the search, at most 300,000 cells.
    """
    if not targets:
        return ()
    ways = ways_of(land)
    net = build_net(land, ways, points=[(start.easting, start.northing), *targets], rules=rules)
    origin = nearest_cell(net, (start.easting, start.northing), usable=net.free)
    if origin is None:
        return (None,) * len(targets)
    seconds, before = _quickest(net, ways, origin=origin, rules=rules)
    fords = Fords(shapely.union_all(ways.streams), crossing_places(ways), rules.crossing_reach_m)
    # A spot behind a fence is led to from the nearest cell that can be reached, not from its own.
    reached = np.isfinite(seconds)
    found: list[Walk | None] = []
    for target in targets:
        goal = nearest_cell(net, target, usable=reached)
        cells = None if goal is None else _trace(before, goal)
        found.append(
            None
            if cells is None
            else _walk(net, cells, fords=fords, start=start, target=target, rules=rules)
        )
    return tuple(found)


class Fords(NamedTuple):
    """Streams, where they may be crossed (None: nowhere), and how near counts as there, metres."""

    streams: Geometry
    places: Geometry | None
    reach_m: float


@remembered()
def _quickest(
    net: Net, ways: Ways, *, origin: int, rules: WalkRules
) -> tuple[FloatArray, NDArray[np.int32]]:
    """Cost in seconds from a cell to each, infinite where no way leads, and the cell before it.

    Both (cells,), by flat index; the cell before is negative for the origin and where none is.
    """
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import dijkstra

    steps = all_steps(net)
    cost = step_cost_s(net, steps, ways=ways, rules=rules)
    # Older versions of the library take no wider whole numbers than those of steps.
    graph = csr_array((cost, (steps.tail, steps.head)), shape=(net.free.size, net.free.size))
    seconds, before = dijkstra(graph, indices=origin, return_predecessors=True)
    return seconds, before


def _trace(before: NDArray[np.int32], goal: int) -> IntArray:
    cells = [goal]
    while before[cells[-1]] >= 0:
        cells.append(int(before[cells[-1]]))
    return np.array(cells[::-1], dtype=np.int64)


def _walk(
    net: Net,
    cells: IntArray,
    *,
    fords: Fords,
    start: Start,
    target: tuple[float, float],
    rules: WalkRules,
) -> Walk:
    ends = ((start.easting, start.northing), target)
    line, gap_m = _drawn(net, cells, fords=fords, ends=ends)
    there = steps_along(net, cells)
    back = Steps(there.head, there.tail, there.run_m)
    # The bit between the net and a start or spot that lies off it: at the speed on flat ground.
    gap_s = gap_m * 3.6 / (float(tobler_km_per_h(0.0)) * rules.off_path_factor)
    factor = rules.off_path_factor
    rise = np.diff(net.height_m[cells])
    away = (net.outside & ~net.on_path)[there.head]
    known, unknown = _count_crossings(line, fords)
    return Walk(
        line=line,
        length_m=float(line.length),
        minutes_there=(float(step_seconds(net, there, off_path_factor=factor).sum()) + gap_s) / 60,
        minutes_back=(float(step_seconds(net, back, off_path_factor=factor).sum()) + gap_s) / 60,
        climb_m=float(rise[rise > 0].sum()),
        drop_m=abs(float(rise[rise < 0].sum())),
        start_kind=start.kind,
        outside_m=float(there.run_m[away].sum()),
        known_crossings=known,
        unknown_crossings=unknown,
        steepest_deg=float(np.nanmax(net.steep_deg[cells], initial=0.0)),
    )


def _drawn(
    net: Net,
    cells: IntArray,
    *,
    fords: Fords,
    ends: tuple[tuple[float, float], tuple[float, float]],
) -> tuple[LineString, float]:
    """The way as a plain line, and how much of it lies between the net and the two ends.

    Corners go where the straighter line keeps to free cells and crosses no further stream.
    """
    points = [(float(east), float(north)) for east, north in positions(net, cells)]
    gaps = [math.dist(points[0], ends[0]), math.dist(points[-1], ends[1])]
    own_cell = 0.75 * net.grid.cell_size_m
    inner = points[1 if gaps[0] < own_cell else 0 : -1 if gaps[1] < own_cell else None]
    whole = LineString([ends[0], *inner, ends[1]])
    gap_m = sum(gap for gap in gaps if gap >= own_cell)
    looser = LineString(
        shapely.get_coordinates(whole.simplify(_LOOSE_CELLS * net.grid.cell_size_m))
    )
    dry, looser_dry = (_count_crossings(drawn, fords) for drawn in (whole, looser))
    as_dry = looser_dry[1] <= dry[1] and sum(looser_dry) <= sum(dry)
    as_free = _blocked_m(net, looser) <= _blocked_m(net, whole)
    return (looser if as_dry and as_free else whole), gap_m


def _blocked_m(net: Net, line: LineString) -> float:
    """Metres of a line that lie in cells nobody may enter."""
    step_m = net.grid.cell_size_m / 4
    places = shapely.line_interpolate_point(line, np.arange(0.0, line.length, step_m))
    row, col = net.grid.rowcol(*shapely.get_coordinates(places).T)
    inside = net.grid.contains(row, col)
    blocked = ~net.free[(row * net.grid.n_cols + col)[inside]]
    return float(blocked.sum()) * step_m


def _count_crossings(line: LineString, fords: Fords) -> tuple[int, int]:
    """How often the line crosses a stream at a known place, and how often elsewhere."""
    hits = shapely.get_parts(shapely.intersection(line, fords.streams))
    hits = hits[~shapely.is_empty(hits)]
    known = (
        np.zeros(len(hits), dtype=bool)
        if fords.places is None
        else shapely.distance(hits, fords.places) <= fords.reach_m
    )
    return int(known.sum()), int(len(hits) - known.sum())


def walk_remarks(
    start: Start | None, walks: Sequence[Walk | None], *, way_in_given: bool
) -> tuple[Remark, ...]:
    """What was taken for granted about the way in, and to which spots no way was found."""
    if start is None:
        return (Remark("W-WALK-01"),)
    said = []
    if start.kind == "road":
        said.append(Remark("A-WALK-01", {"way_in_given": way_in_given}))
    missing = [rank for rank, walk in enumerate(walks, 1) if walk is None]
    unsure = [rank for rank, walk in enumerate(walks, 1) if walk and walk.unknown_crossings]
    # Spots are named by rank, as a reader sees them.
    for code, ranks in (("W-WALK-02", missing), ("W-WALK-03", unsure)):
        if ranks:
            said.append(Remark(code, {"ranks": tuple(ranks)}))
    return tuple(said)
