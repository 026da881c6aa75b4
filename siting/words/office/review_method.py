"""What a review says of how it was worked out, and of blank pictures.

No sentence claims more than its interval here, too.
"""

from __future__ import annotations

from collections.abc import Sequence

from siting.words.office.review import Ends, count


def against_none() -> str:
    """Where leaving all criteria out predicted the season best."""
    return (
        "Tried on cameras they had not seen, no criteria at all did better than this protocol for "
        "this group."
    )


def blanks(
    hour: Ends | None,
    *,
    why: str,
    cameras: int,
    growth: Ends | None = None,
    lens: Ends | None = None,
    skyline: bool = False,
    clear: Ends | None = None,
) -> str:
    """What blank pictures say of a low sun in the picture, growth in view, clear view and lens.

    Parameters
    ----------
    hour : times as many blanks with an hour a day more of low sun, with its 90 % range
    why : "few" or "alike" where nothing is said
    growth : the same for a near view full of shrubs, grass or crops in the growing months
    lens : the same for a lens 10 cm higher
    clear : the same for a near view wholly in sight
    skyline : whether the hills around each camera were allowed for
    """
    if why == "few":
        return f"{count(cameras, 'camera', 'cameras')} with a heading: too few to say anything."
    # Low sun stands in the east and west: cameras that look at neither say nothing about it.
    if why == "alike" or hour is None:
        return "Nearly all cameras faced north or south, so their headings cannot be compared."
    said = [
        f"An hour a day more of low sun in the picture went with {_times(hour)} the blanks, "
        f"{count(cameras, 'camera', 'cameras')}."
    ]
    if growth is not None:
        said.append(
            "A near view full of shrubs, grass or crops instead of none went with "
            f"{_times(growth)} the blanks in the growing months."
        )
    if clear is not None:
        said.append(
            "A near view that is clear to its end instead of hidden went with "
            f"{_times(clear)} the blanks."
        )
    if lens is not None:
        said.append(f"A lens 10 cm (4 in) higher went with {_times(lens)} the blanks.")
    hills = (
        "The hills around each camera are allowed for"
        if skyline
        else "The skyline is taken as level"
    )
    said.append(f"{hills}; wind, heat and moving shade are not in the data.")
    return " ".join(said)


def _times(ratio: Ends) -> str:
    value, low, high = ratio
    return f"{value:.1f} times ({low:.1f} to {high:.1f})"


METHOD = (
    "Each camera's place was scored by the same program and maps as before the season, where it "
    "really stood; so was its heading, at its own lens height, where true headings were noted.",
    "Records of one kind within 30 minutes of the last one are one event; a herd is one event.",
    "Pairs: of two cameras with different scores, how often the higher one had more events a day; "
    "equal rates count half. The range comes from drawing whole properties again and again.",
    "Slope: counts scatter more than by chance alone (negative binomial), cameras on one property "
    "may be alike, and the protocol plays no part.",
    "Weights: the same, with the protocol taken to be right within a factor of 2.2 two times in "
    "three. A weight may change only where the cameras say at least as much as the protocol.",
    "No weight moves by more than a factor of 2 in one season.",
)


OTHER_MODELS = {
    "alone": "every camera by itself",
    "busy": "busy cameras counting most (Poisson)",
    "days": "days with a record, out of all days",
    "field": "cameras the more alike the nearer they stand",
}
"""What the other models take for granted, by their names in `siting.review.doubts.other_models`."""


def other_models(slopes: Sequence[tuple[str, Ends]]) -> str:
    """The slope by models that stand on other ground; no verdict is drawn from them.

    Parameters
    ----------
    slopes : name of the model, and its slope without a unit with its 90 % range
    """
    said = "; ".join(
        f"{OTHER_MODELS[name]} {value:.2f} ({low:.2f} to {high:.2f})"
        for name, (value, low, high) in slopes
    )
    return f"The slope by other models, for comparison only: {said}."


def held_out(
    protocol: float,
    proposed: float,
    none: float,
    se: float,
    *,
    suggested: tuple[float, float] | None = None,
) -> str:
    """How well each set of weights predicted cameras that it had not seen.

    All are log scores summed over the cameras, without a unit; higher is better.

    Parameters
    ----------
    suggested : score of the suggested ratios alone, and the standard error of its difference from
        the protocol's; None where nothing is suggested
    """
    said = (
        "Cameras left out property by property and predicted from the others (higher is better): "
        f"protocol {protocol:.1f}, with the season {proposed:.1f}, no criteria {none:.1f}; the "
        f"first two differ by {proposed - protocol:.1f} (standard error {se:.1f})."
    )
    if suggested is None:
        return said
    score, error = suggested
    # Whether a difference is more than chance is for its standard error to say.
    return (
        f"{said} With the suggested ratios alone {score:.1f}: {score - protocol:+.1f} against the "
        f"protocol (standard error {error:.1f})."
    )
