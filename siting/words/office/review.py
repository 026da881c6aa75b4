"""What a review says: no sentence claims more than its interval.

"Recorded more" is all that cameras can show; "more animals" is never said. Each function takes
plain numbers, so that the walk over all verdicts in the tests is a walk over these.
"""

from __future__ import annotations

from collections.abc import Sequence

Ends = tuple[float, float, float]
"""An estimate and the ends of its 90 % interval."""

QUESTIONS = (
    "Did the score work?",
    "How sure is that?",
    "What should change?",
    "What should stay as it is?",
    "What about next season?",
)

# On every review, whatever its verdict: they follow from what a camera counts, and more cameras
# cure none of them.
LIMITS = (
    "Cameras count pictures, not animals: where they recorded more, more kinds may have come, the "
    "same animals may have passed more often, or the view was clearer.",
    "One animal that passes every day looks the same as thirty that pass once.",
    "If the crew found a worn path more often where the score was high, the map gets credit for "
    "the crew's eyes. These data cannot show it.",
    "The score is not a chance of seeing an animal, and this review does not make it one.",
    "A result holds for the cameras together. It says nothing about one property or one person's "
    "camera.",
    "Two seasons cannot be set side by side as a trend: weather, animals and crews change too.",
    "Kinds of animals cannot be compared with each other: they set off a camera differently.",
)

# The most that is said of one kind of animals: several are looked at besides, and p is adjusted for
# that by Holm's method (docs/review.md).
GROUP_SAID = {True: "worth watching", False: "nothing sure"}

ONE_PLACE = "one place gave over a third of the events"

ASK = (
    "Was the protocol first made from these same cameras? Then it had to work, and this review "
    "says nothing.",
    "Did a fire, a flood, a felling, a harvest or a disease change the season?",
    "Were cameras set up somewhere better than the place on their row?",
)
"""What only the office can know; no data show it."""

# The meaning of a 90 % range without the words of statistics.
ABOUT_90 = (
    "The range in brackets: nine seasons in ten like this one would put the true value inside."
)


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def count(number: int, one: str, many: str) -> str:
    """A number with its noun.

    Examples
    --------
    >>> count(1, "camera", "cameras"), count(40, "camera", "cameras")
    ('1 camera', '40 cameras')
    """
    return f"{number} {one if number == 1 else many}"


def in_100(pairs: Ends) -> str:
    """Pairs won as a person says them.

    Examples
    --------
    >>> in_100((0.648, 0.561, 0.731))
    '65 of 100 pairs (56 to 73)'
    """
    value, low, high = (round(100 * share) for share in pairs)
    return f"{value} of 100 pairs ({low} to {high})"


def rate(events_per_100_days: float) -> str:
    """Events per 100 camera-days, as exact as a person can use them."""
    digits = 0 if events_per_100_days >= 10 else 1
    return f"{events_per_100_days:.{digits}f}"


def headline(
    verdict: str,
    *,
    cameras: int,
    pairs: Ends | None = None,
    best_pairs: float | None = None,
    lowest_rate: float | None = None,
    highest_rate: float | None = None,
) -> str:
    """The one sentence on top, by the verdict of `siting.review.statistics.headline`.

    Parameters
    ----------
    pairs : shares of pairs won, 0..1, or None with too few cameras
    best_pairs : share that a perfect score would have won, 0..1
    lowest_rate, highest_rate : events per 100 camera-days of the lowest and highest scores
    """
    won = in_100(pairs) if pairs else ""
    if verdict == "few" or pairs is None:
        so_many = count(cameras, "camera is", "cameras are")
        return f"{so_many} too few to say whether the score works."
    if verdict == "cannot tell":
        # Chance in the counts keeps a perfect score from winning all pairs: that is what to compare
        # with, not 100.
        against = (
            f"A perfect score would have won {round(100 * best_pairs)} of 100 pairs at these "
            "places; yours won"
            if best_pairs is not None
            else "Of two cameras picked at random, the higher-scored one recorded more in"
        )
        return f"{cameras} cameras cannot tell whether the score works. {against} {won}."
    if verdict == "no sign":
        return (
            "There is no sign that the score picked better places: of two cameras, the "
            f"higher-scored one recorded more in {won}. If the score works, it does less than the "
            "protocol says."
        )
    if verdict == "wrong way":
        return (
            "Places with a higher score recorded less: of two cameras picked at random, the "
            f"higher-scored one recorded more in only {won}."
        )
    ends = ""
    if lowest_rate is not None and highest_rate is not None:
        ends = (
            f" The highest-scored group recorded {rate(highest_rate)} events per 100 camera-days, "
            f"the lowest {rate(lowest_rate)}."
        )
    return (
        "Places with a higher score recorded more: of two cameras picked at random, the "
        f"higher-scored one recorded more in {won}.{ends}"
    )


SHORT = {
    "few": "Too few cameras to say.",
    "works": "Yes: higher scores recorded more.",
    "works less": "Yes, but less than the protocol says.",
    "works more": "Yes, more than the protocol says.",
    "cannot tell": "These cameras cannot tell.",
    "no sign": "There is no sign of it.",
    "wrong way": "No: higher scores recorded less.",
}
"""The first of the five answers, by verdict."""


