"""What limits a parcel most, and a sentence about it that can go into a letter as it stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from siting import criteria
from siting.lengths import index_text, percent
from siting.scoring.stability import TOSS_UP
from siting.settings.protocol_ground import NoGoRules
from siting.spot_parts import PlaceName
from siting.types import Land, NoGo, NoGoArray, Result, Spot
from siting.words.spot.doubt import OPEN_QUESTION, begin_at
from siting.words.spot.names import ground_name, letter_name
from siting.words.spot.no_go import REASONS, letter_clause
from siting.words.spot.reasons import NOTHING_DRAWS, NOTHING_KNOWN

NONE = "none"
_NOTHING = "nothing much"
FEW_DRAWS = "few_draws"
# Of the index: below the first a spot is hardly as good as plain ground and the parcel has a
# problem; from the second on it suits a camera well. Our choice.
_WEAK_SCORE, _GOOD_SCORE = 0.8, 1.2
# Little draws animals below this factor; a condition holds badly below this membership.
_FEW_DRAWS, _WEAK_PART = 1.1, 0.6
_CLOSED = 0.5
_QUIET_UNKNOWN = "; how quiet it is there we do not know"
# An owner would hardly notice less than a tenth of the land being closed: our choice.
_LEAST_NAMED = 0.1
_SHARES = ((0.9, "nearly all"), (0.6, "most"), (0.4, "about half"), (0.15, "a part"))

# Problems that are neither closed ground nor a weak condition; those stand in rows of their own.
_PROBLEMS: Mapping[str, str] = {NONE: "no problem", FEW_DRAWS: "little to draw animals"}
# In the order of a list: what closes ground, most usual first.
_CLOSING = (
    NoGo.ROAD, NoGo.BUILDING, NoGo.WATER, NoGo.LIVESTOCK, NoGo.FEEDER, NoGo.BOUNDARY, NoGo.STEEP,
    NoGo.BUILT_COVER, NoGo.USER, NoGo.RULED_OUT, NoGo.NO_DATA,
)  # fmt: skip


def problems() -> dict[str, str]:
    """The name of each problem of a parcel in a list, by its key in tables and files."""
    closing = {str(bit.name).lower(): REASONS[bit].problem for bit in _CLOSING}
    weak = {row.name: row.problem for row in criteria.conditions().values()}
    return {NONE: _PROBLEMS[NONE], **closing, FEW_DRAWS: _PROBLEMS[FEW_DRAWS], **weak}


@dataclass(frozen=True)
class Limit:
    """What limits a parcel most.

    Parameters
    ----------
    problem : str
        Key of `problems()`; "none" when the parcel is good all the same.
    words : str
        As a clause: "nearly all of it lies within 30 m (98 ft) of a road".
    share : float
        Share of the parcel that is closed for this reason, 0..1; NaN where it is not about area.
    """

    problem: str
    words: str
    share: float


def limit_of(result: Result, *, rules: NoGoRules) -> Limit:
    """What limits the parcel most: ground that is closed, else the weakest part of its best spot.

    Parameters
    ----------
    result : Result
    rules : NoGoRules
        The set-backs the result was made with.
    """
    shares = closed_shares(result.no_go)
    top = max(shares, key=lambda reason: shares[reason], default=None)
    best = result.spots[0] if result.spots else None
    poor = best is None or best.score < _WEAK_SCORE
    nothing = closed = Limit(NONE, _NOTHING, float("nan"))
    if top is not None:
        words = _closed_words(top, shares[top], result.land, rules)
        closed = Limit(str(top.name).lower(), words, shares[top])
    # Half of the land closed outweighs any weakness of a spot on the rest.
    if 1.0 - result.usable_share >= _CLOSED:
        return closed
    if best is None:
        return _nothing_found(result, closed)
    if result.plain:
        return Limit(FEW_DRAWS, NOTHING_KNOWN, float("nan"))
    weakest = _weak_part(best)
    if weakest is not None:
        key, words = weakest
        return Limit(key if poor else NONE, words, float("nan"))
    if poor:
        return closed
    minor = replace(closed, problem=NONE)
    return minor if minor.share >= _LEAST_NAMED else nothing


def _nothing_found(result: Result, closed: Limit) -> Limit:
    """Why no spot was found although most of the parcel is allowed ground."""
    draws = result.scores.attraction[result.no_go == 0]
    known = draws[np.isfinite(draws)]
    if known.size and float(known.max()) >= _FEW_DRAWS and closed.problem != NONE:
        return closed
    return Limit(FEW_DRAWS, "nothing on it is known to draw animals", float("nan"))


def closed_shares(no_go: NoGoArray) -> dict[NoGo, float]:
    """Share of the parcel's cells that each reason closes; cells may have several reasons."""
    # Of the owner's own land alone: what is closed around it is no concern of a letter.
    inside = no_go[(no_go & NoGo.OUTSIDE) == 0]
    if not inside.size:
        return {}
    found = {r: float(np.mean((inside & r) != 0)) for r in NoGo if r is not NoGo.OUTSIDE}
    return {reason: share for reason, share in found.items() if share > 0}


