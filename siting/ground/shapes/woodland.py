"""Features that show in the land cover: corners of fields, points and strips of woods."""

from __future__ import annotations

import math

import numpy as np
import scipy
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid
from siting.ground.cover import OPEN_ROLES
from siting.ground.distance import cells_to
from siting.ground.known import cells_to_unknown
from siting.ground.neighbourhood import PLAIN, counts_at, disc_of, feature_at, peaks
from siting.kernels.remembered import remembered
from siting.types import BoolArray, CoverRole, Feature, RoleArray

IndexArray = NDArray[np.int64]
# Share of the rim of a strip or point that must be open ground for it to stand out.
_OPEN_RIM = 0.6
_EIGHT = np.ones((3, 3), dtype=bool)


@remembered()
def field_corners(
    role: RoleArray,
    *,
    grid: Grid,
    source_cell_m: float = 0.0,
    radius_m: float = 60.0,
    spacing_m: float = 80.0,
    weakest: float = PLAIN,
) -> list[Feature]:
    """Corners of the line where woods meet open ground.

    On a straight edge half of the disc around an edge cell is woods; in the corner of a field
    with woods on two sides about three quarters are, at the corner of a wood about one quarter.
    No corner is found where part of the disc is not known, and none at all in cover whose cells
    are too wide for the disc to show one.

    Parameters
    ----------
    role : (rows, cols) int8
        `CoverRole` of each cell, small patches already removed.
    grid : Grid
    source_cell_m : float
        Cell size of the land-cover file, metres; 0 = that of the grid.
    radius_m : float
        Radius of the disc, metres; at least three and a half cells of the file are taken, or
        the steps of a slanting edge would be corners. Two of them must go into it.
    spacing_m : float
        Of corners nearer together only the sharpest is kept, metres.
    weakest : float
        Least strength, 0..1.

    Returns
    -------
    list of Feature
        Kinds "field corner" (the field ends in a corner of woods) and "woods corner" (the woods
        stand out into the field, which bends round them: what many call an inside corner),
        strength 0 at 150 degrees, 0.5 at 120, 1 at 90 degrees or sharper.
    """
    woods = role == CoverRole.TREE
    fields = np.isin(role, OPEN_ROLES)
    if source_cell_m > radius_m / 2:
        return []
    least_m = 3.5 * max(source_cell_m, grid.cell_size_m)
    cells = max(radius_m, least_m) / grid.cell_size_m
    if least_m > radius_m:
        # Beside so small a disc a single cell that stands out from a straight edge is a corner.
        woods, fields = _without_stubs(
            woods, fields, cells=max(source_cell_m / grid.cell_size_m, 1)
        )
    edge = (
        scipy.ndimage.binary_dilation(woods) & fields
        | scipy.ndimage.binary_dilation(fields) & woods
    )
    edge &= cells_to_unknown(role != CoverRole.UNKNOWN) > cells
    row, col = np.nonzero(edge)
    n_woods, n_fields = (counts_at(m, row, col, radius_cells=cells) for m in (woods, fields))
    n_both = n_woods + n_fields
    # The centre of an edge cell lies half a cell off the edge: move the chord there.
    shift = np.where(woods[row, col], -1.0, 1.0) / (np.pi * cells)
    # Water or brush in more than a seventh of the disc makes its shares say nothing of corners.
    kept = n_both >= 0.85 * disc_of(cells).sum()
    # A corner has one side of woods and one of field; along a strip they alternate.
    kept[kept] = _changes_around(woods, np.column_stack([row, col])[kept], cells) <= 2
    row, col = row[kept], col[kept]
    share = np.full(role.shape, 0.5)
    share[row, col] = n_woods[kept] / n_both[kept] + shift[kept]
    found = []
    for kind, sharp, words in (
        ("field corner", share - 0.5, "corner of the field, woods on two sides"),
        ("woods corner", 0.5 - share, "corner of the woods, field on two sides"),
    ):
        # Half the disc less the angle's share: 30 degrees of a bend are a twelfth.
        least = (1 + weakest / PLAIN) / 12
        for at in peaks(sharp, least=least, spacing_cells=spacing_m / grid.cell_size_m):
            strength = min(1.0, 6 * (sharp[at] - 1 / 12))
            found.append(
                feature_at(kind, *at, grid=grid, strength=strength, words=words, short=kind)
            )
    return found


def _without_stubs(
    woods: BoolArray, fields: BoolArray, *, cells: float
) -> tuple[BoolArray, BoolArray]:
    """Woods and open ground without what is one cell of the file wide, each given to the other.

    `cells` is how many cells of the grid one of the file is wide.
    """
    # One and a half: wider than one cell of the file, narrower than two, also where they are askew.
    side = max(2, math.floor(1.5 * cells))
    block = np.ones((side, side), dtype=bool)
    # Beyond the array everything goes on as at its edge.
    padded = [np.pad(mask, side, mode="edge") for mask in (woods, fields)]
    solid = scipy.ndimage.binary_opening(padded[0], block)
    clear = padded[1] | (padded[0] & ~solid)
    wide = scipy.ndimage.binary_opening(clear, block)
    inner = (slice(side, -side),) * 2
    return (solid | (clear & ~wide))[inner], wide[inner]


def _changes_around(woods: BoolArray, at: IndexArray, radius_cells: float) -> IndexArray:
    """How often woods and other ground change along a circle around each (row, col) of ``at``."""
    # On a circle of ten cells the points are two cells apart: no strip that the disc can show slips
    # between.
    angles = np.arange(32) * 2 * np.pi / 32
    steps = np.round(radius_cells * np.column_stack([np.cos(angles), np.sin(angles)])).astype(int)
    row, col = (at[:, None, :] + steps[None]).transpose(2, 0, 1)
    last = woods.shape[0] - 1, woods.shape[1] - 1
    seen = woods[np.clip(row, 0, last[0]), np.clip(col, 0, last[1])]
    return np.asarray((seen != np.roll(seen, 1, axis=1)).sum(axis=1))


