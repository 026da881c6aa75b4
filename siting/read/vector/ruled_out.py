"""What a place ruled out takes with it, so that a re-run never offers the same thing 20 m on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from shapely import Point
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry as Geometry

from siting.decisions.history import last_states, point_of
from siting.decisions.model import Record
from siting.grid import Grid, transformer
from siting.settings.protocol_field import DecisionRules

Closed = tuple[Geometry, float]


@dataclass
class Effects:
    """What records close on a grid.

    Parameters
    ----------
    closed : (shape in the grid's coordinate system, metres around it) pairs
    busy_trails : rows of the trail layer that people use
    places : how many places ruled out lie on the grid
    """

    closed: list[Closed] = field(default_factory=list)
    busy_trails: list[int] = field(default_factory=list)
    places: int = 0


def effects_of(
    records: Iterable[Record], *, grid: Grid, vectors: Mapping[str, Any], rules: DecisionRules
) -> Effects:
    """What the places ruled out close, by their reasons.

    "people" closes the trail (or the crossing) they use as far as it goes, "owner" an area, every
    other reason a circle: at least `rules.again_m`, or the same thing would come back beside it.

    Parameters
    ----------
    records : of one parcel
    grid : Grid
    vectors : mapping from layer name to GeoDataFrame in the grid's coordinate system
    rules : DecisionRules
    """
    out = Effects()
    to_grid = transformer("EPSG:4326", grid.crs)
    for record in last_states(records).values():
        point = point_of(record)
        if record.state != "ruled out" or point is None:
            continue
        here = Point(to_grid.transform(*point))
        if not grid.contains(*grid.rowcol(here.x, here.y)):
            continue
        out.places += 1
        # At least the rule's: a place ruled out must not come back a few steps aside.
        around_m = max(record.radius_m or 0.0, rules.again_m)
        if record.reason == "owner":
            out.closed.append(_owned(record, here, to_grid, max(around_m, rules.owner_m)))
            continue
        out.closed.append((here, around_m))
        if record.reason == "people":
            _close_ways(out, here, vectors, rules)
    return out


def _owned(record: Record, here: Point, to_grid: Any, around_m: float) -> Closed:
    if record.area is None:
        return here, around_m
    area = shapely.make_valid(shape(record.area), method="structure", keep_collapsed=False)
    moved = shapely.transform(area, lambda xy: np.column_stack(to_grid.transform(*xy.T)))
    return moved, 0.0


def _close_ways(
    out: Effects, here: Point, vectors: Mapping[str, Any], rules: DecisionRules
) -> None:
    """The nearest trail and crossing that people may mean: along the trail as far as it goes."""
    for name, row in _ways_near(here, vectors, rules):
        out.closed.append((vectors[name].geometry.iloc[row], rules.people_m))
        if name == "trails":
            out.busy_trails.append(row)


def _ways_near(
    here: Point, vectors: Mapping[str, Any], rules: DecisionRules
) -> Iterator[tuple[str, int]]:
    for name in ("trails", "crossings"):
        frame = vectors.get(name)
        if frame is None or frame.empty:
            continue
        away = frame.geometry.distance(here).to_numpy()
        row = int(np.nanargmin(away))
        if away[row] <= rules.way_near_m:
            yield name, row


def taken_with(
    here: Point, others: Sequence[Point], vectors: Mapping[str, Any], rules: DecisionRules
) -> list[int]:
    """Numbers of the places that a re-run closes, too, once people are reported at one place.

    Parameters
    ----------
    here, others : in the grid's coordinate system, as are `vectors`
    rules : DecisionRules
    """
    ways = [vectors[name].geometry.iloc[row] for name, row in _ways_near(here, vectors, rules)]
    return [
        number
        for number, other in enumerate(others)
        if any(way.distance(other) <= rules.people_m for way in ways)
    ]
