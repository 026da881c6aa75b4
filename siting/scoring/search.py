"""The best places: every allowed cell that could be one is judged with its best heading.

Looking around from a cell costs a thousand times as much as reading its layers, so a place is
looked around from only while the index it would have with a perfect heading could still win. What
comes out is the best of all allowed cells to `TOLERANCE` of the logarithm, not a sample of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid
from siting.kernels.curves import Knots, membership
from siting.types import BoolArray, Candidate

TOLERANCE = 0.002
"""By how much a cell not looked around from could beat the place chosen instead (log scale)."""

# Indices nearer than this (log scale) are a tie: it goes to the place with the better
# surroundings, so that a step aside costs least, then to the northern row and the western column.
TIE = 1e-6
# About as far as one steps aside for a better tree.
_AROUND_M = 15.0
# One call for so many places costs hardly more than for a few.
_AT_ONCE = 96

Look = Callable[[FloatArray, FloatArray], FloatArray]
"""Score of the best heading, 0..1, of places at (easting, northing); 0 where none is open."""


Same = Callable[[int, int], BoolArray]
"""Ground that cannot be told apart from a place, by its row and column; (rows, cols) bool."""


@dataclass(frozen=True)
class Found:
    """Places apart from each other, best first, and the heading score of each.

    `seen` is (row, col, heading score) of every cell that was looked around from; `whole` is False
    where the limit on their number ended the search before it was sure of the best.
    """

    candidates: tuple[Candidate, ...]
    heading_score: NDArray[np.float64]
    seen: tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]
    whole: bool

    @property
    def looked(self) -> int:
        """How many cells were looked around from."""
        return len(self.seen[0])

    def heading_map(self, shape: tuple[int, int]) -> NDArray[np.float32]:
        """(rows, cols) score of the best heading, NaN where nobody looked around."""
        out = np.full(shape, np.nan, dtype=np.float32)
        row, col, score = self.seen
        out[row, col] = score
        return out


@dataclass(frozen=True)
class HeadingEffect:
    """What the best heading does to the index: its weight (0 or below) and its curve.

    `weight` is the logarithm of a ratio, `curve` knots of (heading score 0..1, membership 0..1).
    """

    weight: float
    curve: Knots

    def on_log(self, heading_score: FloatArray) -> NDArray[np.float64]:
        """Change of the logarithm of the index, 0 or below, by (n,) best heading scores, 0..1."""
        fails = 1.0 - membership(heading_score, self.curve).astype(np.float64)
        return np.asarray(self.weight * fails)


def find_places(
    index: FloatArray,
    allowed: BoolArray,
    *,
    grid: Grid,
    look: Look,
    effect: HeadingEffect,
    spacing_m: float,
    most: int,
    lowest: float,
    most_looks: int,
    same: Same | None = None,
) -> Found:
    """The best allowed cell, the best at least `spacing_m` from it, and so on.

    Parameters
    ----------
    index : (rows, cols) float, the index without the heading, NaN = not known (never a place)
    allowed : (rows, cols) bool
    look : function that judges the headings of places
    effect : HeadingEffect
    spacing_m : float, least distance between two places, metres
    most : int, most places to return
    lowest : float, least index without the heading
    most_looks : int, most cells to look around from
    same : function or None; the ground it gives for a place holds no further place

    Returns
    -------
    Found; a candidate's score is its index without the heading
    """
    usable = allowed & np.isfinite(index) & (index >= lowest)
    cells = _Cells.of(index, usable, grid)
    places: list[int] = []
    whole = True
    while len(places) < most and cells.alive.any():
        best, sure = _best(cells, look, effect, most_looks=most_looks)
        whole &= sure
        if best is None:
            break
        places.append(best)
        cells.close_around(best, spacing_m)
        if same is not None:
            cells.close(same(int(cells.row[best]), int(cells.col[best])))
    parts, _ = scipy.ndimage.label(usable, structure=np.ones((3, 3)))
    candidates = tuple(cells.candidate(i, index, parts) for i in places)
    seen = np.isfinite(cells.heading)
    looked = cells.row[seen], cells.col[seen], cells.heading[seen]
    return Found(candidates, cells.heading[places], looked, whole)


def joined(found: Sequence[Found]) -> Found:
    """Several searches as one; a cell that two of them found counts once."""
    first = found[0]
    seen = tuple(np.concatenate(part) for part in zip(*(f.seen for f in found), strict=True))
    every = [(c, h) for f in found for c, h in zip(f.candidates, f.heading_score, strict=True)]
    # Reversed, so that of a cell found twice the first finding stays.
    single = {(c.row, c.col): (c, h) for c, h in reversed(every)}
    order = dict.fromkeys((c.row, c.col) for c, _ in every)
    return Found(
        tuple(single[at][0] for at in order),
        np.array([single[at][1] for at in order]),
        (seen[0], seen[1], seen[2]) if len(found) > 1 else first.seen,
        all(f.whole for f in found),
    )


def _best(
    cells: _Cells, look: Look, effect: HeadingEffect, *, most_looks: int
) -> tuple[int | None, bool]:
    """The best of the cells that are left, and whether none unseen could beat it."""
    while True:
        judged = cells.alive & np.isfinite(cells.total)
        top = cells.total[judged].max(initial=-np.inf)
        unseen = cells.alive & np.isnan(cells.heading) & (cells.log > top + TOLERANCE)
        found = cells.first_of(judged & (cells.total >= top - TIE)) if np.isfinite(top) else None
        if not unseen.any():
            return found, True
        left = most_looks - int(np.isfinite(cells.heading).sum())
        if left <= 0:
            return found, False
        # A full load costs hardly more than a few cells; the next best will be asked for soon.
        some = np.flatnonzero(cells.alive & np.isnan(cells.heading))[: min(_AT_ONCE, left)]
        heading = np.asarray(look(cells.easting[some], cells.northing[some]), dtype=np.float64)
        cells.heading[some] = heading
        total = cells.log[some] + effect.on_log(heading)
        # Where no heading is open no camera can look, so none can stand.
        cells.total[some] = np.where(heading > 0, total, -np.inf)


@dataclass
class _Cells:
    """Cells that may become places, the best without their heading first."""

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    easting: FloatArray
    northing: FloatArray
    log: NDArray[np.float64]
    around: NDArray[np.float64]
    alive: BoolArray
    heading: NDArray[np.float64]
    total: NDArray[np.float64]

    @classmethod
    def of(cls, index: FloatArray, usable: BoolArray, grid: Grid) -> _Cells:
        row, col = np.nonzero(usable)
        log = np.log(index[row, col].astype(np.float64))
        around = _surroundings(index, usable, row, col, grid)
        order = np.lexsort((col, row, -around, -np.round(log / TIE)))
        row, col = row[order], col[order]
        easting, northing = grid.xy(row, col)
        unknown = np.full(len(row), np.nan)
        return cls(
            row,
            col,
            easting,
            northing,
            log[order],
            around[order],
            np.ones(len(row), dtype=bool),
            unknown,
            unknown.copy(),
        )

    def first_of(self, tied: BoolArray) -> int:
        """Of equals the one with the best surroundings, then the northern, then the western."""
        at = np.flatnonzero(tied)
        return int(at[np.lexsort((self.col[at], self.row[at], -self.around[at]))[0]])

    def close_around(self, place: int, spacing_m: float) -> None:
        east, north = self.easting - self.easting[place], self.northing - self.northing[place]
        self.alive &= east**2 + north**2 >= spacing_m**2 * (1 - 1e-12)
        self.alive[place] = False

    def close(self, ground: BoolArray) -> None:
        self.alive &= ~ground[self.row, self.col]

    def candidate(self, place: int, index: FloatArray, parts: NDArray[np.int32]) -> Candidate:
        at = int(self.row[place]), int(self.col[place])
        east, north = float(self.easting[place]), float(self.northing[place])
        return Candidate(*at, east, north, float(index[at]), int(parts[at]))


def _surroundings(
    index: FloatArray,
    usable: BoolArray,
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    grid: Grid,
) -> NDArray[np.float64]:
    """Mean index of about 30 m square around each usable cell, closed ground counting as 0."""
    wide = 2 * max(1, round(_AROUND_M / grid.cell_size_m)) + 1
    if not row.size:
        return np.empty(0)
    # Beyond the usable cells there is nothing to add up: running sums begin at 0 as well here.
    top, left = max(int(row.min()) - wide, 0), max(int(col.min()) - wide, 0)
    part = (slice(top, int(row.max()) + wide + 1), slice(left, int(col.max()) + wide + 1))
    kept = np.where(usable[part], index[part], 0.0).astype(np.float64)
    mean = scipy.ndimage.uniform_filter(kept, wide, mode="constant")
    return np.asarray(np.round(mean[row - top, col - left], 6))
