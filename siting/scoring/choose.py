"""From judged candidates to the ranked spots that are shown."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from siting.grid import FloatArray
from siting.scoring.candidates import order_of, spaced
from siting.types import Candidate, CoverRole, Land, RoleArray, Scores, Spot
from siting.words.reasons import feature_words, kind_of, on_site, pulled_down, search_radius_m, why

_LEAST_FALL = 0.7  # metres of distance to the metre: at 45 degrees off the nearest way


def choose(
    total: FloatArray,
    candidates: tuple[Candidate, ...],
    *,
    spacing_m: float,
    most: int,
    kinds: Sequence[str] = (),
) -> list[int]:
    """Indices of the candidates that become spots, best first, at least `spacing_m` apart.

    Ties in the total are broken by row, then column, so that the order never depends on chance.
    Where `kinds` names the kind of each candidate, the best of each kind has a place before a
    second of any kind is taken, so that the alternatives differ; the list is by score all the same.
    """
    order = order_of(total, candidates)
    if kinds:
        first_of = {kinds[i]: i for i in reversed(order) if kinds[i]}
        leaders = [i for i in order if first_of.get(kinds[i]) == i]
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
    """The chosen candidates and all that could stand beside them, best first, spacing kept."""
    taken = set(chosen)
    order = [*chosen, *(i for i in order_of(total, candidates) if i not in taken)]
    return _apart(order, candidates, spacing_m=spacing_m, most=len(order))


def _apart(
    order: Sequence[int], candidates: Sequence[Candidate], *, spacing_m: float, most: int
) -> list[int]:
    easting = np.array([candidates[i].easting for i in order])
    northing = np.array([candidates[i].northing for i in order])
    return [order[i] for i in spaced(easting, northing, spacing_m=spacing_m, most=most)]


def make_spots(
    candidates: Sequence[Candidate],
    *,
    totals: Sequence[float],
    judged: Scores,
    layers: Mapping[str, FloatArray],
    land: Land,
    role: RoleArray,
    gps_m: float,
    caution_texts: Sequence[Sequence[str]],
    details: Sequence[Mapping[str, object]],
) -> tuple[Spot, ...]:
    """Spots with their words, in the order given: the first is rank 1.

    Parameters
    ----------
    candidates : the chosen ones, best first
    totals : total score of each, with the heading
    judged : Scores of these candidates, arrays of shape (n,), heading included
    layers : mapping from layer name to (rows, cols) array, read at each candidate's cell
    land : Land
    role : (rows, cols) int8, `CoverRole` after specks were removed
    gps_m : error of a phone's position, metres
    caution_texts, details : one entry per candidate
    """
    radius = search_radius_m(
        dem_cell_m=land.dem_cell_m, cover_cell_m=land.cover_cell_m, gps_m=gps_m
    )
    lon, lat = _lonlat(candidates, land)
    spots: list[Spot] = []
    for n, candidate in enumerate(candidates):
        at = (candidate.row, candidate.col)
        parts = {name: float(values[n]) for name, values in judged.memberships.items()}
        measures = {name: float(values[at]) for name, values in layers.items()}
        measures.update(_heading_measure(details[n]))
        spots.append(
            Spot(
                rank=n + 1,
                row=candidate.row,
                col=candidate.col,
                easting=candidate.easting,
                northing=candidate.northing,
                lon=float(lon[n]),
                lat=float(lat[n]),
                elevation_m=float(land.dem[at]),
                score=float(totals[n]),
                site_score=candidate.score,
                attraction=float(judged.attraction[n]),
                conditions=float(judged.conditions[n]),
                memberships=parts,
                measures=measures,
                why=why(
                    parts,
                    judged.weights,
                    measures,
                    bearings_deg={
                        name: bearing_to(values, at, cell_size_m=land.grid.cell_size_m)
                        for name, values in layers.items()
                        if name.startswith("distance_to_")
                    },
                    named=candidate.feature is not None,
                ),
                pulled_down=pulled_down(parts, measures),
                check=on_site(
                    role=CoverRole(int(role[at])),
                    measures=measures,
                    dem_cell_m=land.dem_cell_m,
                    search_radius=radius,
                ),
                cautions=tuple(caution_texts[n]),
                search_radius_m=radius,
                kind=kind_of(parts, judged.weights),
                name=feature_words(candidate.feature, candidate.easting, candidate.northing)
                if candidate.feature
                else "",
                details=dict(details[n]),
            )
        )
    return tuple(spots)


def bearing_to(distance_m: FloatArray, at: tuple[int, int], *, cell_size_m: float) -> float | None:
    """The way from a cell to what a distance is measured to, degrees clockwise from grid north.

    It is the way in which the distance falls. None where it falls by less than 0.7 m to the metre
    (between two things about equally near, or right on the thing) or is not known all around.

    Parameters
    ----------
    distance_m : (rows, cols) float, metres
    at : row and column
    cell_size_m : float

    Examples
    --------
    >>> bearing_to(np.array([[0.0, 10.0, 20.0]] * 3), (1, 1), cell_size_m=10.0)
    270.0
    """
    row, col = at
    around = distance_m[max(row - 1, 0) : row + 2, max(col - 1, 0) : col + 2]
    if around.shape != (3, 3) or not np.isfinite(around).all():
        return None
    south, east = (float(np.gradient(around, cell_size_m, axis=k)[1, 1]) for k in (0, 1))
    if math.hypot(east, south) < _LEAST_FALL:
        return None
    return math.degrees(math.atan2(-east, south)) % 360.0


def _heading_measure(details: Mapping[str, object]) -> dict[str, float]:
    score = details.get("heading_score")
    return {"heading_score": float(score)} if isinstance(score, (int, float)) else {}


def _lonlat(candidates: Sequence[Candidate], land: Land) -> tuple[FloatArray, FloatArray]:
    easting = np.array([c.easting for c in candidates])
    northing = np.array([c.northing for c in candidates])
    lon, lat = land.grid.to_lonlat.transform(easting, northing)
    return np.asarray(lon), np.asarray(lat)
