"""Files that may be passed on: places made coarse, and nothing that leads back to the spot.

A map, a sheet or a GPX file shows private land exactly and is for the volunteer and the
coordinator. What is shared further holds the columns that say `public=True`, all spots at one
rounded place, and of each spot only words that very many cells share. A number such as the slope
would give the spot away: whoever has the same maps looks for the cells where it fits. So every
value is tried before it is written: where too little ground would remain possible, it is left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from siting import criteria
from siting.disk.files import canonical_json
from siting.grid import transformer
from siting.ground.distance import cells_covered
from siting.report.files import columns
from siting.report.files.columns import Column, SpotRow
from siting.report.files.tables import table
from siting.report.shared.credits import one_line
from siting.report.shared.facts import Facing, SpotFacts, plain, spot_facts, written_lon
from siting.types import BoolArray, NoGo, Parcel, Result

_METRES_PER_DEGREE = 111_320.0
# What must stay possible for every spot: 500 cells of 10 m, or a tenth of the parcel if that is
# more. Our choice: a wood of that size is not searched tree by tree.
LEAST_M2 = 500 * 10.0 * 10.0
LEAST_SHARE = 0.1
# The radius tells the size of the parcel to a whole kilometre and nothing of where a spot lies.
_RADIUS_STEP_M = 1000.0
# Whose land it is, somebody who tries to find the spot does not know; the rest they see on maps.
_UNSEEN = NoGo.OUTSIDE | NoGo.BOUNDARY | NoGo.USER | NoGo.RULED_OUT


@dataclass(frozen=True)
class Place:
    """The one place that all spots of a parcel are shown at.

    Parameters
    ----------
    lon, lat : degrees, rounded to `decimals`
    radius_m : float
        Covers rounding and parcel.
    possible : (rows, cols) bool, the ground within the radius where a camera might stand
    """

    lon: float
    lat: float
    decimals: int
    radius_m: int
    possible: BoolArray


def public_place(result: Result, *, decimals: int) -> Place:
    """The parcel's middle, rounded; coarser than asked where too little ground would be left.

    Parameters
    ----------
    result : Result
    decimals : int
        Digits kept of longitude and latitude; 2 is about 1.1 km north-south.
    """
    # A square by the sea or a lake may leave little land: then the next coarser one.
    for digits in range(decimals, -1, -1):
        place = _place(result, digits)
        if _area_m2(result, place.possible) >= _needed_m2(result):
            break
    return place


def _place(result: Result, decimals: int) -> Place:
    land = result.land
    middle = land.parcel_shape.centroid
    lon, lat = land.grid.to_lonlat.transform(middle.x, middle.y)
    lon, lat = written_lon(lon, decimals), round(lat, decimals)
    half_m = 0.5 * 10.0**-decimals * _METRES_PER_DEGREE
    size_m = math.sqrt(land.parcel_shape.envelope.area) + land.parcel_shape.hausdorff_distance(
        middle
    )
    # The diagonal: a corner of the square is farther from its middle than a side.
    reach_m = math.hypot(half_m, half_m * math.cos(math.radians(lat))) + size_m
    radius_m = math.ceil(reach_m / _RADIUS_STEP_M) * _RADIUS_STEP_M
    return Place(lon, lat, decimals, int(radius_m), _possible(result, lon, lat, radius_m))


def _possible(result: Result, lon: float, lat: float, radius_m: float) -> BoolArray:
    """Ground within the radius that no map closes; beyond the grid nothing is counted."""
    grid = result.land.grid
    at = transformer("EPSG:4326", grid.crs).transform(lon, lat)
    within = cells_covered([shapely.Point(at).buffer(radius_m)], grid=grid)
    # A searcher leaves out what maps show to be closed: such ground hides nothing.
    seen_closed = (result.no_go & np.uint16(~_UNSEEN & 0xFFFF)) != 0
    found: BoolArray = within & ~seen_closed & np.isfinite(result.land.dem)
    return found


def _needed_m2(result: Result) -> float:
    return max(LEAST_M2, LEAST_SHARE * float(result.land.parcel_shape.area))


def _area_m2(result: Result, cells: BoolArray) -> float:
    return float(cells.sum()) * result.land.grid.cell_size_m**2


def public_facts(result: Result, place: Place) -> tuple[SpotFacts, ...]:
    """The spots as they may be passed on: no name, no walk, no heading, no figure of the place."""
    shown = _Shown(result, place)
    return tuple(shown.of(fact) for fact in spot_facts(result))


class _Shown:
    """What may be said of each spot, by how much ground it would leave possible."""

    def __init__(self, result: Result, place: Place) -> None:
        self._result = result
        self._place = place
        self._kinds = _strongest(result)
        self._habitats = np.vectorize(lambda code: result.land.class_names.get(int(code), ""))(
            result.land.cover_code
        )
        self._inside = cells_covered([result.land.parcel_shape], grid=result.land.grid)

    def of(self, fact: SpotFacts) -> SpotFacts:
        """A spot with as many of its words as leave enough ground possible."""
        kind, habitat = next(words for words in self._choices(fact) if self._hides(*words))
        spot = replace(
            fact.spot, kind=kind, name="", aim=None, heading_words=None, walk=None, extent=None
        )
        return replace(
            fact, spot=spot, id=f"spot-{fact.spot.rank:02d}", title=f"Spot {fact.spot.rank}",
            lon=self._place.lon, lat=self._place.lat, search_radius_m=self._place.radius_m,
            habitat=habitat, facing=Facing(), walk=None, walk_along=(), stability="",
            stability_words="", why=(), pulled_down=(), check=(), cautions=(), elevation_m=None,
        )  # fmt: skip

    def _choices(self, fact: SpotFacts) -> Iterator[tuple[str, str]]:
        yield fact.spot.kind, fact.habitat
        yield "", fact.habitat
        yield fact.spot.kind, ""
        yield "", ""

    def _hides(self, kind: str, habitat: str) -> bool:
        """Whether enough ground fits the words, around the place and on the parcel itself."""
        if not kind and not habitat:
            return True
        fits = self._place.possible.copy()
        if kind:
            fits &= self._kinds == kind
        if habitat:
            fits &= self._habitats == habitat
        on_parcel = _area_m2(self._result, fits & self._inside)
        return (
            _area_m2(self._result, fits) >= _needed_m2(self._result)
            and on_parcel >= LEAST_SHARE * self._result.land.parcel_shape.area
        )


def _strongest(result: Result) -> Any:
    """The kind that each cell would be put forward for, (rows, cols) text; "" where none."""
    scores = result.scores
    names = [name for name in criteria.attractors() if name in scores.memberships]
    if not names:
        return np.full(result.no_go.shape, "")
    drawn = np.stack([np.nan_to_num(scores.memberships[n]) * scores.weights[n] for n in names])
    best = np.array(names)[drawn.argmax(axis=0)]
    return np.where(drawn.max(axis=0) > 0, best, "")


def public_result(result: Result) -> Result:
    """The result without parcel and layers, for the files that are made from it."""
    parcel = Parcel("", "", result.land.parcel.geometry, result.land.parcel.crs)
    return replace(result, land=replace(result.land, parcel=parcel, vectors={}))


def public_columns() -> tuple[Column[SpotRow], ...]:
    """What may be passed on: the columns whose rows say so, and no other."""
    return tuple(column for column in columns.COLUMNS if column.public)


def public_csv(result: Result, facts: Sequence[SpotFacts]) -> str:
    """One row to a spot with the public columns; `search_radius_m` covers rounding and parcel."""
    return table([column.name for column in public_columns()], [_row(result, f) for f in facts])


def _row(result: Result, fact: SpotFacts) -> dict[str, Any]:
    row = SpotRow(result.land.parcel, fact)
    return {column.name: column.cell(row) for column in public_columns()}


def public_geojson(result: Result, facts: Sequence[SpotFacts]) -> str:
    """The same as GeoJSON (RFC 7946), one point to a spot, all at the rounded place."""
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [fact.lon, fact.lat]},
            "properties": plain(_row(result, fact)),
        }
        for fact in facts
    ]
    collection: dict[str, Any] = {"type": "FeatureCollection", "features": features}
    if result.land.credits:
        collection["attribution"] = one_line(result.land.credits)
    return canonical_json(collection) + "\n"
