"""Cells that may become spots: the best allowed places, kept apart, in a fixed order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid
from siting.settings.protocol import CandidateRules
from siting.types import BoolArray, Candidate, Land, Scores

# From cells this wide on, and up to so many places in all.
_WIDE_CELL_M, _MOST_RIVALS = 8.0, 150
# So few places are first among themselves whatever the maps: they have rivals on fine cells, too.
_FEW = 15

# Scores nearer than this are a tie; ties keep the order that the search put them in.
TIE = 1e-6

_POINT_M = 6.0
# Points looked at together; more are seldom needed.
_PART = 100_000
IndexArray = NDArray[np.int64]


def spaced(easting: FloatArray, northing: FloatArray, *, spacing_m: float, most: int) -> list[int]:
    """Indices of points taken in the given order, each at least `spacing_m` from those before.

    Examples
    --------
    >>> spaced(np.array([0.0, 3.0, 10.0]), np.array([0.0, 0.0, 0.0]), spacing_m=5.0, most=9)
    [0, 2]
    """
    parts = range(0, len(easting), _PART)
    blocks = ((easting[start : start + _PART], northing[start : start + _PART]) for start in parts)
    return _spaced(blocks, spacing_m=spacing_m, most=most)


def _spaced(
    blocks: Iterable[tuple[FloatArray, FloatArray]], *, spacing_m: float, most: int
) -> list[int]:
    """The same of points that come in blocks, of which no more are asked for than are needed."""
    keep: list[int] = []
    kept: list[tuple[float, float]] = []
    begin = 0
    # A hair less than the spacing: points on a lattice lie exactly that far apart, up to rounding.
    apart2 = spacing_m**2 * (1 - 1e-12)
    for easting, northing in blocks:
        free = np.ones(len(easting), dtype=bool)
        for east, north in kept:
            free &= (easting - east) ** 2 + (northing - north) ** 2 >= apart2
        index = -1
        while len(keep) < most and free[index + 1 :].any():
            index += 1 + int(free[index + 1 :].argmax())
            east, north = float(easting[index]), float(northing[index])
            keep.append(begin + index)
            kept.append((east, north))
            free &= (easting - east) ** 2 + (northing - north) ** 2 >= apart2
            free[index] = False
        begin += len(easting)
        if len(keep) >= most:
            break
    return keep


def order_of(score: NDArray[np.floating], candidates: tuple[Candidate, ...]) -> list[int]:
    """Indices of candidates by falling score; ties keep the order given.

    `score` is (n,) float, without a unit, one for each candidate.
    """
    rounded = np.round(np.asarray(score, dtype=np.float64) / TIE)
    return [int(i) for i in np.argsort(-rounded, kind="stable")[: len(candidates)]]


def worth_listing(
    scores: Scores,
    allowed: BoolArray,
    boundary_m: FloatArray,
    *,
    rules: CandidateRules,
    people: BoolArray | None = None,
) -> BoolArray:
    """(rows, cols) bool, where a place may be listed: enough speaks for it, and it can be used.

    Open ground is pleasant to look over and ranks well, so it would fill up the list; a reason on
    ground so poor that plain ground is better, and one on the fence, are passed over where the
    parcel has others.

    Parameters
    ----------
    scores : Scores of every cell, (rows, cols), without the heading
    allowed : (rows, cols) bool, where a camera may stand
    boundary_m : (rows, cols) float, metres to the parcel's boundary, NaN = not known
    rules : CandidateRules
    people : (rows, cols) bool, where people are likely, so that no place is named; None = nowhere
    """
    drawn = allowed & (scores.attraction >= rules.least_attraction - TIE)
    plain = scores.total[allowed & ~drawn & np.isfinite(scores.total)]
    if plain.size:
        drawn &= scores.total > np.quantile(plain, rules.plain_share)
    if people is not None:
        drawn &= ~people
    inside = drawn & (boundary_m >= rules.inside_m)
    return inside if inside.any() else drawn


def with_rivals(
    places: list[Candidate],
    index: FloatArray,
    allowed: BoolArray,
    *,
    land: Land,
    spacing_m: float,
) -> list[Candidate]:
    """The places and, on wide cells or where they are few, the best of the ground between them.

    On coarse maps many places are nearly as good: any of them may come up in a trial. Wide cells
    make few points, so that more of them can be asked. The heading is not seen.

    Parameters
    ----------
    places : the places found, best first
    index : (rows, cols) float, NaN = not known
    allowed : (rows, cols) bool, where another place may stand
    land : Land
    spacing_m : float, least distance between two places, metres
    """
    if land.grid.cell_size_m < _WIDE_CELL_M and len(places) >= _FEW:
        return places
    cells = np.flatnonzero(allowed & np.isfinite(index))
    cells = cells[np.argsort(-index.ravel()[cells], kind="stable")]
    grid = land.grid

    def blocks() -> Iterator[tuple[FloatArray, FloatArray]]:
        mine = np.array([(p.easting, p.northing) for p in places]).reshape(-1, 2)
        yield mine[:, 0], mine[:, 1]
        # The best come first: of large land most cells are never looked at.
        for start in range(0, len(cells), _PART):
            yield grid.xy(*np.divmod(cells[start : start + _PART], grid.n_cols))

    found = _spaced(blocks(), spacing_m=spacing_m, most=_MOST_RIVALS)
    more = [divmod(int(cells[i - len(places)]), grid.n_cols) for i in found if i >= len(places)]
    at = [(row, col, *grid.xy(row, col)) for row, col in more]
    return places + [
        Candidate(row, col, float(east), float(north), float(index[row, col]), 0)
        for row, col, east, north in at
    ]


@dataclass(frozen=True)
class Points:
    """Points around places, each belonging to the nearest.

    row, col, place : (n,) int; easting, northing : (n,) metres; `first` is the point that is
    the place itself, (places,) int.
    """

    row: IndexArray
    col: IndexArray
    place: IndexArray
    easting: FloatArray
    northing: FloatArray
    first: IndexArray

    @classmethod
    def around(cls, row: IndexArray, col: IndexArray, *, grid: Grid, reach_m: float) -> Points:
        """Every cell, or about every 6 m, within reach of a place and nearer to no other."""
        step = max(1, int(_POINT_M / grid.cell_size_m))
        # A multiple of the step, so that the place itself is always one of its points.
        reach = int(reach_m / grid.cell_size_m) // step * step
        down, right = np.mgrid[-reach : reach + 1 : step, -reach : reach + 1 : step]
        near = np.hypot(down, right) * grid.cell_size_m <= reach_m
        down, right = down[near], right[near]
        rows, cols = (row[:, None] + down).ravel(), (col[:, None] + right).ravel()
        place = np.repeat(np.arange(len(row)), len(down))
        away2 = (rows[:, None] - row) ** 2 + (cols[:, None] - col) ** 2
        own = away2.argmin(axis=1) == place
        own &= grid.contains(rows, cols)
        rows, cols, place = rows[own], cols[own], place[own]
        easting, northing = grid.xy(rows, cols)
        itself = np.flatnonzero((rows == row[place]) & (cols == col[place]))
        return cls(rows, cols, place, easting, northing, itself)
