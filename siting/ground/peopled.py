"""Ground on which people live or walk, by the land cover: what was only guessed there is no sign.

A trail of unknown use, a valley line or a passage that the program worked out may draw animals.
Through parks, lawns and built-up ground the cover speaks against it: there it draws none.
"""

from __future__ import annotations

import numpy as np
import scipy
import shapely
from rasterio.features import shapes as outlines
from shapely.geometry import shape as geometry_of
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray
from siting.ground.distance import cells_covered, distance_everywhere, distance_to_cells
from siting.kernels.remembered import remembered
from siting.lengths import percent
from siting.types import BoolArray, CoverRole, Feature, Land, Note

_PEOPLED = (CoverRole.PARK, CoverRole.BUILT)
# A path along the rim of a park belongs to it; wider cells are less exact still.
_BESIDE_M = 15.0
# Where most of what lies this far around is parks, lawns and houses, a wood is theirs, and its
# paths are walked every day. Our choice.
_AROUND_M, _MOSTLY = 250.0, 0.5
# Features that stand on the shape of the ground or on the model alone.
DERIVED_KINDS = ("saddle", "valley crossing", "funnel")


@remembered("land")
def peopled_ground(land: Land) -> Geometry | None:
    """Parks, lawns and built-up ground with what is beside them; None where there are none."""
    mask = np.isin(land.role, _PEOPLED)
    if not mask.any():
        return None
    parts = outlines(mask.astype(np.uint8), mask=mask, transform=land.grid.transform)
    ground = shapely.union_all([geometry_of(outline) for outline, _ in parts])
    return shapely.buffer(ground, _beside_m(land))


@remembered("land")
def peopled_cells(land: Land) -> BoolArray | None:
    """(rows, cols) bool, the same ground as cells; None where there is none."""
    away = distance_to_cells(np.isin(land.role, _PEOPLED), cell_size_m=land.grid.cell_size_m)
    return None if away is None else np.asarray(away <= _beside_m(land))


@remembered("land")
def _walked_ground(land: Land) -> Geometry | None:
    """Where a path of unknown use is people's: their ground, and what lies mostly among it."""
    ground = peopled_ground(land)
    if ground is None:
        return None
    around = _share_around(np.isin(land.role, _PEOPLED), land) >= _MOSTLY
    parts = outlines(around.astype(np.uint8), mask=around, transform=land.grid.transform)
    return shapely.union_all([ground, *(geometry_of(outline) for outline, _ in parts)])


def _share_around(mask: BoolArray, land: Land) -> FloatArray:
    """Share, 0..1, of the known cover around each cell that the mask holds; (rows, cols)."""
    # An odd width, so that the cell itself is the middle.
    width = 2 * max(1, round(_AROUND_M / land.grid.cell_size_m)) + 1
    known = (land.role != CoverRole.UNKNOWN).astype(np.float64)
    held, whole = (
        scipy.ndimage.uniform_filter(values, width, mode="constant")
        for values in (mask.astype(np.float64), known)
    )
    share: FloatArray = np.divide(held, whole, out=np.zeros_like(held), where=whole > 1e-9)
    # Running sums differ in their last digits with where they begin.
    return np.round(share, 6)


def _beside_m(land: Land) -> float:
    return max(_BESIDE_M, land.cover_cell_m / 2.0)


def animal_trails(land: Land) -> list[tuple[Geometry, int]]:
    """Trails that may draw animals, each with its row in the layer of trails.

    Busy ones do not count, nor what of a trail of unknown use runs through or beside parks, lawns
    or built-up ground, or has mostly such ground around it: nobody has said that it is a quiet one,
    and the cover speaks against it.
    """
    if "trails" not in land.vectors:
        return []
    trails = land.vectors["trails"]
    peopled = _walked_ground(land) if (trails["use"] == "unknown").any() else None
    found = []
    for number, (line, use) in enumerate(zip(trails.geometry, trails["use"], strict=True)):
        if use == "unknown" and peopled is not None:
            line = shapely.difference(line, peopled)
        if use != "busy":
            found += [(part, number) for part in shapely.get_parts(line) if not part.is_empty]
    return found


