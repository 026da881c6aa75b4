"""The sheet's page of the places drawn at random: a map of them, and a table to fill in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from markupsafe import Markup
from shapely import Geometry

from siting.lengths import length
from siting.report.paper.ground_window import window_around
from siting.report.paper.plan import plan
from siting.report.shared.lonlat import degree_text
from siting.report.shared.text import land_name
from siting.types import Result
from siting.words.spot.random_places import SHEET_NOTE, how_at_random

_WIDTH_MM, _HEIGHT_MM = 186.0, 105.0


@dataclass(frozen=True)
class DrawnPage:
    """What the template prints of the places drawn at random.

    map : the parcel with all of them
    rows : one place each, by column
    how, note : what to do at each, and what the squares mean
    """

    map: Markup
    rows: tuple[dict[str, str], ...]
    how: str
    note: str


def drawn_page(result: Result, *, shut: Sequence[Geometry]) -> DrawnPage | None:
    """The page, or None where no places were drawn.

    `shut` are the areas where no camera may stand, see `plan.shut_areas`.
    """
    if not result.random_places:
        return None
    bounds = shapely.buffer(result.land.parcel_shape, 15.0).bounds
    window = window_around(bounds, width_mm=_WIDTH_MM, height_mm=_HEIGHT_MM, key="drawn")
    label = land_name(result.land.parcel)
    title = f"Map of {label} with the places drawn at random"
    drawn = result.random_places
    return DrawnPage(
        map=Markup(plan(result, window, facts=(), shut=shut, title=title, drawn=drawn)),
        rows=tuple(_rows(result)),
        how=how_at_random(result.land.grid.latitude_deg),
        note=SHEET_NOTE,
    )


def _rows(result: Result) -> list[dict[str, str]]:
    to_lonlat = result.land.grid.to_lonlat
    rows = []
    for place in result.random_places:
        lon, lat = to_lonlat.transform(place.easting, place.northing, errcheck=True)
        rows.append(
            {
                "sign": place.sign,
                "kind": "spare" if place.spare else "place",
                "stratum": place.stratum,
                "degrees": degree_text(lon, lat),
                "reach": length(place.reach_m),
                "tree": "" if place.tree_m is not None else "no tree mapped: bring a post",
            }
        )
    return rows
