"""Why a camera must not stand somewhere: the words, and the areas on the map."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from siting.grid import Grid
from siting.ground.no_go import LABELS
from siting.lengths import length
from siting.report.shared import drawing
from siting.settings.protocol import NoGoRules
from siting.types import NoGo, NoGoArray

# An area smaller than this square of cells, or than this many square metres, gets no name on the
# map: its pattern is in the key and a tap names it.
_NAMED_CELLS = 60
_NAMED_M2 = 400.0


@dataclass(frozen=True)
class Rule:
    """One reason: what it is called, the rule in a sentence, and the layers it is measured from."""

    label: str
    text: str
    layers: tuple[str, ...] = ()


_LAYERS: dict[NoGo, tuple[str, ...]] = {
    NoGo.WATER: ("water",),
    NoGo.ROAD: ("roads",),
    NoGo.BUILDING: ("buildings",),
    NoGo.FEEDER: ("feeders",),
    NoGo.LIVESTOCK: ("livestock",),
    NoGo.USER: ("no_go",),
}


def rules(set_backs: NoGoRules) -> dict[NoGo, Rule]:
    """The words for every reason, with the protocol's set-backs."""
    return {
        bit: Rule(LABELS[bit], text, _LAYERS.get(bit, ()))
        for bit, text in _texts(set_backs).items()
    }


def _texts(set_backs: NoGoRules) -> dict[NoGo, str]:
    away = {
        name: length(getattr(set_backs, name))
        for name in NoGoRules.model_fields
        if name.endswith("_m")
    }
    return {
        NoGo.OUTSIDE: "Permission to be there ends at the parcel's line.",
        NoGo.BOUNDARY: f"Keep {away['boundary_m']} inside the boundary: map lines are approximate.",
        NoGo.NO_DATA: "The maps say nothing about this ground.",
        NoGo.WATER: f"Keep {away['water_m']} from open water and from streams.",
        NoGo.ROAD: f"Keep {away['road_major_m']} from a major road, {away['road_minor_m']} from a "
        f"minor road, {away['road_track_m']} from a drive or track used by vehicles.",
        NoGo.BUILDING: f"Keep {away['building_m']} from any building.",
        NoGo.FEEDER: f"Keep {away['feeder_m']} from a feeder, salt lick or other artificial "
        "feeding.",
        NoGo.LIVESTOCK: f"Keep {away['livestock_m']} from a field with livestock.",
        NoGo.STEEP: f"The ground is steeper than {set_backs.steep_deg:g} degrees.",
        NoGo.BUILT_COVER: "The land-cover map shows built-up ground here, or within "
        f"{away['built_cover_m']} where houses and roads are not both mapped.",
        NoGo.USER: "The owner or coordinator wants this left alone.",
        NoGo.RULED_OUT: "Someone was here and ruled the place out.",
    }


def rules_data(set_backs: NoGoRules) -> list[dict[str, Any]]:
    """The rules for the page, by bit."""
    return [
        {
            "bit": bit.value,
            "key": str(bit.name).lower(),
            "label": rule.label,
            "name": re.sub("^too near (a|the) ", "", rule.label),
            "text": rule.text,
            "layers": list(rule.layers),
        }
        for bit, rule in rules(set_backs).items()
    ]


def zones_data(no_go: NoGoArray, *, grid: Grid) -> list[dict[str, Any]]:
    """The areas of each reason inside the parcel; a reason that does not occur is left out."""
    smallest_m2 = max(_NAMED_CELLS * grid.cell_size_m**2, _NAMED_M2)
    found = []
    told = [bit for bit in NoGo if bit is not NoGo.OUTSIDE]
    for bit, areas in drawing.zone_areas(no_go, told, grid=grid):
        light = drawing.lighter(areas, cell_size_m=grid.cell_size_m)
        names = drawing.label_points(areas, smallest_m2=smallest_m2)
        found.append(
            {
                "bit": bit.value,
                "shapes": [part for area in light for part in drawing.drawn(area, grid)],
                "names": [_place(easting, northing, grid) for easting, northing, _ in names[:40]],
                "area_m2": round(sum(area.area for area in areas)),
            }
        )
    return found


def _place(easting: float, northing: float, grid: Grid) -> list[int]:
    return [round((easting - grid.left) * 10), round((grid.top - northing) * 10)]
