"""From chosen candidates to the spots a reader sees, with their name and their sentences."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from siting import criteria
from siting.grid import FloatArray
from siting.heading.limits import in_picture
from siting.scoring.combine import strongest_attractor
from siting.scoring.stability import FAIR, FIRM
from siting.spot_parts import Aim, PlaceName, PlaceStability, Walk
from siting.types import Candidate, CoverRole, Feature, Land, RoleArray, Scores, Spot
from siting.words.spot.heading import heading_words
from siting.words.spot.names import full_name, place_name
from siting.words.spot.reasons import (
    NOTHING_DRAWS,
    PEOPLE_LIKELY,
    STRONG,
    field_checks,
    point_error_m,
    pulled_down,
    why,
)

# Metres of distance lost per metre walked: 1 straight towards the thing, 0.7 at 45 degrees to it.
_LEAST_FALL = 0.7


def make_spots(
    candidates: Sequence[Candidate],
    *,
    totals: Sequence[float],
    judged: Scores,
    layers: Mapping[str, FloatArray],
    land: Land,
    role: RoleArray,
    parts: Mapping[str, FloatArray],
    radius_m: Sequence[float],
    caution_texts: Sequence[Sequence[str]],
    aims: Sequence[Aim],
    walks: Sequence[Walk | None],
    firmness: Sequence[PlaceStability],
    lens_height_m: float,
    picture: Picture,
    doubts: Callable[[Mapping[str, float], Mapping[str, float], Feature | None], str],
    floods: Callable[[Mapping[str, float]], str],
    plain: bool = False,
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
    parts : mapping from criterion to (n,) what it adds to the logarithm of the index
    radius_m : how far to look around each
    caution_texts, aims, walks : one entry per candidate
    firmness : one entry per candidate, or none where the protocol asks for no trials
    lens_height_m : height of the lens above the ground, metres
    picture : what counts as standing in the picture: a spot is named for nothing else
    doubts : what a spot depends on that no map shows (`siting.words.spot.doubt.doubt_of`)
    floods : the warning of floods at a spot by its measures, "" for none
    plain : True where nothing draws animals to any of them, so that none has name, kind or reason
    """
    lon, lat = _lonlat(candidates, land)
    spots: list[Spot] = []
    for n, candidate in enumerate(candidates):
        at = (candidate.row, candidate.col)
        measures = {name: float(values[at]) for name, values in layers.items()}
        # Known only with the direction, so of no cell; the criterion reads it by this name.
        measures["heading_score"] = aims[n].score
        numbers = _numbers_of(candidate, judged, n)
        doubt = "" if plain else doubts(numbers.memberships, measures, candidate.feature)
        bare = replace(
            numbers,
            rank=n + 1,
            lon=float(lon[n]),
            lat=float(lat[n]),
            elevation_m=float(land.dem[at]),
            score=float(totals[n]),
            parts={name: float(values[n]) for name, values in parts.items()},
            measures=measures,
            cautions=tuple(caution_texts[n]),
            search_radius_m=radius_m[n],
            aim=aims[n],
            heading_words=heading_words(aims[n], lens_height_m=lens_height_m),
            walk=walks[n],
            stability=_honest(firmness[n], doubt) if firmness else None,
            plain=plain,
            doubt=doubt,
        )
        shown = partial(
            picture.shows,
            aims[n],
            radius_m=radius_m[n],
            turned_deg=land.grid.convergence_deg,
        )
        bearings = _bearings(layers, at, cell_size_m=land.grid.cell_size_m)
        named = _named(bare, candidate, judged.weights, bearings, shown)
        spots.append(
            _in_words(
                named,
                judged.weights,
                bearings,
                CoverRole(int(role[at])),
                land,
                flood=bool(floods(measures)),
            )
        )
    return tuple(spots)


def _numbers_of(candidate: Candidate, judged: Scores, n: int) -> Spot:
    """What scoring says of a candidate; everything else is filled in by `make_spots`."""
    return Spot(
        # 0 and NaN until they are filled in: one that was forgotten is seen at once.
        rank=0,
        row=candidate.row,
        col=candidate.col,
        easting=candidate.easting,
        northing=candidate.northing,
        lon=math.nan,
        lat=math.nan,
        elevation_m=math.nan,
        score=math.nan,
        site_score=candidate.score,
        attraction=float(judged.attraction[n]),
        conditions=float(judged.conditions[n]),
        memberships={name: float(values[n]) for name, values in judged.memberships.items()},
        measures={},
        why=(),
        pulled_down=(),
        check=(),
        cautions=(),
        search_radius_m=math.nan,
    )


def _bearings(
    layers: Mapping[str, FloatArray], at: tuple[int, int], *, cell_size_m: float
) -> dict[str, float | None]:
    """The way to what each distance is measured to, by layer, degrees from grid north."""
    return {
        name: bearing_to(values, at, cell_size_m=cell_size_m)
        for name, values in layers.items()
        if name.startswith("distance_to_")
    }


def _named(
    spot: Spot,
    candidate: Candidate,
    weights: Mapping[str, float],
    bearings: Mapping[str, float | None],
    shown: Shown,
) -> Spot:
    """The spot with its name and kind: nothing that is out of its picture gives it either."""
    if spot.plain:
        return spot
    # A name for something behind the camera would send a volunteer to the wrong side.
    place = _place(candidate, shown, radius_m=point_error_m(spot))
    return replace(
        spot,
        place=place,
        name=full_name(place) if place else "",
        kind=_kind(spot.memberships, weights, spot.measures, bearings, shown),
    )


