"""Files that may be passed on: places made coarse, and nothing that tells whose land it is.

A map, a sheet or a GPX file shows private land exactly and is for the volunteer and the
coordinator. What is shared further keeps the figures of a spot and loses its exact place, the
parcel, the layers, the names and the walk.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from siting.files import text_hash
from siting.report.files import columns
from siting.report.files.columns import Column, SpotRow
from siting.report.files.tables import table
from siting.report.shared.facts import SpotFacts, plain
from siting.types import Parcel, Result, Spot

_METRES_PER_DEGREE = 111_320.0


def public_result(result: Result, *, decimals: int) -> Result:
    """The result with a made-up parcel name and spots without names, walks and exact places.

    Parameters
    ----------
    result : Result
    decimals : int
        Digits kept of longitude and latitude; 2 is about 1.1 km north-south.
    """
    outline = result.land.parcel_shape.wkb_hex
    name = f"place-{text_hash(f'{result.land.parcel.id}|{outline}')[:10]}"
    parcel = Parcel(name, "", result.land.parcel.geometry, result.land.parcel.crs)
    spots = tuple(_coarse(spot, decimals) for spot in result.spots)
    return replace(result, land=replace(result.land, parcel=parcel), spots=spots)


def _coarse(spot: Spot, decimals: int) -> Spot:
    """A spot at a rounded place, with a search radius that covers the rounding."""
    half = 0.5 * 10.0**-decimals * _METRES_PER_DEGREE
    off = math.hypot(half, half * math.cos(math.radians(spot.lat)))
    return replace(
        spot,
        name="",
        lon=round(spot.lon, decimals),
        lat=round(spot.lat, decimals),
        search_radius_m=math.ceil(spot.search_radius_m + off),
        walk=None,
    )


def public_columns() -> tuple[Column[SpotRow], ...]:
    """What may be passed on: the columns whose rows say so, and no other."""
    return tuple(column for column in columns.COLUMNS if column.public)


def public_csv(result: Result, facts: Sequence[SpotFacts]) -> str:
    """One row to a spot with the public columns; `search_radius_m` covers the rounding."""
    return table(
        [column.name for column in public_columns()], [_row(result, fact) for fact in facts]
    )


def _row(result: Result, fact: SpotFacts) -> dict[str, Any]:
    row = SpotRow(result.land.parcel, fact)
    return {column.name: column.cell(row) for column in public_columns()}


def public_geojson(result: Result, facts: Sequence[SpotFacts]) -> str:
    """The same as GeoJSON (RFC 7946), one point to a spot at its rounded place."""
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [fact.lon, fact.lat]},
            "properties": plain(_row(result, fact)),
        }
        for fact in facts
    ]
    collection = {"type": "FeatureCollection", "features": features}
    return json.dumps(collection, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