@remembered("land")
def lawns(land: Land) -> BoolArray | None:
    """(rows, cols) bool, parks, lawns and verges where no place is named; None where none are.

    The land cover cannot tell a mown lawn from a wooded bank, and people are likely on both. Who
    drew a game trail, a quiet path or a crossing there knows more, and is believed.
    """
    lawn = land.role == CoverRole.PARK
    if not lawn.any():
        return None
    known = land.shapes("crossings")
    if "trails" in land.vectors:
        trails = land.vectors["trails"]
        known = [*known, *trails.geometry[trails["use"].isin(("game", "quiet"))]]
    return np.asarray(lawn & ~(distance_everywhere(known, grid=land.grid) <= _BESIDE_M))


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
        "Trails of unknown use through parks, lawns and built-up ground, or with mostly such "
        "ground around, were taken for people's: they draw no animals in the index. If some are "
        "game trails, say so in the column use."
    )
    return (Note("A-USE-02", "assumption", text),)


def valley_layers(
    lines: list[Geometry], shown: list[Geometry], land: Land
) -> dict[str, FloatArray]:
    """Metres to the nearest valley line, and to the nearest that draws; (rows, cols) each.

    It draws where it is deeper than the elevations' error (`shown`) and away from people, on whose
    ground the second is infinite. Floods go by the first.
    """
    plain_m = distance_everywhere(lines, grid=land.grid)
    return {
        "distance_to_valley_m": plain_m,
        "distance_to_quiet_valley_m": _quiet(shown, land),
    }


def _quiet(lines: list[Geometry], land: Land) -> FloatArray:
    ground, cells = peopled_ground(land), peopled_cells(land)
    if ground is None or cells is None:
        return distance_everywhere(lines, grid=land.grid)
    parts = [shapely.difference(line, ground) for line in lines]
    found = distance_everywhere([line for line in parts if not line.is_empty], grid=land.grid)
    return np.where(cells, np.float32(np.inf), found)


def quiet_ratio(ratio: FloatArray, land: Land) -> FloatArray:
    """Flow of travel against the ground around, without a unit; on ground of people at most 1."""
    cells = peopled_cells(land)
    return ratio if cells is None else np.where(cells, np.minimum(ratio, np.float32(1.0)), ratio)


def away_from_people(found: list[Feature], land: Land) -> list[Feature]:
    """The features without those that were worked out on the ground of people."""
    cells = peopled_cells(land)
    if cells is None:
        return found
    return [f for f in found if f.kind not in DERIVED_KINDS or not _on(cells, f, land)]


def _on(cells: BoolArray, feature: Feature, land: Land) -> bool:
    row, col = (int(at) for at in land.grid.rowcol(feature.easting, feature.northing))
    inside = 0 <= row < cells.shape[0] and 0 <= col < cells.shape[1]
    return inside and bool(cells[row, col])


def people_note(land: Land) -> tuple[Note, ...]:
    """A word where shapes or places of the parcel were left out as they lie on people's ground."""
    cells = peopled_cells(land)
    inside = cells_covered([land.parcel_shape], grid=land.grid)
    if cells is None or not (cells & inside).any():
        return ()
    text = (
        "Valley lines, passages and saddles that were worked out draw no animals in the index on "
        "parks, lawns and built-up ground of the land cover, or right beside them. No place is "
        "named on parks, lawns and verges, where people are likely, unless a game trail, a quiet "
        "path or a crossing is drawn there."
    )
    return (*_among_people(land, inside), Note("A-PARK-01", "assumption", text))


def _among_people(land: Land, inside: BoolArray) -> tuple[Note, ...]:
    """The warning of a parcel that is mostly gardens, lawns, parks and houses by the cover."""
    known = inside & (land.role != CoverRole.UNKNOWN)
    share = float((np.isin(land.role, _PEOPLED) & known).sum()) / max(int(known.sum()), 1)
    if share <= _MOSTLY:
        return ()
    text = (
        f"By the land cover {percent(share)} of this parcel is gardens, lawns, parks, verges and "
        "built-up ground: people are likely all over it. Ask who lives and walks there, and keep "
        "houses, gardens and paths out of the picture."
    )
    return (Note("W-PEOPLE-01", "warning", text),)
