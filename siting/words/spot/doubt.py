"""What has to be found out before a spot is the one to go to, and where to begin then.

Reasons that are on a map come before reasons that the program worked out, and before trails of
which nobody has said who uses them. The map page does the same (web/model/choice.js).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import takewhile

import numpy as np

from siting import criteria
from siting.ground.peopled import DERIVED_KINDS
from siting.lengths import index_text, listed, percent, tenths
from siting.scoring.candidates import TIE
from siting.scoring.combine import combine
from siting.scoring.stability import FAIR, FIRM, TOSS_UP
from siting.settings.protocol import Protocol
from siting.spot_parts import PlaceStability
from siting.types import Feature, Spot
from siting.words.spot.reasons import NOTHING_DRAWS

USE, DERIVED = "use", "derived"

STABILITY_WORDS: Mapping[str, str] = {
    "": "",
    USE: " We do not know who uses the trail near it, so it is never called firm.",
    DERIVED: " What speaks for it was worked out and is on no map, so it is never called firm.",
}
"""What is said beside the word for how sure a place is, by doubt."""


def doubt_of(
    memberships: Mapping[str, float],
    measures: Mapping[str, float],
    feature: Feature | None,
    *,
    weights: Mapping[str, float],
    protocol: Protocol,
) -> str:
    """What a spot's place in the list depends on that no map shows: "use", "derived" or "".

    Parameters
    ----------
    memberships, weights : mappings from criterion to 0..1, and to the logarithm of its ratio
    measures : mapping from layer name to the value at the spot
    feature : the feature that the spot serves, or None
    protocol : Protocol: how near a trail is felt, and how much a place needs to be listed
    """
    felt_m = protocol.disturbance.unknown_trail[-1][0]
    if measures.get("distance_to_unknown_trail_m", math.inf) < felt_m:
        return USE
    shaped = feature is None or feature.kind in DERIVED_KINDS
    mapped = {
        name: np.array([memberships[name]], dtype=np.float32)
        for name in criteria.attractors()
        if name in memberships
        and criteria.known_at(name, measures) == criteria.MAPPED
        and not (name == "feature" and shaped)
    }
    if not mapped:
        return DERIVED
    logs = {name: weights[name] for name in mapped}
    draws = combine(mapped, weights=logs, scoring=protocol.scoring).attraction[0]
    return "" if draws >= protocol.candidates.least_attraction - TIE else DERIVED


def begin_at(spots: Sequence[Spot]) -> Spot:
    """The spot to begin with: never one with an open question where another comes as near.

    `spots` in order, the best first, at least one. Of spots that the maps cannot rank it is the one
    with the shortest walk.
    """
    alike = _alike(spots)
    return _nearest(_without_question(alike)) if len(alike) > 1 else _sure_one(spots) or spots[0]


def asked_index(spot: Spot, spots: Sequence[Spot]) -> float:
    """The index (without a unit) by which a spot of a list may be asked for.

    It is its own index, but of a spot with an open question it is the least that the trials found:
    so another that may be as good goes before it, on this land and on that of a neighbour.
    """
    if not spot.doubt:
        return spot.score
    sure, begun = spot.stability, begin_at(spots)
    # Without trials, spots of one index as it is printed are in a tie.
    low = sure.low if sure and math.isfinite(sure.low) else (tenths(spot.score) - 0.5) / 10.0
    first = spot.score if begun.doubt else begun.score
    return min(spot.score, low, first) - _AFTER_EQUALS


# Scores are kept to four digits: of two that are equal the one without a question goes first.
_AFTER_EQUALS = 1e-4


def start_words(spots: Sequence[Spot]) -> str:
    """Where to begin: at the first spot, unless the maps cannot rank the first ones; "" without."""
    if not spots:
        return ""
    if spots[0].plain:
        return _area_words(spots)
    alike = _alike(spots)
    if len(alike) > 1:
        return (
            f"These maps cannot rank spots 1 to {len(alike)}: any of them may be the best. "
            f"{_nearest_words(alike)}"
        )
    first, begun = spots[0], begin_at(spots)
    if not first.doubt:
        return f"Start with spot {first.rank}."
    if begun.doubt:
        return ALONE[first.doubt].format(n=first.rank)
    return f"Start with spot {begun.rank}. {PASSED[first.doubt].format(n=first.rank)}"


ONE_AREA = "There is one area to look over."
_EASIEST = "that is easiest to reach"
PASSED: Mapping[str, str] = {
    USE: "Spot {n} has the higher index, but we do not know who uses the trail there: look at it "
    "later, and count it only if few people do.",
    DERIVED: "Spot {n} has the higher index, but what speaks for it was worked out and is on no "
    "map.",
}
"""Why the first of the list, {n}, is not the one to begin with, by doubt; on the page, too."""

ALONE: Mapping[str, str] = {
    USE: "Find out first who uses the trail near spot {n}: only if few people do, start there.",
    DERIVED: "Nothing that is on a map speaks for spot {n}: its reasons were worked out. Start "
    "where you find fresh tracks.",
}
"""What to do where no spot without an open question comes near the first, {n}, by doubt."""


OPEN_QUESTION: Mapping[str, str] = {
    USE: "we do not know who uses the trail there",
    DERIVED: "what speaks for it was worked out and is on no map",
}
"""What has to be found out first, as a clause, by doubt."""


def _nearest_words(alike: Sequence[Spot]) -> str:
    """The one with the shortest walk, of those without an open question where there are some."""
    pool = _without_question(alike)
    which = " of those with no open question" if len(pool) < len(alike) else ""
    if any(spot.walk for spot in pool):
        return f"Start with spot {_nearest(pool).rank}: it has the shortest walk{which}."
    if which:
        return f"Start with spot {pool[0].rank}, which has no open question."
    return f"Start with the one {_EASIEST}."


def _area_words(areas: Sequence[Spot]) -> str:
    """Where to begin among areas to look over, which have no order."""
    if len(areas) == 1:
        return ONE_AREA
    if any(area.walk for area in areas):
        return f"Start with area {_nearest(areas).rank}: it has the shortest walk."
    return f"Start with the area {_EASIEST}."


def _without_question(alike: Sequence[Spot]) -> Sequence[Spot]:
    return [spot for spot in alike if not spot.doubt] or alike


def _nearest(pool: Sequence[Spot]) -> Spot:
    """The one with the shortest walk; the first where no walk is known."""
    return min(pool, key=lambda spot: spot.walk.minutes_there if spot.walk else math.inf)


def _alike(spots: Sequence[Spot]) -> list[Spot]:
    """The first ones, as far as nothing tells them apart.

    None where all of them have an open question and another that comes as near has not.
    """
    alike = list(takewhile(lambda spot: _unranked(spot, spots[0]), spots))
    return [] if all(spot.doubt for spot in alike) and _sure_one(spots) else alike


def _sure_one(spots: Sequence[Spot]) -> Spot | None:
    """The first without an open question that may be as good as the first of all."""
    return next((s for s in spots if not s.doubt and _in_tie(s, spots[0])), None)


def _in_tie(spot: Spot, first: Spot) -> bool:
    """Whether the trials put the first spot as low as this one, so that it may be the better."""
    if first.stability is None or not math.isfinite(first.stability.low):
        return tenths(spot.score) == tenths(first.score)
    return spot.score >= first.stability.low


def _unranked(spot: Spot, first: Spot) -> bool:
    """Whether nothing tells it from the first: toss-ups both, of the first five or of one index."""
    same = tenths(spot.score) == tenths(first.score)
    if spot.plain:
        return True
    if spot.why == NOTHING_DRAWS:
        return same
    sure = spot.stability
    return sure is not None and sure.word == TOSS_UP and (same or spot.rank <= sure.among)


def stability_words(found: PlaceStability, doubt: str = "", *, surer: Sequence[int] = ()) -> str:
    """How sure a place is, as a sentence; `doubt` is what has to be found out first.

    `surer` holds the ranks of spots below it that are surer (`surer_below`).
    """
    words = (
        f"{found.word.capitalize()}: in {found.draws} trials with maps, heights and ratios changed "
        f"within their errors, it stayed among the first {found.among} in "
        f"{percent(found.share_among)}"
    )
    if math.isfinite(found.low):
        low, high = index_text(found.low), index_text(found.high)
        words += f"; its index lay between {low} and {high}"
    return f"{words}.{STABILITY_WORDS[doubt]}{_order_words(surer)}"


def surer_below(spot: Spot, spots: Sequence[Spot]) -> list[int]:
    """The ranks of the spots below one that are surer: the list goes by the index.

    Two good places that share one wood take each other's rank in the trials; a lesser one that has
    no neighbour keeps its own.
    """
    if spot.stability is None:
        return []
    mine = _SURENESS.index(spot.stability.word)
    return [
        other.rank
        for other in spots
        if other.rank > spot.rank
        and other.stability is not None
        and _SURENESS.index(other.stability.word) > mine
    ]


_SURENESS = (TOSS_UP, FAIR, FIRM)


def _order_words(surer: Sequence[int]) -> str:
    if not surer:
        return ""
    one = len(surer) == 1
    ranks = listed([str(rank) for rank in surer])
    return (
        f" The list goes by the index: spot{'' if one else 's'} {ranks} below "
        f"{'is' if one else 'are'} surer of {'its' if one else 'their'} place, but with less to "
        "draw animals or poorer conditions."
    )
