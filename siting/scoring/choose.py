"""From judged candidates to the ranked spots that are shown."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from siting.grid import FloatArray
from siting.scoring.candidates import order_of, spaced
from siting.types import Candidate


def choose(
    total: FloatArray,
    candidates: tuple[Candidate, ...],
    *,
    spacing_m: float,
    most: int,
    kinds: Sequence[str] = (),
) -> list[int]:
    """Indices of the candidates that become spots, best first, at least `spacing_m` apart.

    Ties in the total keep the order given, that of the search.
    Where `kinds` names the kind of each candidate, the best of each kind has a place before a
    second of any kind is taken, so that the alternatives differ; the list is by score all the same.
    """
    order = order_of(total, candidates)
    if kinds:
        leaders: list[int] = []
        for i in order:
            new = kinds[i] and kinds[i] not in {kinds[k] for k in leaders}
            # The best of a kind that keeps apart from the best of the kinds before it.
            tried = [*leaders, i]
            if new and _apart(tried, candidates, spacing_m=spacing_m, most=most) == tried:
                leaders = tried
        led = [*leaders, *(i for i in order if i not in set(leaders))]
        taken = set(_apart(led, candidates, spacing_m=spacing_m, most=most))
        return [i for i in order if i in taken]
    return _apart(order, candidates, spacing_m=spacing_m, most=most)


def rivals(
    total: FloatArray,
    candidates: tuple[Candidate, ...],
    *,
    chosen: Sequence[int],
    spacing_m: float,
) -> list[int]:
    """The chosen candidates and all that could stand beside them, best first, spacing kept.

    Parameters
    ----------
    total : (n,) float, index of each candidate, without a unit
    candidates : tuple of n
    chosen : indices of those that are spots already
    spacing_m : float, least distance between two, metres
    """
    taken = set(chosen)
    # The chosen first, whatever their index: best of each kind may have put a lower one forward.
    order = [*chosen, *(i for i in order_of(total, candidates) if i not in taken)]
    return _apart(order, candidates, spacing_m=spacing_m, most=len(order))


def _apart(
    order: Sequence[int], candidates: Sequence[Candidate], *, spacing_m: float, most: int
) -> list[int]:
    easting = np.array([candidates[i].easting for i in order])
    northing = np.array([candidates[i].northing for i in order])
    return [order[i] for i in spaced(easting, northing, spacing_m=spacing_m, most=most)]


def search_radius_m(*, dem_cell_m: float, cover_cell_m: float, gps_m: float) -> float:
    """How far around the point to look for the right tree, metres, a multiple of 5.

    Half the diagonal of the coarser raster's cell, plus the error of a phone's position.

    Examples
    --------
    >>> search_radius_m(dem_cell_m=2.0, cover_cell_m=10.0, gps_m=5.0)
    15.0
    """
    radius = math.hypot(0.5, 0.5) * max(dem_cell_m, cover_cell_m) + gps_m
    # From 50 m on in tens, as lengths are told: card, sheet and table then say the same.
    step = 5.0 if radius <= 50.0 else 10.0
    return step * math.ceil(radius / step)