def _in_words(
    spot: Spot,
    weights: Mapping[str, float],
    bearings: Mapping[str, float | None],
    role: CoverRole,
    land: Land,
    *,
    flood: bool,
) -> Spot:
    """The spot with its sentences: why here, what speaks against it, what to check."""
    radius_m = point_error_m(spot)
    return replace(
        spot,
        why=(PEOPLE_LIKELY if role == CoverRole.PARK else NOTHING_DRAWS)
        if spot.plain
        else why(
            spot.memberships,
            weights,
            spot.measures,
            radius_m=radius_m,
            cover_cell_m=land.cover_cell_m,
            bearings_deg=bearings,
            named=spot.place is not None,
        ),
        pulled_down=pulled_down(spot.memberships, spot.measures, radius_m=radius_m),
        check=field_checks(
            role=role,
            measures=spot.measures,
            dem_cell_m=land.dem_cell_m,
            search_radius=spot.search_radius_m,
            error_m=radius_m,
            flood=flood,
        ),
    )


@dataclass(frozen=True)
class Picture:
    """What counts as standing in the picture.

    Parameters
    ----------
    half_view_deg : half the angle of the picture
    most_m : how far a thing may stand, metres
    on_it_m : nearer than this a step back brings it in, whichever way the camera looks
    """

    half_view_deg: float
    most_m: float
    on_it_m: float

    def shows(
        self,
        aim: Aim,
        away_m: float,
        bearing_deg: float | None,
        *,
        radius_m: float,
        turned_deg: float,
    ) -> bool:
        """Whether a thing stands in the picture of an aim, as far as the maps can tell.

        Parameters
        ----------
        away_m : distance, metres; infinite where there is no such thing
        bearing_deg : degrees from grid north, None where it is not known
        radius_m : how far off the place may be, metres: on coarse maps nearer things may be in view
        turned_deg : bearing of grid north from true north, degrees
        """
        # Where only a direction is known the place is not exact either: within its radius counts.
        most = max(self.most_m, radius_m) if aim.span_deg else self.most_m
        if bearing_deg is None or not math.isfinite(away_m):
            return away_m <= most
        angle = math.radians(bearing_deg + turned_deg)
        return in_picture(
            (away_m * math.sin(angle), away_m * math.cos(angle)),
            aim.heading_deg,
            half_view_deg=self.half_view_deg + aim.span_deg / 2.0,
            most_m=most,
            on_it_m=self.on_it_m,
        )


def _honest(found: PlaceStability, doubt: str) -> PlaceStability:
    """The stability; never firm where something has to be found out first.

    No trial shakes who uses a trail, or whether a passage of our model is one.
    """
    return replace(found, word=FAIR) if doubt and found.word == FIRM else found


Shown = Callable[[float, float | None], bool]


def _place(candidate: Candidate, shown: Shown, *, radius_m: float) -> PlaceName | None:
    """What a spot is called by the feature it serves; None where that is not in its picture."""
    feature = candidate.feature
    if feature is None:
        return None
    east, north = feature.easting - candidate.easting, feature.northing - candidate.northing
    if not shown(math.hypot(east, north), math.degrees(math.atan2(east, north))):
        return None
    return place_name(feature, candidate.easting, candidate.northing, radius_m=radius_m)


def _kind(
    parts: Mapping[str, float],
    weights: Mapping[str, float],
    measures: Mapping[str, float],
    bearings: Mapping[str, float | None],
    shown: Shown,
) -> str:
    """The strongest attractor that holds well and is in the picture, "" where none is."""
    rows = criteria.attractors()
    seen = {
        name: part
        for name, part in parts.items()
        if name in rows
        and part >= STRONG
        and (
            # What is not a distance lies where the camera stands: never out of the picture.
            rows[name].measure not in bearings
            or shown(measures[rows[name].measure], bearings[rows[name].measure])
        )
    }
    return strongest_attractor(seen, weights)


def bearing_to(distance_m: FloatArray, at: tuple[int, int], *, cell_size_m: float) -> float | None:
    """The way from a cell to what a distance is measured to, degrees clockwise from grid north.

    It is the way in which the distance falls. None where it falls by less than 0.7 m per metre
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
    # At the edge of the known, half of the slope is missing and its direction would be wrong.
    if around.shape != (3, 3) or not np.isfinite(around).all():
        return None
    # Rows run to the south: this is positive where the distance grows southwards.
    south, east = (
        float((after - before) / (2.0 * cell_size_m))
        for before, after in ((around[0, 1], around[2, 1]), (around[1, 0], around[1, 2]))
    )
    if math.hypot(east, south) < _LEAST_FALL:
        return None
    return math.degrees(math.atan2(-east, south)) % 360.0


def _lonlat(candidates: Sequence[Candidate], land: Land) -> tuple[FloatArray, FloatArray]:
    easting = np.array([c.easting for c in candidates])
    northing = np.array([c.northing for c in candidates])
    lon, lat = land.grid.to_lonlat.transform(easting, northing)
    return np.asarray(lon), np.asarray(lat)
