"""Which trails are taken for ways of animals, and which for people's."""

from __future__ import annotations

import numpy as np
import shapely
from rasterio.features import shapes as outlines
from shapely.geometry import shape as geometry_of
from shapely.geometry.base import BaseGeometry as Geometry

from siting.types import CoverRole, Land, Note

# Cover where people walk: a path of unknown use through it is most likely theirs.
_PEOPLED = (CoverRole.PARK, CoverRole.BUILT)
# A path along the rim of a park belongs to it; wider cells are less exact still.
_BESIDE_M = 15.0


def animal_trails(land: Land) -> list[tuple[Geometry, int]]:
    """Trails that may draw animals, each with its row in the layer of trails.

    Busy ones do not count, nor what of a trail of unknown use runs through or beside parks, lawns
    or built-up ground: nobody has said that it is a quiet one, and the cover speaks against it.
    """
    if "trails" not in land.vectors:
        return []
    trails = land.vectors["trails"]
    peopled = _peopled_ground(land) if (trails["use"] == "unknown").any() else None
    found = []
    for number, (line, use) in enumerate(zip(trails.geometry, trails["use"], strict=True)):
        if use == "unknown" and peopled is not None:
            line = shapely.difference(line, peopled)
        if use != "busy":
            found += [(part, number) for part in shapely.get_parts(line) if not part.is_empty]
    return found


def through_parks(land: Land) -> tuple[Note, ...]:
    """A word where trails of unknown use were taken for people's."""
    if "trails" not in land.vectors:
        return ()
    trails = land.vectors["trails"]
    whole_m = float(trails.geometry[trails["use"] != "busy"].length.sum())
    counted_m = sum(line.length for line, _ in animal_trails(land))
    if whole_m - counted_m < 1.0:
        return ()
    text = (
        "Trails of unknown use through parks, lawns and built-up ground were taken for people's: "
        "they draw no animals in the index. If some are game trails, say so in the column use."
    )
    return (Note("A-USE-02", "assumption", text),)


def _peopled_ground(land: Land) -> Geometry | None:
    mask = np.isin(land.role, _PEOPLED)
    if not mask.any():
        return None
    parts = outlines(mask.astype(np.uint8), mask=mask, transform=land.grid.transform)
    ground = shapely.union_all([geometry_of(outline) for outline, _ in parts])
    return shapely.buffer(ground, max(_BESIDE_M, land.cover_cell_m / 2.0))
