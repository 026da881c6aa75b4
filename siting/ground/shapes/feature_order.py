"""Features in a fixed order, each told once, and the one that a spot serves."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from shapely.geometry.base import BaseGeometry

from siting.grid import FloatArray
from siting.lengths import compass_word
from siting.types import Candidate, Feature

MIDDLE = "middle"
# In the order in which a spot is named when several are as near and as strong.
KINDS = (
    "stream crossing",
    "known crossing",
    "saddle",
    "trail fork",
    "woods strip",
    "pond end",
    "inflow",
    "stream junction",
    "funnel",
    "valley crossing",
    "field corner",
    "woods point",
    "woods corner",
    "trail at woods edge",
    "stream at woods edge",
)
# A kind that is left out within so many metres of one that says the same better.
_TOLD_ALREADY = (
    ("woods corner", "woods point", 80.0),
    ("stream crossing", "known crossing", 20.0),
    ("valley crossing", "known crossing", 20.0),
)


def apart(features: Iterable[Feature], *, spacing_m: float) -> list[Feature]:
    """The features that keep `spacing_m` metres to those before them in the list."""
    kept: list[Feature] = []
    for feature in features:
        if all(_metres(feature, other) >= spacing_m for other in kept):
            kept.append(feature)
    return kept


def in_order(features: Iterable[Feature]) -> tuple[Feature, ...]:
    """By kind (as in `KINDS`), then strongest, then northern, then western first.

    One thing is told once: no corner beside a point of woods, which is a corner too, and no
    computed crossing at one that the user drew.
    """
    every = list(features)
    single = [
        feature
        for feature in every
        if not any(
            feature.kind == kind and other.kind == better and _metres(feature, other) <= reach_m
            for kind, better, reach_m in _TOLD_ALREADY
            for other in every
        )
    ]
    return tuple(
        sorted(single, key=lambda f: (KINDS.index(f.kind), -f.strength, -f.northing, f.easting))
    )


def feature_for_spot(
    features: Sequence[Feature], easting: float, northing: float, *, reach_m: float
) -> Feature | None:
    """The feature that a spot serves: the strongest for its distance within reach, or none.

    Strength falls evenly to half at `reach_m`; of equals the first in `in_order` wins.

    Parameters
    ----------
    features : in the order of `in_order`
    easting, northing : float, metres in the coordinate system of the features
    reach_m : float, metres
    """
    best, most = None, 0.0
    for feature in features:
        away = float(np.hypot(feature.easting - easting, feature.northing - northing))
        worth = feature.strength * (1 - 0.5 * away / reach_m)
        # The hair keeps the fixed order where two are equal up to rounding.
        if away <= reach_m and worth > most + 1e-9:
            best, most = feature, worth
    return best


def served_by(
    features: Sequence[Feature], easting: FloatArray, northing: FloatArray, *, reach_m: float
) -> list[Feature | None]:
    """The feature that each of many places serves; see `feature_for_spot`.

    Parameters
    ----------
    features : in the order of `in_order`
    easting, northing : (n,) float, metres
    reach_m : float, metres

    Returns
    -------
    list of n features; None where none is within reach
    """
    if not features:
        return [None] * len(easting)
    at = np.array([(f.easting, f.northing, f.strength) for f in features])
    away = np.hypot(at[:, 0] - easting[:, None], at[:, 1] - northing[:, None])
    worth = np.where(away <= reach_m, at[:, 2] * (1 - 0.5 * away / reach_m), -np.inf)
    best = (worth >= worth.max(axis=1, keepdims=True) - 1e-9).argmax(axis=1)
    return [
        features[k] if np.isfinite(worth[n, k]) and worth[n, k] > 0 else None
        for n, k in enumerate(best)
    ]


def name_by_feature(
    candidates: Sequence[Candidate],
    features: Sequence[Feature],
    *,
    reach_m: float,
    land: BaseGeometry,
) -> list[Candidate]:
    """The candidates with the feature each serves; a feature names only the first to serve it.

    Where two spots would be called the same, both are told apart by the side of the `land` (the
    parcel) they lie on. `reach_m` is how far away a served feature may lie, metres.
    """
    free = list(features)
    served: list[Feature | None] = []
    for candidate in candidates:
        found = feature_for_spot(free, candidate.easting, candidate.northing, reach_m=reach_m)
        if found is not None:
            # Two spots at one ford would carry one name; the second takes the next best, or none.
            free.remove(found)
        served.append(found)
    words = [feature.words for feature in served if feature is not None]
    return [
        replace(
            candidate,
            feature=_with_side(feature, land)
            if feature is not None and words.count(feature.words) > 1
            else feature,
        )
        for candidate, feature in zip(candidates, served, strict=True)
    ]


def _with_side(feature: Feature, land: BaseGeometry) -> Feature:
    return replace(feature, side=side_of(feature.easting, feature.northing, land=land))


def side_of(easting: float, northing: float, *, land: BaseGeometry) -> str:
    """The side of the `land` a place lies on, or "middle", to tell places of one kind apart.

    `easting` and `northing` are metres in the coordinate system of the land.

    Examples
    --------
    >>> from shapely import box
    >>> side_of(90.0, 10.0, land=box(0, 0, 100, 100))
    'south-east'
    """
    east, north = easting - land.centroid.x, northing - land.centroid.y
    # Measured by the side of a square of the same area: near the middle no side is nearer.
    if np.hypot(east, north) < 0.15 * np.sqrt(land.area):
        return MIDDLE
    return compass_word(float(np.degrees(np.arctan2(east, north))) % 360)


def _metres(a: Feature, b: Feature) -> float:
    return float(np.hypot(a.easting - b.easting, a.northing - b.northing))
