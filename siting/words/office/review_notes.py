"""What a review noticed, assumed or left out: one sentence a code, with blanks for its numbers.

A sentence says what was seen and what was done about it. `{names}` is a short list of deployments,
species or criteria.
"""

from __future__ import annotations

from collections.abc import Mapping

# Sentences with blanks and no functions, so that a test can walk over every one of them.
NOTES: Mapping[str, str] = {
    "W-ALIKE-01": "Too similar at these places to be separated: {names}.",
    "W-BAIT-01": "{n:camera|cameras} had bait, which draws animals by itself. {what}",
    "W-BLANK-01": (
        "Most deployments come without their blank pictures: nothing is said about these."
    ),
    "W-CAMERA-01": "{names}. Each is allowed to record more or less than the others.",
    # Left out and not moved: by how much the clock was wrong is not in the data.
    "W-CLOCK-01": (
        "{n:record lies|records lie} outside the dates of the deployment and {n:/was|were} left "
        "out: was a clock wrong?"
    ),
    "W-CLOCK-02": (
        "{n:deployment is|deployments are} marked as having a wrong clock: {names}. Events count, "
        "months and the sun's height do not."
    ),
    # The complementary log-log, -d ln(1 - y / d): a day with a record may have had several visits.
    "W-COUNT-01": (
        "No camera has more events than days and many come close: these are days with a record, "
        "not visits. They were turned into visits a day (minus the logarithm of the share of days "
        "without a record); without that, differences look smaller than they are."
    ),
    "W-DEPLOY-02": (
        "{n:time|times} a camera has two deployments at once, so days count twice: {names}."
    ),
    "W-DEPLOY-03": (
        "The comments of {n:deployment|deployments} speak of a camera that was moved or turned: "
        "{names}. They count at the place on their row. If it was moved for good, give each place "
        "a row."
    ),
    "W-DEPLOY-04": (
        "{n:observation belongs|observations belong} to no deployment of the package and "
        "{n:/was|were} left out: are rows of deployments.csv missing?"
    ),
    "W-EFFORT-01": (
        "{n:deployment has|deployments have} no end, or one that is still to come, and "
        "{n:/was|were} left out: {names}."
    ),
    "W-EFFORT-02": (
        "{n:camera|cameras} may have failed early: the last picture was long before the end: "
        "{names}."
    ),
    "W-EFFORT-03": (
        "{n:deployment ends before it begins|deployments end before they begin} or lasted less "
        "than a day and {n:/was|were} left out: {names}."
    ),
    "W-EFFORT-04": (
        "{n:deployment|deployments} lasted over two years by the dates and {n:/was|were} left out: "
        "{names}. Is a year wrong?"
    ),
    "W-EVENT-01": (
        "Records follow each other closely: those of one species within {gap} minutes of the last "
        "one are counted as one event."
    ),
    "W-EVENT-02": "{n:observation has|observations have} no time and {n:/was|were} left out.",
    "W-FEW-00": "{cameras} with {events} events: fewer than {least} of either say nothing.",
    "W-FEW-01": (
        "{cameras} at {places}, {days} camera-days and {events} events: a verdict needs at least "
        "{least_cameras} cameras at {least_places} places, {least_days} camera-days and "
        "{least_events} events."
    ),
    "W-FEW-02": "Too little to say: {names}.",
    "W-FEW-03": (
        "{cameras} at {places}: a change of the protocol is suggested from {least_cameras} cameras "
        "at {least_places} places on."
    ),
    "W-GROUP-01": "{n} events of {group} are too few: all wild animals are judged in its place.",
    # A column of zeros is a form that nobody filled in sooner than a survey that faces north.
    "W-HEAD-01": "{n} of {given} headings are 0: they are taken as not noted.",
    "W-HEAD-02": (
        "The headings of {n:deployment|deployments} are compass headings by their comments: "
        "{names}. They are not judged; give true headings, counted from true north."
    ),
    "W-HEAD-03": (
        "{n} of {total} cameras have a true heading, which is judged as a plan's would be; the "
        "others count as the middle of these."
    ),
    "W-HEAD-04": (
        "Only {n} of {total} cameras have a true heading: headings are not judged. They are from "
        "ten cameras and half of all on."
    ),
    "W-HELD-01": (
        "Tried on cameras it had not seen, the changed protocol did no better than the old one: no "
        "change is suggested."
    ),
    "W-HELD-02": "No change is suggested: {why}.",
    "W-LABEL-01": "{n} of {total} records were named by a machine that was not sure.",
    # The clock takes its pictures whether an animal is there or not.
    "W-LAPSE-01": (
        "{n:observation is of a picture|observations are of pictures} taken by the clock and not "
        "by an animal: left out."
    ),
    "W-LEVEL-01": (
        "Observations are given both by event and by picture: a deployment's events are used where "
        "it has any, never both."
    ),
    "W-LEVEL-02": (
        "{n:observation is|observations are} said to be neither of an event nor of a picture and "
        "{n:/was|were} left out."
    ),
    "W-MAPDATE-01": (
        "Was anything felled, ploughed, fenced or built between the date of the maps and the "
        "season? There the score is that of a place which is gone."
    ),
    "W-MIX-01": (
        "{names} go the other way than the whole: a sum over kinds of animals hides them. Decide "
        "which the survey is for."
    ),
    "W-NAME-01": "{n:name is|names are} in no group and {n:/was|were} not counted: {names}.",
    "W-NAME-02": "Livestock, pets and people are not counted as wild animals: {names}.",
    # Without that place the ratio moves by over its standard deviation (docs/review.md).
    "W-ONE-01": (
        "Without {who}, {name} would be {without} in place of {value}: one place carries it, so it "
        "stays as it is."
    ),
    "W-OUT-01": "{n:camera|cameras} stood where the maps do not reach: {names}.",
    "W-OUT-02": (
        "{n:camera|cameras} stood on ground that is closed to cameras or off every parcel, and "
        "{n:/counts|count} all the same: {names}."
    ),
    "W-PLACE-02": (
        "Deployments at the place of another one are kept, and the two count as one place: {names}."
    ),
    "W-PLACE-03": (
        "{n:deployment does|deployments do} not say how exact the place is: 15 m is assumed."
    ),
    "W-PLACE-04": (
        "{n:place is|places are} rounded to 100 m or so ({names}): nearness to trails and water "
        "can hardly be judged there."
    ),
    "W-PLACE-05": "These places are not exact enough to judge: {names}.",
    "W-PLACE-06": (
        "One name stands for places more than 50 m apart: {names}. Each is judged where it is, and "
        "they count as one place."
    ),
    "W-RANGE-01": "All cameras stood alike in this: {names}.",
    "W-SCORE-01": (
        "The protocol does not score by rate ratios: only the order of scores is judged."
    ),
    "W-SEASON-01": (
        "{n:deployment|deployments} recorded at another time of year than most ({names}): the time "
        "of year is a part of the model, and pairs of different seasons are not compared."
    ),
    # Both slopes are given, so that a reader sees what the wider areas change.
    "W-SPACE-01": (
        "Neighbouring cameras recorded alike beyond what the score says (Moran's I {index:.2f}, "
        "chance {p:.3f}). Cameras of {blocks} wider areas are now taken together. Slope before: "
        "{before}; with them: {after}. The answer uses the second.{more}"
    ),
    "W-SPACE-02": (
        "Neighbouring cameras recorded alike beyond what the score says (Moran's I {index:.2f}, "
        "chance {p:.3f}), and there are too few areas to allow for it: the ranges are too narrow."
    ),
    # The slope leans on the protocol's ratios, so it has to allow for the pattern.
    "W-SPACE-03": (
        "Neighbouring cameras recorded alike beyond what the score says (Moran's I {index:.2f}, "
        "chance {p:.3f}), but not beyond what its criteria say, each with a ratio of its own "
        "(chance {left:.2f}): some ratios do not fit. Each property still counts as a place; slope "
        "and pairs take the cameras of {blocks} wider areas together. Slope before: {before}; with "
        "them: {after}. The answer uses the second.{more}"
    ),
    "W-TWICE-01": "{n:record appears twice and is|records appear twice and are} counted once.",
    "W-TYPE-01": "{n} of {total} observations have not been classified: rates are too low there.",
    "W-TYPE-02": (
        "Pictures not classified yet lie unevenly: {low:.0%} at lower scores, {high:.0%} at higher "
        "ones. The answer leans to the side that was classified."
    ),
    "W-TYPE-03": (
        "{n:observation has|observations have} a type that the standard does not know and "
        "{n:/was|were} left out: it has "
        "animal, human, vehicle, blank, unknown and unclassified."
    ),
    "W-VARIANT-01": "Counted another way ({way}), the answer would be another: {verdict}",
    "W-VARIANT-02": "Counted another way ({way}), the answer stays the same.",
}


class _Several(int):
    """A count whose blank says its noun for one and for many: `{n:camera|cameras}`.

    With a slash the number itself is left out: `{n:/was|were}`.
    """

    def __format__(self, spec: str) -> str:
        """The number and its word."""
        if "|" not in spec:
            return format(int(self), spec)
        one, _, many = spec.removeprefix("/").partition("|")
        word = one if self == 1 else many
        return word if spec.startswith("/") else f"{int(self):,} {word}"


def note_text(code: str, **blanks: object) -> str:
    """The sentence of a code with its blanks filled in.

    Examples
    --------
    >>> note_text("W-TWICE-01", n=3), note_text("W-TWICE-01", n=1)
    ('3 records appear twice and are counted once.', '1 record appears twice and is counted once.')
    """
    said = {k: _Several(v) if isinstance(v, int) else v for k, v in blanks.items()}
    return NOTES[code].format(**said)