def _weak_part(best: Spot) -> tuple[str, str] | None:
    """The weakest part of a spot, when one is weak, as key and words."""
    rows = criteria.conditions()
    parts = {name: best.memberships[name] for name in rows if name in best.memberships}
    low = min(parts, key=lambda name: parts[name], default="")
    if best.attraction < _FEW_DRAWS and (not low or parts[low] >= _WEAK_PART):
        return FEW_DRAWS, "little on it is known to draw animals"
    if low and parts[low] < _WEAK_PART:
        return low, rows[low].letter_limit
    return None


def _closed_words(reason: NoGo, share: float, land: Land, rules: NoGoRules) -> str:
    much = next((words for least, words in _SHARES if share >= least), "a little")
    return f"{much} of it {letter_clause(reason, land, rules)}"


def where(spot: Spot, land: Land) -> str:
    """Where a spot is, in a few words."""
    if spot.plain:
        return f"an area to look over: {NOTHING_KNOWN}"
    if spot.name:
        return letter_name(spot.place or PlaceName(spot.name))
    rows = criteria.attractors()
    if spot.kind not in rows:
        return letter_name(ground_name(land, spot))
    how = criteria.known_at(spot.kind, spot.measures)
    return rows[spot.kind].as_known(how).letter_place


def draws_words(spot: Spot) -> str:
    """Why animals pass a spot, as a clause after "because"; "" where the maps know nothing."""
    if spot.plain or spot.why == NOTHING_DRAWS:
        return ""
    rows = criteria.attractors()
    if spot.kind in rows:
        return rows[spot.kind].as_known(criteria.known_at(spot.kind, spot.measures)).draws
    # Nothing holds well in its picture: what is near stands in, and no animal is promised.
    nearest = spot.why[0].split(". ")[0].rstrip(".")
    return f"the maps show {nearest[:1].lower()}{nearest[1:]}"


def because_words(draws: str, doubt: str) -> str:
    """Why a spot is asked for, with what has to be found out there first; "" for not known.

    `draws` is that of `draws_words`, `doubt` that of a `Spot`.
    """
    return f"{draws}, though {OPEN_QUESTION[doubt]}" if draws and doubt else draws


def letter_sentence(result: Result, *, limit: Limit, firm: int | None, scant_share: float) -> str:
    """What an answer to a sign-up says about a parcel, in one or two sentences.

    It names no person and promises nothing; it says what the maps show. A parcel of which less than
    `scant_share` (0..1) is open to a camera, or with only one place, hears that we must look first.
    """
    parcel = result.land.parcel
    land = f"your land ({parcel.label or parcel.id})"
    if not result.spots:
        return (
            f"Thank you for offering {land}: from the maps, we would not put a camera there, "
            f"because {limit.words}; if you know a quiet place that the maps miss, please tell us."
        )
    count = len(result.spots)
    if result.plain:
        return f"Thank you for offering {land}: {_nothing_known(count)}."
    begun = begin_at(result.spots)
    score = begun.score
    known = result.land.vectors.keys() - result.land.known_areas.keys()
    # What has still to be found out is not praised.
    good = sum(spot.score >= _GOOD_SCORE and not spot.doubt for spot in result.spots)
    tossed = is_toss_up(result.spots[0])
    said = _found(score, count, good=good, tossed=tossed, limit=limit, firm=firm)
    # Good by what was mapped: a house next to the place would undo it.
    if score >= _GOOD_SCORE and good and not {"roads", "buildings"} & known:
        said += _QUIET_UNKNOWN
    # By its number, as map and sheet call it: of several places this is the one that is meant.
    named = ("one of them" if tossed else "the best") if count > 1 else "the place"
    if begun is not result.spots[0] and not tossed and not begun.doubt:
        named = "the first to look at"
    named = f"{named[:1].upper()}{named[1:]} is spot {begun.rank}"
    if begun.doubt:
        named += f", though {OPEN_QUESTION[begun.doubt]}"
    return (
        f"Thank you for offering {land}: {said}. {named}: "
        f"{where(begun, result.land)}{_scant(result, scant_share)}."
    )


