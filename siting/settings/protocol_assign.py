"""The protocol's section on survey cells: one camera to each, apart and balanced."""

from __future__ import annotations

from typing import Any

from siting.settings.protocol_base import OWN, RCSC, Section, param


def _share(help_text: str) -> Any:
    return param(0.5, "share of the cameras", OWN, help_text, ge=0.0, le=1.0)


class AssignShare(Section):
    """At most this share of the cameras at one kind of place; 1 sets no limit.

    Shares 0..1.
    """

    trail: float = _share("By a trail.")
    water: float = _share("By water or a crossing of it.")
    edge: float = _share("Where two kinds of cover meet.")
    opening: float = _share("At an opening in the forest.")
    passage: float = _share("Where the shape of the land leads animals past.")


class AssignRules(Section):
    """One parcel and spot to each survey cell.

    Distance in metres, time limit in seconds; index and priority step without a unit.
    """

    # Nearer cameras would count the same animals twice.
    distance_m: float = param(
        1000.0,
        "m",
        f"{RCSC}, 6.3.1: 1-2 km for richness or relative abundance",
        "Least distance between the cameras of two cells.",
        ge=0.0,
        le=100_000.0,
    )
    reserves: int = param(
        2, "parcels", OWN, "Other parcels of a cell to ask next, best first.", ge=0, le=20
    )
    lowest: float = param(
        0.5, "index", OWN, "A spot with a lower index is not proposed.", ge=0.0, le=100.0
    )
    spots_per_parcel: int = param(
        3, "spots", OWN, "The best spots of each parcel that may be chosen.", ge=1, le=20
    )
    # In units of the index, so that a wish and a better place can be weighed against each other.
    priority_step: float = param(
        0.1,
        "score",
        OWN,
        "Score given up for a parcel that comes one step earlier by priority in its cell.",
        ge=0.0,
        le=1.0,
    )
    scant_share: float = param(
        0.05,
        "share of the parcel",
        OWN,
        "A parcel less open to a camera is never proposed without saying so.",
        ge=0.0,
        le=1.0,
    )
    # Whether picking helps shows only beside places that nobody picked (docs/review.md).
    random_share: float = param(
        0.0,
        "share of the cameras",
        OWN,
        "Share of the cameras that stand at a place drawn at random, so that a review can compare; "
        "0.2 is one in five. `--random-share` sets it.",
        ge=0.0,
        le=1.0,
    )
    # The best answer so far is given when the time is up, with how far it may be from the best.
    time_limit_s: float = param(
        60.0, "s", OWN, "Most time for each of the three steps of the choice.", ge=1.0, le=3600.0
    )
    share: AssignShare = AssignShare()