@remembered()
def narrow_woods(
    role: RoleArray,
    *,
    grid: Grid,
    source_cell_m: float = 0.0,
    width_m: float = 80.0,
    least_length_m: float = 60.0,
) -> list[Feature]:
    """Strips that join woods, and points of woods that reach into open ground.

    Narrow woods are those that a disc of ``width_m`` cannot enter. Where they touch wide woods
    at two or more places they are a strip, named at its middle; at one place a point, named at
    its tip; at none a small wood or hedge, left to other measures. A strip has open ground on
    both sides, a point all round: brush or water there makes neither. Woods that reach to the
    edge of what is known are left alone, for they may go on beyond it.

    Parameters
    ----------
    role : (rows, cols) int8
        `CoverRole` of each cell, small patches already removed.
    grid : Grid
    source_cell_m : float
        Cell size of the land-cover file, metres; 0 = that of the grid.
    width_m : float
        Greatest width, metres; at least three cells of the file are taken, and about three of
        them must go into it.
    least_length_m : float
        Shorter ones are rounded-off corners, metres.

    Returns
    -------
    list of Feature
        Kinds "woods strip" and "woods point"; strength 1 for long, 0.5 for just long enough.
    """
    if source_cell_m > width_m / 2.5:
        return []
    woods = role == CoverRole.TREE
    half = max(width_m, 3.0 * max(source_cell_m, grid.cell_size_m)) / grid.cell_size_m / 2
    known = role != CoverRole.UNKNOWN
    # What is not known counts as woods here: a rim of the map must not make woods narrow.
    core = cells_to(known & ~woods) > half
    if not core.any():
        return []
    open_ground = np.isin(role, OPEN_ROLES)
    whole = cells_to_unknown(known) > half
    rim_cells = max(round(source_cell_m / grid.cell_size_m), 1)
    to_core = cells_to(core)
    wide = woods & (to_core <= half)
    label, count = scipy.ndimage.label(woods & ~wide, structure=_EIGHT)
    found = []
    for index, box in enumerate(scipy.ndimage.find_objects(label, count), start=1):
        rows, cols = (slice(max(s.start - rim_cells - 1, 0), s.stop + rim_cells + 1) for s in box)
        part = label[rows, cols] == index
        if not whole[rows, cols][part].all():
            continue
        length_m = _extent(part) * grid.cell_size_m
        reach_m = float((to_core[rows, cols][part].max() - half) * grid.cell_size_m)
        if (
            max(length_m / 2, reach_m) < least_length_m / 2
            or reach_m < 0.6 * half * grid.cell_size_m
        ):
            continue
        joints = _joints(part, wide[rows, cols])
        sides = _open_sides(part, woods[rows, cols], open_ground[rows, cols], rim_cells)
        strength = min(1.0, 0.5 * length_m / least_length_m)
        if joints >= 2 and sides >= 2:
            at, kind, short = _middle(part), "woods strip", "narrow woods"
            words = "narrow woods between open ground"
        elif joints == 1 and sides == 1:
            at = _farthest(part, to_core[rows, cols])
            kind = short = "woods point"
            words = "point of woods reaching into open ground"
        else:
            continue
        row, col = rows.start + at[0], cols.start + at[1]
        found.append(
            feature_at(kind, row, col, grid=grid, strength=strength, words=words, short=short)
        )
    return found


def _joints(part: BoolArray, wide: BoolArray) -> int:
    """Places where narrow woods touch wide woods."""
    _, touching = scipy.ndimage.label(
        scipy.ndimage.binary_dilation(part, _EIGHT) & wide, structure=_EIGHT
    )
    return int(touching)


def _open_sides(part: BoolArray, woods: BoolArray, open_ground: BoolArray, rim_cells: int) -> int:
    """Sides of narrow woods that are open ground; 0 where any side of some length is not.

    A side is a connected run of the rim off the woods: two of them along a strip, one round a
    point. Runs shorter than a fifth of the longest are nicks between joints.
    """
    rim = scipy.ndimage.binary_dilation(part, _EIGHT, iterations=rim_cells) & ~woods
    label, count = scipy.ndimage.label(rim, structure=_EIGHT)
    if not count:
        return 0
    size = np.bincount(label[rim], minlength=count + 1)[1:]
    open_cells = np.bincount(label[rim & open_ground], minlength=count + 1)[1:]
    long = size >= size.max() / 5
    is_open = open_cells >= _OPEN_RIM * size
    return int(long.sum()) if bool(is_open[long].all()) else 0


def _extent(part: BoolArray) -> float:
    """Diagonal of the box around a part, in cells."""
    row, col = np.nonzero(part)
    return float(np.hypot(np.ptp(row) + 1, np.ptp(col) + 1))


def _farthest(part: BoolArray, distance: FloatArray) -> tuple[int, int]:
    """The cell of a part with the greatest distance."""
    row, col = np.unravel_index(int(np.where(part, distance, -1.0).argmax()), part.shape)
    return int(row), int(col)


def _middle(part: BoolArray) -> tuple[int, int]:
    """The cell of a part that lies nearest to its centre of gravity."""
    row, col = np.nonzero(part)
    nearest = np.argmin((row - row.mean()) ** 2 + (col - col.mean()) ** 2)
    return int(row[nearest]), int(col[nearest])