def is_toss_up(spot: Spot) -> bool:
    """Whether the trials could not tell a spot from others."""
    return spot.stability is not None and spot.stability.word == TOSS_UP


def _nothing_known(count: int) -> str:
    """What is said where nothing mapped draws animals: no place is named, and none praised."""
    stand = "one area" if count == 1 else f"{count} areas"
    return (
        "no place there stands out on our maps; a camera could stand in "
        f"{stand}, but only fresh tracks, or what you see there yourself, can say where"
    )


def _scant(result: Result, scant_share: float) -> str:
    # True in every letter, also in that which plans no camera: a promise to come would not be.
    look = "so no camera should go up before we have looked at the place with you"
    if result.usable_share < scant_share:
        return f"; only {percent(result.usable_share)} of it is suitable, {look}"
    return f"; there is no second place to go to, {look}" if len(result.spots) == 1 else ""


def _found(
    score: float, count: int, *, good: int, tossed: bool, limit: Limit, firm: int | None
) -> str:
    """What the maps show: `good` of `count` places have an index from which it suits well.

    `tossed` is True where the first place is a toss-up, so that none is known to be the best.
    """
    though = "" if limit.words == _NOTHING else f", though {limit.words}"
    because = "" if limit.words == _NOTHING else f", because {limit.words}"
    places = "one place" if count == 1 else f"{count} places"
    if score < _WEAK_SCORE:
        weak = "one weak place" if count == 1 else f"{count} weak places"
        return f"the maps show only {weak} for a camera{because}"
    if score < _GOOD_SCORE or not good:
        # Neither praised nor played down: about as good as plain ground.
        return f"the maps show {places} where a camera could stand{though}"
    if tossed and count > 1:
        # Ten toss-ups of 30 m maps "would suit a camera well": nothing tells them from the rest.
        said = f"the maps show {places} where a camera could stand, but cannot say which is best"
        return f"{said}{though}" if limit.problem != NONE else said
    suit = f"that would suit a camera well{_of_more(good, count)}"
    places = "one place" if good == 1 else f"{good} places"
    if limit.problem != NONE:
        return f"the maps show {places} {suit}, though {limit.words}"
    ahead = _firm_words(min(firm, good) if firm is not None else None, good)
    return f"the maps show {places} {suit}{ahead}"


def _of_more(good: int, count: int) -> str:
    """The places beyond the good ones, which are not praised with them."""
    more = count - good
    return f" (and {more} more where one could stand)" if more else ""


def _firm_words(firm: int | None, count: int) -> str:
    """How many of the places would keep their rank if maps and settings were slightly wrong."""
    if firm is None or count == 1 or firm == 0:
        return ""
    if firm == 1:
        return ", one of them a firm choice"
    return f", {'all' if firm == count else firm} of them firm choices"


def credit_line(lines: Sequence[str]) -> str:
    """Whose maps a letter's words were made from; "" where nobody asks to be named."""
    return f"Our maps were made from: {'; '.join(lines)}." if lines else ""


def drawn_reason(parcel: str, stratum: str, *, spot: int | None, score: float) -> str:
    """Why the camera of a cell stands at random, for the office.

    Examples
    --------
    >>> drawn_reason("P01", "woods", spot=2, score=1.94)
    'Drawn by lot: a random place in woods on P01. Picked, it would be spot 2 (index 1.9).'
    """
    return (
        f"Drawn by lot: a random place in {stratum} on {parcel}. "
        f"Picked, it would be spot {spot} (index {index_text(score)})."
    )


def because_drawn() -> str:
    """Why, for the volunteer, as a clause that names no other parcel."""
    return "what picked places are worth shows only beside places that chance chose"


def asked_at_random(stratum: str, because: str) -> str:
    """What a letter asks for: the place by its name on map and sheet, and why.

    Examples
    --------
    >>> asked_at_random("woods", "")[:72]
    'We ask you for a camera at a place drawn at random: woods 1, the square '
    """
    why = f", because {because}" if because else ""
    return (
        f"We ask you for a camera at a place drawn at random: {stratum} 1, the square "
        f"{stratum[:1].upper()}1 on your map{why}. Your sheet has a page that says how to choose "
        "the tree there. The numbered spots are for other cameras: a better place close by would "
        "spoil the comparison."
    )


def too_near(cell: str, *, apart: str, asked: str) -> str:
    """That chance put a place nearer to another camera than the survey asks."""
    return f"It lies {apart} from the camera of cell {cell}; picked cameras keep {asked} apart."
