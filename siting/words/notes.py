"""Assumptions and warnings as sentences: one function per code of a `Remark`."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from siting import criteria
from siting.lengths import listed, percent
from siting.notes import Remark
from siting.scoring.stability import Choice
from siting.settings.protocol import Protocol
from siting.settings.protocol_travel import StabilityRules
from siting.settings.ratios.compared import compared_weights
from siting.types import Note
from siting.words.spot.heading import COMPASS_TROUBLE

# The nearest ones are what a reader can use; a longer sentence would be cut off on the page.
_MOST_TURNS = 2


def notes_of(remarks: Iterable[Remark]) -> tuple[Note, ...]:
    """Each remark as a note; its level follows from its code, "W-" for a warning."""
    return tuple(
        Note(
            remark.code,
            "warning" if remark.code.startswith("W-") else "assumption",
            _SAYS[remark.code](**remark.values),
        )
        for remark in remarks
    )


def comparison_notes(protocol: Protocol) -> tuple[Note, ...]:
    """Where weights come from a pairwise comparison, and how consistent it was."""
    return tuple(
        Note(
            "A-WEIGHTS-01",
            "assumption",
            f"The weights of the {group} come from a pairwise comparison; its consistency ratio "
            f"is {found.consistency_ratio:.3f} (0.10 at most is usual).",
        )
        for group, found in compared_weights(protocol).items()
    )


def list_notes(
    count: int, usable: float, *, scant_share: float, plain: bool = False, peopled: bool = False
) -> tuple[Note, ...]:
    """What to know before a camera is promised: no spot, hardly any ground, or one place only.

    `count` is the number of spots, `usable` the share of the parcel that is open, 0..1; `plain` is
    True where nothing mapped draws animals to any of them, `peopled` where people are likely on
    some or all of the ground.
    """
    if not count:
        text = _none_found(usable)
        return (Note("W-NOSPOT-01", "warning", text),)
    look = "Look at it with the owner before a camera is promised."
    known = (Note("W-PLAIN-01", "warning", nothing_known(count, peopled=peopled)),) if plain else ()
    if usable < scant_share:
        text = f"Only {percent(usable)} of this parcel is open to a camera. {look}"
        return (*known, Note("W-SCANT-01", "warning", text))
    if count == 1 and not plain:
        text = f"There is one place only: if it is no good, there is no second. {look}"
        return (Note("W-SCANT-01", "warning", text),)
    return known


def _none_found(usable: float) -> str:
    """Why there is no spot, from the share of the parcel that is open to a camera."""
    # As it is shown: "0 % is suitable, and no place on it scores enough" says one thing too many.
    if percent(usable) == percent(0.0):
        left = "hardly any" if usable else "no"
        return (
            f"No spot was found: the survey's rules leave {left} ground on this parcel for a "
            "camera. The map shows which rule closes what."
        )
    return (
        f"No spot was found: {percent(usable)} of the parcel is open to a camera, but no place on "
        "it scores enough."
    )


def spots_in_words(count: int, *, plain: bool) -> str:
    """How many spots there are, or how many areas where nothing mapped draws animals.

    Examples
    --------
    >>> spots_in_words(1, plain=False), spots_in_words(0, plain=False)
    ('1 spot', 'no spot')
    >>> spots_in_words(3, plain=True)
    'no spot, 3 areas to look over'
    """
    what = "area" if plain else "spot"
    if not count:
        return "no spot"
    counted = f"{count} {what}{'' if count == 1 else 's'}"
    return f"no spot, {counted} to look over" if plain else counted


def nothing_known(areas: int, *, peopled: bool = False) -> str:
    """What to do where nothing mapped draws animals, in so many areas.

    `peopled` is True where the land has parks, lawns or verges, on which no place is named.
    """
    marked = "the marked area" if areas == 1 else f"the {areas} marked areas"
    if peopled:
        return (
            "On these maps no place away from parks, lawns and verges stands out from the ground "
            "around it, and on those people are likely, so none is named. Look over "
            f"{marked} for fresh tracks and worn paths, and ask who comes there and when."
        )
    return (
        "On these maps no place open to a camera stands out from the ground around it, so none is "
        f"named. Look over {marked} for fresh tracks and worn paths, and ask people who know "
        "the land where they see animals."
    )


def _compass_day(*, day: str, first: int, last: int) -> str:
    return (
        f"No first day was given, so compass headings are for {day}, the middle of the magnetic "
        f"model's years ({first}-{last})."
    )


def _no_compass(*, trouble: str) -> str:
    return COMPASS_TROUBLE[trouble]


def _zone(*, zone: str, hours: int) -> str:
    # The zone's own name counts the other way round.
    clock = f"UTC{hours:+d} ({zone})" if hours else "UTC"
    return f"No time zone was given, so times of low sun use {clock}, the zone for this longitude."


def _no_days() -> str:
    return "No dates were given, so the sun was judged over a whole year."


def _no_start() -> str:
    return "No way in was given and no road nearby is known, so no walk is shown."


def _road_start(*, way_in_given: bool) -> str:
    given = (
        "The way in that was given lies outside the area that was read."
        if way_in_given
        else "No way in was given."
    )
    return (
        f"{given} The walk starts at the nearest point on a road. We do not know whether you may "
        "stop there and cross to the parcel: ask first."
    )


def _no_walk(*, ranks: Sequence[int]) -> str:
    return (
        "No route on foot that avoids water, steep ground and closed ground was found to "
        f"{_spots(ranks)}."
    )


def _unknown_crossing(*, ranks: Sequence[int]) -> str:
    walk = "The walk to {} crosses" if len(ranks) == 1 else "The walks to {} cross"
    return f"{walk.format(_spots(ranks))} a stream where no crossing is known."


def _spots(ranks: Sequence[int]) -> str:
    return f"{'spot' if len(ranks) == 1 else 'spots'} {listed([str(rank) for rank in ranks])}"


def _stability(
    *,
    choices: Sequence[Choice],
    shown: int,
    cover_error_m: float,
    elevation_error_m: float,
    rules: StabilityRules,
    stated_m: Mapping[str, float] = MappingProxyType({}),
) -> str:
    near = sorted(choices, key=lambda choice: abs(choice.turns_at - choice.weight))
    turning = [_turning(choice, shown=shown) for choice in near[:_MOST_TURNS]]
    turns = (
        f"Another place would come first {'; '.join(turning)}."
        if turning
        else "No single ratio, changed threefold or switched off, would put another place first."
    )
    own = ", ".join(f"{name} by {error:.0f} m" for name, error in stated_m.items())
    lines = f"{rules.line_error_m:g} m" + (f" ({own}, as stated)" if own else "")
    return (
        f"Places were tried {rules.draws} times: mapped lines moved by {lines}, "
        f"land cover by {cover_error_m:.0f} m with {100 * rules.misread_share:g} % misread in "
        f"patches, elevations by {elevation_error_m:g} m, neighbouring places alike; ratios drawn "
        f"within their intervals, travel costs and headings changed. {turns}"
    )


def _turning(choice: Choice, *, shown: int) -> str:
    what = criteria.label_of(choice.criterion, choice.criterion)
    who = f"spot {choice.winner + 1}" if choice.winner < shown else "a place not shown"
    # Ratios, as the protocol has them; the logarithm is for the arithmetic only.
    new, old = (math.exp(weight) for weight in (choice.turns_at, choice.weight))
    if f"{new:.3g}" == f"{old:.3g}":
        return (
            f'({who}) if the ratio of "{what}" were a little {"higher" if new > old else "lower"}'
        )
    return f'({who}) if the ratio of "{what}" were {new:.3g} instead of {old:.3g}'


def _not_judged(*, label: str, ratio: float, draws: bool) -> str:
    could = (
        f"where there is one, the index may be {ratio:.2g} times as high"
        if draws
        else f"where it fails, the index may be only {ratio:.2g} times as high"
    )
    return f'Not judged, so nothing was taken away: "{label}"; {could}.'


def _drawn(*, strata: Sequence[tuple[str, int, float]], seed: int, asked: int) -> str:
    """What was drawn from each habitat, and how much of it lies outside the draw."""
    drawn = sum(count for _, count, _ in strata)
    # The closed share stands beside each habitat: an estimate holds for the rest of it only.
    each = "; ".join(
        f"{name}: {count}, {percent(closed)} of it closed" for name, count, closed in strata
    )
    few = " There is no open ground to draw from." if asked and not drawn else ""
    return (
        f"{drawn} {'place was' if drawn == 1 else 'places were'} drawn at random (seed {seed}; "
        f"{each}). What they show holds for the open ground only.{few}"
    )


def _search_ended(*, looked: int) -> str:
    return (
        f"The search looked around from {looked:,} cells, the most allowed "
        "(candidates.most_looks), before it was sure of the best ones: a slightly better place may "
        "lie near a spot."
    )


# By code, so that scoring, heading and walk pass on values and hold no sentence themselves
# (tests/test_imports.py).
_SAYS: Mapping[str, Callable[..., str]] = {
    "A-COMPASS-01": _compass_day,
    "W-COMPASS-01": _no_compass,
    "A-TIME-01": _zone,
    "A-TIME-02": _no_days,
    "W-WALK-01": _no_start,
    "A-WALK-01": _road_start,
    "W-WALK-02": _no_walk,
    "W-WALK-03": _unknown_crossing,
    "A-STABILITY-01": _stability,
    "A-ABSENT-01": _not_judged,
    "A-SEARCH-01": _search_ended,
    "A-RANDOM-01": _drawn,
}


def layers_together(notes: Iterable[Note]) -> tuple[Note, ...]:
    """The notes, with one sentence per file for all its layers that have nothing here.

    Examples
    --------
    >>> found = [
    ...     Note("W-LAYER-01", "warning", "", {"file": "a.gpkg", "layer": name})
    ...     for name in ("roads", "feeders")
    ... ]
    >>> [note.text for note in layers_together(found)]
    ['a.gpkg (roads, feeders) has nothing on or around this land.']
    """
    out: dict[object, Note] = {}
    layers: dict[str, list[str]] = {}
    for number, note in enumerate(notes):
        if note.code != "W-LAYER-01":
            out[number] = note
            continue
        file = str(note.values["file"])
        layers.setdefault(file, []).append(str(note.values["layer"]))
        # The first of a file keeps its place in the list.
        text = nothing_here(file, layers[file])
        out[file] = replace(note, text=text)
    return tuple(out.values())


def nothing_here(file: str, layers: Sequence[str]) -> str:
    """A file's layers that were read and have nothing on the land."""
    return f"{file} ({', '.join(layers)}) has nothing on or around this land."
