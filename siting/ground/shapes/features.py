"""Features found where mapped lines and areas meet: crossings, forks, pond ends, woods edges.

Shapes are in the grid's coordinate system, metres. What a thing is called comes from the layer:
its name, else its kind, else a plain word.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from siting.grid import Grid
from siting.ground.shapes.feature_order import apart
from siting.kernels.remembered import remembered
from siting.lengths import compass_word
from siting.types import CoverRole, Feature, RoleArray

if TYPE_CHECKING:
    from shapely import LineString, Point
    from shapely.geometry.base import BaseGeometry

# Ends of lines that were drawn to meet may still differ by centimetres.
_SAME_PLACE_M = 0.1
# A pond less longish than this is round: it has no ends to walk round.
_LONG_SHAPE = 1.2


@dataclass(frozen=True)
class Named:
    """A shape and what to call it in a sentence ("the cart track", "Mill Brook")."""

    shape: BaseGeometry
    called: str


def called(name: str, kind: str, *, otherwise: str) -> str:
    """What to call a mapped thing: its name as it stands, else "the" and its kind or a plain word.

    Examples
    --------
    >>> called("Mill Brook", "brook", otherwise="stream")
    'Mill Brook'
    >>> called("", "cart track", otherwise="trail"), called("", "", otherwise="trail")
    ('the cart track', 'the trail')
    """
    plain = " ".join(name.split())
    return plain or f"the {' '.join(kind.split()).lower() or otherwise}"


def meetings(
    lines: Sequence[Named],
    others: Sequence[Named],
    *,
    kind: str,
    words: str = "where {0} meets {1}",
    strength: float = 1.0,
    spacing_m: float = 20.0,
) -> list[Feature]:
    """Points where a line of the one set meets a line (or the rim of an area) of the other.

    Where two run along each other for a stretch, its two ends count. Of points nearer together
    than the spacing the first in the order of the layers is kept.

    Parameters
    ----------
    lines, others : sequences of Named
        Lines; areas among ``others`` count by their outline.
    kind : str
        Kind of the features.
    words : str
        Sentence with {0} for the line and {1} for the other.
    strength : float
        0..1.
    spacing_m : float
        Metres.
    """
    found: list[Feature] = []
    if not lines or not others:
        return found
    rims = [_line_work(other.shape) for other in others]
    tree = shapely.STRtree(rims)
    for line in lines:
        for index in sorted(tree.query(line.shape, predicate="intersects").tolist()):
            other = others[index].called
            told, short = words.format(line.called, other), f"{line.called} x {other}"
            places = _points(shapely.intersection(line.shape, rims[index]))
            found += [Feature(kind, east, north, strength, told, short) for east, north in places]
    return apart(found, spacing_m=spacing_m)


def forks(
    trails: Sequence[Named],
    *,
    kind: str = "trail fork",
    reach_m: float = 8.0,
    spacing_m: float = 20.0,
) -> list[Feature]:
    """Where lines fork or cross: three or more ways out, or an end within reach of another line.

    Hand-drawn lines often stop a few metres short of the one they join; ``reach_m`` is how far.
    ``kind`` is "trail fork" or "stream junction".
    """
    pieces = [
        Named(part, trail.called) for trail in trails for part in _parts(trail.shape) if part.length
    ]
    if not pieces:
        return []
    # The union cuts the lines wherever they meet: crossings without a vertex are found, too.
    network = shapely.get_parts(shapely.union_all([piece.shape for piece in pieces]))
    ends = np.concatenate([[part.coords[0], part.coords[-1]] for part in _parts_of(network)])
    place, times = np.unique(np.round(ends / _SAME_PLACE_M), axis=0, return_counts=True)
    found = [tuple(point) for point in (place[times >= 3] * _SAME_PLACE_M).tolist()]
    found += _near_touches(pieces, reach_m=reach_m)
    # From the north, then from the west: which of a close pair is kept must not hang on the file.
    found.sort(key=lambda point: (-point[1], point[0]))
    told = [
        Feature(kind, east, north, 0.8, *_fork_words(pieces, (east, north), reach_m, kind))
        for east, north in found
    ]
    return apart(told, spacing_m=spacing_m)


def pond_ends(ponds: Sequence[Named], *, least_m2: float, most_m2: float) -> list[Feature]:
    """Both ends of each pond that is longer than wide: animals walk round a pond at its ends.

    Ponds smaller than `least_m2` or larger than `most_m2` (square metres), and nearly round ones,
    have no ends that matter.
    """
    found = []
    for pond in ponds:
        if not least_m2 <= pond.shape.area <= most_m2:
            continue
        axis, long, short = _long_axis(pond.shape)
        if long < _LONG_SHAPE * short:
            continue
        rim = shapely.get_coordinates(pond.shape)
        middle = shapely.get_coordinates(pond.shape.centroid)[0]
        along = (rim - middle) @ axis
        for east, north in (rim[along.argmax()], rim[along.argmin()]):
            bearing = np.degrees(np.arctan2(east - middle[0], north - middle[1])) % 360
            words = f"{compass_word(float(bearing))} end of {pond.called}"
            found.append(Feature("pond end", float(east), float(north), 0.8, words))
    return found


def woods_edges(
    lines: Sequence[Named],
    role: RoleArray,
    *,
    grid: Grid,
    kind: str,
    least_run_m: float = 30.0,
) -> list[Feature]:
    """Where a line passes from open ground into woods, with a run of each on either side.

    Parameters
    ----------
    lines : sequence of Named
        Trails or streams.
    role : (rows, cols) int8
        `CoverRole` of each cell.
    grid : Grid
    kind : str
        "trail at woods edge" or "stream at woods edge".
    least_run_m : float
        The line must stay this long in the woods and this long in the open, metres.
    """
    found: list[Feature] = []
    for line in lines:
        found += _edges_along(line, role, grid=grid, kind=kind, least_run_m=least_run_m)
    return found


@remembered()
def _edges_along(
    line: Named, role: RoleArray, *, grid: Grid, kind: str, least_run_m: float
) -> list[Feature]:
    """The same of one line, so that after an edit only its line is looked at; in metres."""
    found = []
    verb = "enters" if kind.startswith("trail") else "meets the edge of"
    for part in _parts(line.shape):
        step = grid.cell_size_m / 2
        at = np.arange(step / 2, part.length, step)
        points = shapely.get_coordinates(shapely.line_interpolate_point(part, at))
        for index in _changes(_roles_at(points, role, grid), least_run_m / step):
            east, north = (points[index - 1] + points[index]) / 2
            words, short = f"where {line.called} {verb} the woods", f"{line.called} at woods"
            found.append(Feature(kind, float(east), float(north), 0.6, words, short))
    return found


def known_crossings(points: Sequence[Named]) -> list[Feature]:
    """Logs, fords and gaps that the user drew; a line or area counts by its middle."""
    middles = [shapely.get_coordinates(point.shape.centroid)[0] for point in points]
    return [
        Feature("known crossing", float(east), float(north), 1.0, point.called)
        for point, (east, north) in zip(points, middles, strict=True)
    ]


def _line_work(shape: BaseGeometry) -> BaseGeometry:
    return shape.boundary if "Polygon" in shape.geom_type else shape


def _parts_of(shapes: Iterable[BaseGeometry]) -> list[LineString]:
    return [part for shape in shapes for part in _parts(shape)]


def _parts(shape: BaseGeometry) -> list[LineString]:
    """The line strings of a shape."""
    return [p for p in shapely.get_parts(shape).tolist() if p.geom_type == "LineString"]


def _points(shape: BaseGeometry) -> list[tuple[float, float]]:
    """The points of an intersection; of a stretch in common its ends."""
    out = []
    for part in shapely.get_parts(shape).tolist():
        coords = list(part.coords) if part.geom_type in ("Point", "LineString") else []
        out += [coords[0], coords[-1]] if len(coords) > 1 else coords
    return [(float(x), float(y)) for x, y in out]


def _near_touches(pieces: Sequence[Named], *, reach_m: float) -> list[tuple[float, float]]:
    tree = shapely.STRtree([piece.shape for piece in pieces])
    out = []
    for index, piece in enumerate(pieces):
        for end in _ends(piece.shape):
            for other in sorted(tree.query(end, predicate="dwithin", distance=reach_m).tolist()):
                line = pieces[other].shape
                if other == index or shapely.intersects(piece.shape, line):
                    continue
                where = line.interpolate(line.project(end))
                from_its_ends = min(where.distance(other_end) for other_end in _ends(line))
                if from_its_ends > reach_m:  # two ends that nearly meet are one trail, no fork
                    out.append((float(where.x), float(where.y)))
    return out


def _ends(line: BaseGeometry) -> list[Point]:
    coords = shapely.get_coordinates(line)
    return [shapely.Point(coords[0]), shapely.Point(coords[-1])]


def _fork_words(
    pieces: Sequence[Named], place: tuple[float, float], reach_m: float, kind: str
) -> tuple[str, str]:
    """What a fork is called, and the same in short."""
    here = shapely.Point(place)
    near = [piece.called for piece in pieces if piece.shape.distance(here) <= reach_m]
    names = list(dict.fromkeys(near))
    if len(names) > 1:
        return f"where {names[0]} meets {names[1]}", f"{names[0]} x {names[1]}"
    if kind == "stream junction":
        return "where two streams meet", "two streams meet"
    return f"fork of {names[0]}", ""


def _long_axis(shape: BaseGeometry) -> tuple[NDArray[np.float64], float, float]:
    """Unit vector of the longer side of the tightest box around a shape, and both lengths."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    sides = np.diff(corners, axis=0)[:2]
    lengths = np.hypot(*sides.T)
    longer = int(lengths.argmax())
    axis = sides[longer] / lengths[longer]
    # the same box may start at any corner: fix the sense, so that the order of ends is fixed
    if (axis[1], axis[0]) < (0.0, 0.0):
        axis = -axis
    return axis, float(lengths.max()), float(lengths.min())


def _roles_at(points: NDArray[np.float64], role: RoleArray, grid: Grid) -> NDArray[np.int64]:
    """1 woods, -1 open ground, 0 anything else or off the map."""
    row, col = grid.rowcol(points[:, 0], points[:, 1])
    inside = grid.contains(row, col)
    seen = np.full(len(points), int(CoverRole.UNKNOWN))
    seen[inside] = role[row[inside], col[inside]]
    woods = seen == CoverRole.TREE
    open_ground = np.isin(seen, [CoverRole.GRASS, CoverRole.CROP, CoverRole.PASTURE])
    return np.asarray(woods.astype(np.int64) - open_ground)


def _changes(side: NDArray[np.int64], least_run: float) -> list[int]:
    """Positions where woods and open ground change, each with a long enough run on both sides."""
    starts = np.flatnonzero(np.diff(side, prepend=side[:1] + 2))
    lengths = np.diff(np.append(starts, side.size))
    out = []
    for k in range(1, len(starts)):
        changed = side[starts[k - 1]] * side[starts[k]] == -1
        if changed and min(lengths[k - 1], lengths[k]) >= least_run:
            out.append(int(starts[k]))
    return out
