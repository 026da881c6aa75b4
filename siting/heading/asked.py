"""What was worked out for places that a camera's view was asked of: nobody asks twice."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray, Grid
from siting.ground.shapes.feature_order import served_by
from siting.heading.judged import Surroundings
from siting.heading.line_crossing import Lines, nearest_line
from siting.kernels.remembered import lasting, near_change
from siting.settings.protocol import CameraRules
from siting.settings.protocol_heading import HeadingRules, SunRules
from siting.types import BoolArray, Feature

Place = tuple[float, float]
"""Easting and northing, metres."""


@dataclass(frozen=True)
class Asked:
    """Scores 0..1 of the best headings of places, and skylines of squares, that were asked for.

    A skyline is (horizon in degrees, reach in metres).
    """

    best: dict[Place, float]
    quick: dict[Place, float]
    skies: dict[tuple[int, int], tuple[FloatArray, FloatArray]]


def asked_before(
    around: Surroundings,
    features: tuple[Feature, ...],
    *,
    camera: CameraRules,
    heading: HeadingRules,
    sun: SunRules,
    spans: bool,
) -> Asked:
    """What was asked of this land; where steps are remembered, also before an edit of it.

    The score of a place rests on the elevations and rules, on the cells within sight of it, on the
    line that passes it and on the feature it serves. It is kept while all of these are as they
    were; the skylines rest on elevations and rules alone.

    Parameters
    ----------
    around : Surroundings
    features : tuple of Feature, in order
    camera, heading, sun : the protocol's tables of these names
    spans : bool, whether only eight directions can be told
    """
    # All but what may change around a place: a field that is added one day counts for every place.
    fixed = {f.name: getattr(around, f.name) for f in fields(around) if f.name not in _BY_PLACE}
    kept = lasting("headings", fixed, camera, heading, sun, spans)
    now = _Around(_layers(around), around.lines, features)
    best, quick = {}, {}
    if kept:
        best, quick = (
            _still(known, kept["around"], now, grid=around.ground.grid, heading=heading)
            for known in (kept["asked"].best, kept["asked"].quick)
        )
    asked = Asked(best, quick, kept["asked"].skies if kept else {})
    kept.update(around=now, asked=asked)
    return asked


# Fields of Surroundings of which a place depends only on what lies around it: see `_still`.
_BY_PLACE = ("role", "inside", "people", "closed", "lines")


@dataclass(frozen=True)
class _Around:
    """What may change around places: layers of (rows, cols), lines and features."""

    layers: tuple[NDArray[Any], ...]
    lines: Sequence[Lines]
    features: tuple[Feature, ...]


def _layers(around: Surroundings) -> tuple[NDArray[Any], ...]:
    shut = around.closed
    closed = () if shut is None else (shut.filled, shut.sighted, shut.tracks)
    return (around.role, around.inside, around.people, *closed)


def _still(
    known: Mapping[Place, float],
    was: _Around,
    now: _Around,
    *,
    grid: Grid,
    heading: HeadingRules,
) -> dict[Place, float]:
    """Those of the scores that hold for what lies around the places now."""
    if not known or len(was.layers) != len(now.layers):
        return {}
    easting, northing = (np.array(axis) for axis in zip(*known, strict=True))
    # Rays end at `sight_m`; a cell more for where in its cell a place lies.
    reach = int(np.ceil(heading.sight_m / grid.cell_size_m)) + 1
    same = ~near_change(was.layers, now.layers, grid.rowcol(easting, northing), reach=reach)
    if was.lines is not now.lines:
        same &= _alike(*(_passing(part.lines, easting, northing, heading) for part in (was, now)))
    if was.features is not now.features:
        same &= _alike(*(_served(p.features, easting, northing, heading) for p in (was, now)))
    return {
        place: score for (place, score), is_so in zip(known.items(), same, strict=True) if is_so
    }


def _passing(
    lines: Sequence[Lines], easting: FloatArray, northing: FloatArray, heading: HeadingRules
) -> Sequence[NDArray[Any]]:
    # The bearing of grid north turns all lines alike, so that it can be left out here.
    return nearest_line(easting, northing, lines=lines, within_m=heading.line_reach_m)


def _served(
    features: Sequence[Feature], easting: FloatArray, northing: FloatArray, heading: HeadingRules
) -> Sequence[NDArray[Any]]:
    found = served_by(features, easting, northing, reach_m=heading.target_reach_m)
    places = [(f.easting, f.northing) if f else (np.nan, np.nan) for f in found]
    return tuple(np.array(places).T)


def _alike(was: Sequence[NDArray[Any]], now: Sequence[NDArray[Any]]) -> BoolArray:
    """Which of n places have the same values, an unknown one being like another."""
    both = zip(was, now, strict=True)
    same = [(a == b) | ((a != a) & (b != b)) for a, b in both]
    return np.asarray(np.all(same, axis=0))


def once(
    known: dict[Place, float],
    easting: FloatArray,
    northing: FloatArray,
    work_out: Callable[[FloatArray, FloatArray], FloatArray],
) -> FloatArray:
    """The value of each place, from `known` where it stands there.

    `easting`, `northing` are (n,) metres; the values, (n,), have the unit of what `work_out` gives.
    """
    places = list(zip(easting.tolist(), northing.tolist(), strict=True))
    new = [place for place in dict.fromkeys(places) if place not in known]
    if new:
        found = work_out(*(np.array(axis) for axis in zip(*new, strict=True)))
        known.update(zip(new, found.tolist(), strict=True))
    return np.array([known[place] for place in places])
