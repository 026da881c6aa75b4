"""What a review notices in a season's records: one row per sentence, by the code of its warning."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from siting.types import Note

WARNINGS: Mapping[str, str] = {
    # Reading the packages.
    "W-LEVEL-01": "Observations are given both by event and by picture: a deployment's events are "
    "used where it has any, never both.",
    "W-TYPE-01": "{count} of {total} observations have not been classified: rates are too low "
    "there.",
    "W-CLOCK-01": "{count} records lie outside the dates of their deployment and were left out: "
    "was a clock wrong?",
    "W-TWICE-01": "{count} records appear twice and are counted once.",
    "W-BLANK-01": "Blank pictures were not included: nothing is said about them.",
    "W-LABEL-01": "{count} of {total} records were named by a machine that was not sure.",
    "W-PLACE-04": "{count} places are rounded to 100 m or so ({names}): how near they are to "
    "trails and water can hardly be judged.",
    "W-PLACE-03": "{count} deployments do not say how exact their place is: 15 m is assumed.",
    "W-HEAD-01": "{count} of {total} headings are 0: they are taken as not noted.",
    # Species, days and events.
    "W-NAME-01": "{count} names are in no group and were not counted: {names}.",
    "W-NAME-02": "Livestock, pets and people are not counted as wild animals: {names}.",
    "W-EFFORT-01": "{count} deployments have no end, or one that is still to come, and were left "
    "out: {names}.",
    "W-EFFORT-02": "{count} cameras may have failed early; their last picture was long before the "
    "end: {names}.",
    "W-EFFORT-03": "{count} deployments end before they begin or lasted less than a day and were "
    "left out: {names}.",
    "W-BAIT-01": "{count} cameras had bait, which draws animals by itself.",
    "W-DEPLOY-02": "{count} times a camera has two deployments at once, so days count twice: "
    "{names}.",
    "W-EVENT-01": "Records follow each other closely: those of one species within {minutes:g} "
    "minutes of the last one are counted as one event.",
    "W-PLACE-02": "Deployments at the same place as another are kept, and the two count as one "
    "place: {names}.",
    # The maps at the cameras.
    "W-OUT-01": "{count} cameras stood where the maps do not reach: {names}.",
    "W-OUT-02": "{count} cameras stood on ground that is closed to cameras, or off every parcel; "
    "they are kept: {names}.",
    "W-SCORE-01": "The protocol does not score by rate ratios: only the order of scores is judged.",
    "W-REVIEW-01": "Headings noted at the cameras are not judged yet: places are judged without a "
    "heading.",
    # What so few cameras can say.
    "W-FEW-00": "{cameras} cameras with {events:.0f} events: fewer than {least} of either say "
    "nothing about a score.",
    "W-FEW-01": "{cameras} cameras at {clusters} independent places, {days:.0f} camera-days and "
    "{events:.0f} events: a verdict needs at least {least_cameras} cameras at {least_clusters} "
    "places, {least_days} camera-days and {least_events} events.",
    "W-FEW-02": "Too little to say: {names}.",
    "W-FEW-03": "{cameras} cameras at {clusters} independent places: a change of the protocol is "
    "suggested from {least_cameras} cameras at {least_clusters} places on.",
    "W-RANGE-01": "All cameras stood alike in this: {names}.",
    "W-ALIKE-01": "Too similar at these places to be separated: {names}.",
    "W-HELD-01": "Tried on cameras it had not seen, the changed protocol did no better than the "
    "old one: no change is suggested.",
}
"""By code; what stands in braces is filled in by whoever warns."""


def warning(code: str, *, names: Sequence[str] = (), **values: float) -> Note:
    """A warning of the review; of many names a few are given.

    Examples
    --------
    >>> warning("W-NAME-01", count=2, names=["hog", "cat"]).text
    '2 names are in no group and were not counted: hog, cat.'
    """
    return Note(code, "warning", WARNINGS[code].format(names=some(names), **values))


def some(names: Sequence[str], most: int = 6) -> str:
    """A few names for a sentence, and how many more there are.

    Examples
    --------
    >>> some(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