def how_sure(verdict: str, *, slope: Ends | None, cameras: int, places: int) -> str:
    """How far the verdict can be trusted."""
    if verdict == "few" or slope is None:
        return (
            f"Not at all: {count(cameras, 'camera', 'cameras')} at "
            f"{count(places, 'independent place', 'independent places')} are not enough for a "
            "verdict."
        )
    # A slope of 1 is as promised: where the protocol says twice as many, b means 2 ** b times.
    value, low, high = slope
    strength = (
        f"Where the protocol promises twice the records, this season's cameras recorded "
        f"{2**value:.1f} times as many ({2**low:.1f} to {2**high:.1f})."
    )
    # Only what the 90 % range leaves out is denied (table of verdicts in docs/review.md).
    said = {
        "works": "About as the protocol says.",
        "works less": "It works, but the differences are smaller than the protocol says.",
        "works more": "It works, and the differences are larger than the protocol says.",
        "cannot tell": "The data fit a score of no use as well as one that works in full.",
        "no sign": "The data fit a score of no use; they do not fit what the protocol promises.",
        "wrong way": "The data do not fit a score that is of any use.",
    }[verdict]
    return f"{said} {strength}"


def order_only(pairs: Ends | None) -> str:
    """How sure, where the protocol has no rate ratios to be compared with."""
    if pairs is None:
        return "Not at all: there are too few cameras for a verdict."
    return (
        "Only the order of the scores can be judged, because this protocol does not score by rate "
        f"ratios: {in_100(pairs)} is what counts, and 50 is chance."
    )


def weight(
    label: str, *, protocol: float, value: float, low: float, high: float, proposed: float | None
) -> str:
    """One criterion after the season; every number is a ratio of records, None = no change."""
    said = f"{value:.1f} ({low:.1f} to {high:.1f})"
    if proposed is None:
        return f"{label}: {said} times as many records. It stays at {ratio(protocol)}."
    return (
        f"{label}: the protocol says {ratio(protocol)} times as many records. This season, taken "
        f"together with the protocol, says {said}. Suggested: {ratio(proposed)}."
    )


# Three are read; the others stand in the table below the answer.
_NAMED_FIRST = 3


def change(label: str, *, protocol: float, proposed: float) -> str:
    """One suggested ratio, old and new.

    Examples
    --------
    >>> change("water", protocol=2.0, proposed=1.27)
    'water from 2 to 1.27'
    """
    return f"{label} from {ratio(protocol)} to {ratio(proposed)}"


def ratio(value: float) -> str:
    """A rate ratio with two decimals at most: no more is known, and fewer hide a small change.

    Examples
    --------
    >>> ratio(2.0), ratio(1.15), ratio(0.7)
    ('2', '1.15', '0.7')
    """
    return f"{value:.2f}".rstrip("0").rstrip(".")


def chance(p: float) -> str:
    """A p of a permutation test (0..1), as exact as a person can use it.

    Examples
    --------
    >>> chance(0.0005), chance(0.234)
    ('under 0.01', '0.23')
    """
    return "under 0.01" if p < 0.01 else f"{p:.2f}"


def what_to_change(labels: Sequence[str], *, fragment: bool, level: str, judged: bool) -> str:
    """What the season asks to change in the protocol."""
    if level in ("list", "few"):
        return "Nothing: too few cameras."
    if not judged:
        return "Nothing can be said: this protocol does not score by rate ratios."
    # Floors of our choice (docs/review.md): below them a verdict is given, and no ratio changes.
    if level == "headline":
        return "Nothing yet: a change is suggested from 40 cameras at 15 independent places on."
    if not labels or not fragment:
        return "Nothing in this season asks for a change."
    first, more = labels[:_NAMED_FIRST], len(labels) - _NAMED_FIRST
    others = f", and {more} more in the table below" if more > 0 else ""
    return (
        f"Suggested: {', '.join(first)}{others}. The lines are in protocol-change.toml; nothing "
        "changes until you accept them."
    )


def what_stays(labels: Sequence[str]) -> str:
    """What the season cannot speak about."""
    # Hardly any camera stands on closed ground: no season shows whether a set-back is right.
    always = "No-go rules, set-backs and curves: cameras stand on one side of them only."
    if not labels:
        return always
    first, more = labels[:_NAMED_FIRST], len(labels) - _NAMED_FIRST
    named = ", ".join(first) + (f" and {more} more in the table below" if more > 0 else "")
    return f"{named[0].upper()}{named[1:]}. {always}"


def picked(ratio: Ends, *, random: int) -> str:
    """Picked places beside random ones, where some cameras stood at random.

    Parameters
    ----------
    ratio : events a day at picked places over those at random ones, with its 90 % range
    """
    value, low, high = ratio
    return (
        f"{value:.1f} times as many events a day ({low:.1f} to {high:.1f}); "
        f"{count(random, 'camera', 'cameras')} stood at random places"
    )


def next_season(
    *, all_good: bool, cameras: int, random: int = 0, verdict: str = "cannot tell"
) -> str:
    """What would teach more.

    Parameters
    ----------
    all_good : whether nearly all cameras stood at high-scoring places
    random : cameras that stood at random places
    verdict : as of `headline`
    """
    # "Again" only to a survey that did put one camera in five at random.
    again = f" again, as {random} did this time" if 5 * random >= cameras > 0 else ""
    one_in_five = f"Put one camera in five at a random place{again}, and say which ones."
    # Where the season did tell them apart it would be wrong to say that it hardly could.
    if all_good and verdict in ("works", "works less", "works more"):
        return f"The cameras stood at high-scoring places, as they should. {one_in_five}"
    if all_good:
        return (
            "The cameras stood at high-scoring places, as they should. That is why this season can "
            f"hardly tell good places from poor ones. {one_in_five}"
        )
    if cameras < 40:
        return (
            f"More places rather than longer seasons: 40 cameras tell you most of it. {one_in_five}"
        )
    return (
        f"{one_in_five} Two cameras on one property that differ in one doubtful point teach the "
        "most."
    )


def neighbourhood() -> str:
    """Where less than half of the slope is left once parts of the area may differ."""
    return (
        "Most of the difference lies between parts of the survey area, not between places within "
        "a part."
    )
