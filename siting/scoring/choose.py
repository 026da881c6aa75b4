"""From judged candidates to the ranked spots that are shown."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from siting.grid import FloatArray
from siting.scoring.candidates import order_of, spaced
from siting.types import Candidate

RADIUS_STEP_M = 5.0
"""Search radii are multiples of this, metres."""


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


def with_room(
    candidates: Sequence[Candidate], radius_m: Sequence[float], *, least_m: float
) -> tuple[float, ...]:
    """The search radii cut so that no two circles overlap, metres.

    The trials may widen circles beyond half the spacing of the search. What lies nearer to another
    spot of the list is that one's: two wide circles meet half-way, a narrow one leaves its room to
    the other. To drop one of the two instead would let the list turn with the lattice.

    Parameters
    ----------
    candidates : sequence of Candidate, no two nearer than twice `least_m`
    radius_m : search radius of each, metres
    least_m : what cells and a phone's position cannot do better than, metres

    Examples
    --------
    >>> from types import SimpleNamespace as Place
    >>> row = [Place(easting=x, northing=0.0) for x in (0.0, 60.0, 130.0)]
    >>> with_room(row, [45.0, 40.0, 20.0], least_m=15.0)
    (30.0, 30.0, 20.0)
    >>> with_room([], [], least_m=15.0)
    ()
    """
    at = np.array([(one.easting, one.northing) for one in candidates]).reshape(-1, 2)
    wide = np.asarray(radius_m, dtype=np.float64)
    away = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    np.fill_diagonal(away, np.inf)
    # A hair more: places on a lattice lie exactly so far apart, up to rounding.
    room = np.maximum(away / 2.0, away - wide) * (1.0 + 1e-9)
    least = room.min(axis=1, initial=np.inf)
    cut = [min(r, _stepped(m, math.floor)) for r, m in zip(wide, least, strict=True)]
    return tuple(max(float(one), least_m) for one in cut)


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
    return _stepped(radius, math.ceil)


def _stepped(radius_m: float, rounded: Callable[[float], int]) -> float:
    # From 50 m on in tens, as lengths are told: card, sheet and table then say the same.
    step = RADIUS_STEP_M if radius_m <= 50.0 else 2.0 * RADIUS_STEP_M
    return step * rounded(radius_m / step) if math.isfinite(radius_m) else radius_m
