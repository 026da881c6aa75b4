"""The areas where a camera must not stand, for the map, with their reasons."""

from __future__ import annotations

from typing import Any

from siting.grid import Grid
from siting.report.shared import drawing
from siting.settings.protocol_ground import NoGoRules
from siting.types import NoGo, NoGoArray
from siting.words.spot.no_go import REASONS, rule_text

# An area smaller than this square of cells, or than this many square metres, gets no name on the
# map: its pattern is in the key and a tap names it.
_NAMED_CELLS = 60
_NAMED_M2 = 400.0


def rules_data(set_backs: NoGoRules) -> list[dict[str, Any]]:
    """The rules for the page, by bit."""
    return [
        {
            "bit": bit.value,
            "key": str(bit.name).lower(),
            "label": row.label,
            "name": row.name,
            "text": rule_text(bit, set_backs),
            "layers": list(row.layers),
        }
        for bit, row in REASONS.items()
    ]


def zones_data(no_go: NoGoArray, *, grid: Grid) -> list[dict[str, Any]]:
    """The areas of each reason inside the parcel; a reason that does not occur is left out.

    Parameters
    ----------
    no_go : (rows, cols) bits of `NoGo`
    """
    smallest_m2 = max(_NAMED_CELLS * grid.cell_size_m**2, _NAMED_M2)
    found = []
    shown = [bit for bit in NoGo if bit is not NoGo.OUTSIDE]
    for bit, areas in drawing.zone_areas(no_go, shown, grid=grid):
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
