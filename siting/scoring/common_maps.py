"""Parcels compared by what all of them were judged by.

A parcel whose trails are mapped can reach an index that one without a map cannot. So each parcel
says how good its best place would be without the maps that others may lack.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from siting.scoring.combine import combine, memberships_at
from siting.settings.protocol_score import Scoring
from siting.types import BoolArray, Land, Scores

# A map that may be missing on part of the land, and the criteria that stand on it. Roads and
# houses are not among them: where none is near, that is most often how it is.
MAPS: Mapping[str, tuple[str, ...]] = {
    "trails": ("trail", "crossing"),
    "water": ("water", "crossing", "valley"),
}


def maps_of(land: Land) -> list[str]:
    """Which of `MAPS` have something on the land read: one with nothing may not be mapped here."""
    return [name for name in MAPS if land.shapes(name)]


def best_without(scores: Scores, open_ground: BoolArray, *, scoring: Scoring) -> dict[str, float]:
    """The best index of the open ground without each choice of maps, headings left out.

    `open_ground` is (rows, cols) bool, True where a camera may stand.

    Returns
    -------
    mapping from the names of the maps left out, joined by "+" ("" for none), to an index, the ratio
    to plain ground; empty where no ground is open
    """
    parts = memberships_at(scores.memberships, open_ground)
    found = {}
    for count in range(len(MAPS) + 1):
        for left_out in combinations(MAPS, count):
            gone = {name for one in left_out for name in MAPS[one]}
            kept = {name: values for name, values in parts.items() if name not in gone}
            if not kept or not open_ground.any():
                continue
            weights = {name: scores.weights[name] for name in kept}
            total = combine(kept, weights=weights, scoring=scoring).total
            if np.isfinite(total).any():
                found["+".join(left_out)] = round(float(np.nanmax(total)), 4)
    return found


def not_common(judged: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Maps that some parcels have and others lack.

    Examples
    --------
    >>> not_common([["trails", "water"], ["water"]])
    ('trails',)
    """
    return tuple(name for name in MAPS if len({name in maps for maps in judged}) == 2)


def fair_share(without: Mapping[str, float], left_out: Sequence[str]) -> float:
    """What is left of a parcel's best index by the maps that all have; 1 where all have all.

    Examples
    --------
    >>> fair_share({"": 3.0, "trails": 1.5}, ("trails",))
    0.5
    """
    whole = without.get("", 0.0)
    return without.get("+".join(left_out), whole) / whole if whole > 0 else 1.0
