"""The tables [walk], [visits], [cautions], [sheet], [sharing] and [review] of the protocol."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from siting.settings.protocol_base import OWN, TRADE, Section, param


class WalkRules(Section):
    """The way in on foot.

    Lengths in metres, slope in degrees, detour in minutes; factors without a unit.
    """

    # Tobler's own figure; brush and snow are slower still, and nobody has mapped them.
    off_path_factor: float = param(
        0.6,
        "share of the speed on a path",
        "Tobler 1993, NCGIA Technical Report 93-1 (3/5 off the path)",
        "Walking speed off roads, tracks and trails.",
        gt=0.0,
        le=1.0,
    )
    steep_deg: float = param(
        25.0, "degrees", "from memory, no source", "The way keeps off steeper ground.", ge=5, le=45
    )
    cell_m: float = param(
        5.0, "m", OWN, "Cells of the search are made about this wide.", ge=1.0, le=10.0
    )
    crossing_reach_m: float = param(
        8.0,
        "m",
        OWN,
        "Water may be crossed this near a known crossing, or where a path crosses it.",
        ge=0.0,
        le=50.0,
    )
    crossing_detour_min: float = param(
        30.0,
        "minutes",
        OWN,
        "Detour worth making before the way crosses a stream at an unknown place.",
        ge=0.0,
        le=600.0,
    )
    outside_factor: float = param(
        5.0,
        "times",
        OWN,
        "Detour worth making before the way leaves the parcel other than by a road or trail.",
        ge=1.0,
        le=100.0,
    )


class VisitRules(Section):
    """How the camera is set, and how soon its card is full and its batteries are flat.

    Times in days, pictures in MB, cards in GB of 1000 MB.
    """

    first_check_days: float = param(
        14.0, "days", TRADE, "Usual time to the first check visit.", ge=1.0, le=365.0
    )
    triggers_per_day: float = param(
        40.0, "triggers a day", OWN, "Triggers on a busy spot, empty ones too.", gt=0.0, le=10000.0
    )
    pictures_per_trigger: float = param(
        10.0, "pictures", TRADE, "Pictures in one burst.", ge=1.0, le=50.0
    )
    picture_gap_s: float = param(
        1.0, "seconds", TRADE, "Time from one picture of a burst to the next.", ge=0.0, le=60.0
    )
    quiet_period_s: float = param(
        0.0, "seconds", TRADE, "Pause after a burst before the camera may trigger again.",
        ge=0.0, le=3600.0,
    )  # fmt: skip
    sensitivity: Literal["high", "medium", "low"] = param(
        "high", "", TRADE, "Sensitivity of the camera's sensor."
    )
    hours: str = param(
        "day and night", "", TRADE, "Hours at which the camera works, as the sheet says them.",
        min_length=1, max_length=60,
    )  # fmt: skip
    change_below_percent: float = param(
        50.0, "percent", TRADE, "Batteries below so much are changed on a check visit.",
        ge=0.0, le=100.0,
    )  # fmt: skip
    picture_mb: float = param(
        3.0, "MB", TRADE, "Size of one picture on the card.", ge=0.05, le=100.0
    )
    card_gb: float = param(
        32.0, "GB (1 GB = 1000 MB)", TRADE, "Size of the card.", ge=0.1, le=4096.0
    )
    battery_pictures: float = param(
        6000.0, "pictures", OWN, "Pictures one set of batteries is good for.", ge=1.0, le=1e6
    )
    battery_days: float = param(
        120.0, "days", OWN, "Days one set lasts if it takes hardly any picture.", ge=1.0, le=2000.0
    )


class DecisionRules(Section):
    """What a place ruled out takes with it.

    Metres.
    """

    again_m: float = param(
        40.0, "m", OWN, "No spot within so much of a place ruled out.", ge=0.0, le=500.0
    )
    way_near_m: float = param(
        30.0, "m", OWN, "Ruled out for people: a trail or crossing this near is theirs.",
        ge=0.0, le=500.0,
    )  # fmt: skip
    people_m: float = param(
        30.0, "m", OWN, "Ground closed along a trail that people use.", ge=0.0, le=500.0
    )
    owner_m: float = param(
        100.0, "m", OWN, "Ruled out by the owner without an outline: closed around the place.",
        ge=0.0, le=2000.0,
    )  # fmt: skip


def _near(default: float, help_text: str) -> Any:
    return param(default, "m", OWN, help_text, ge=0.0, le=2000.0)


class CautionRules(Section):
    """How near a hazard must be for its caution to be printed; the usual ones always are.

    Metres, slope in degrees.
    """

    water_m: float = _near(30.0, "Water this near: do not cross, look out for floods and ice.")
    livestock_m: float = _near(100.0, "A field with livestock this near.")
    boundary_m: float = _near(30.0, "The parcel's boundary this near.")
    road_m: float = _near(100.0, "A road this near.")
    people_m: float = _near(100.0, "A building or busy trail this near: people in pictures.")
    park_m: float = _near(50.0, "Parks, lawns and verges of the land cover this near.")
    steep_deg: float = param(
        15.0, "degrees", OWN, "Ground at the spot or on the walk this steep.", ge=1.0, le=60.0
    )
    frost_deg: float = param(
        30.0, "degrees", "from memory, no source",
        "From this latitude on, snow and ice are spoken of at any height.", ge=1.0, le=90.0,
    )  # fmt: skip
    frost_warm_deg: float = param(
        60.0, "degrees", "from memory, no source",
        "The same for a camera that stands in the three warmest months only.", ge=1.0, le=90.0,
    )  # fmt: skip
    frost_equator_m: float = param(
        4000.0, "m", "from memory, no source",
        "Ground this high has snow and ice at the equator; the height falls evenly to 0 at the "
        "latitude above.", ge=0.0, le=6000.0,
    )  # fmt: skip


class SheetRules(Section):
    """The printed field sheet."""

    spots: int = param(5, "spots", OWN, "Spots with a page of their own, best first.", ge=1, le=100)


def _as_tuple(value: Any) -> Any:
    """TOML has lists only."""
    return tuple(value) if isinstance(value, list) else value


Names = Annotated[tuple[str, ...], BeforeValidator(_as_tuple)]
_ACCEPTED = Annotated[str, Field(pattern=r"^[a-z_]+ [0-9]+\.[0-9]{2} [0-9]+$")]
Accepted = Annotated[tuple[_ACCEPTED, ...], BeforeValidator(_as_tuple)]


# A review writes here what it used, so that the next one does not count a season twice.
class ReviewRecord(Section):
    """Where changed ratios came from: written by a review, read by the next one.

    The gap is in minutes, `prior_sd` on the scale of ln ratio, `level` a share 0..1.
    """

    made: str = param("", "", OWN, "Day the change was suggested.", max_length=10)
    program: str = param("", "", OWN, "Program that suggested it.", max_length=40)
    before: str = param("", "", OWN, "SHA-256 of the protocol before.", max_length=64)
    used: Names = param(
        (), "", OWN, "SHA-256 of each deployment used (identifier and dates): none counts twice."
    )
    accepted: Accepted = param(
        (),
        "",
        OWN,
        'Ratios a review suggested, as "trail 2.10 1": criterion, ratio, seasons ago. One that the '
        "protocol still has is known as well as its low and high say, 0.3 (ln) worse a season.",
    )
    group: str = param("", "", OWN, "Group of species it was made for.", max_length=80)
    events_gap_min: float = param(
        30.0, "minutes", TRADE, "Records this far apart are two events.", ge=0.0, le=1440.0
    )
    prior_sd: float = param(
        0.8,
        "ln ratio",
        OWN,
        "How far a true ratio may lie from the protocol's (0.8: within a factor of 2.2 mostly).",
        ge=0.01,
        le=10.0,
    )
    level: float = param(0.9, "share", OWN, "What the intervals hold.", ge=0.5, le=0.999)
    held_out: dict[str, float] = param(
        {}, "log score", OWN,
        "How well the suggested ratios predicted cameras left out place by place, beside the "
        "protocol and no criteria at all; higher is better.",
    )  # fmt: skip


class RandomRules(Section):
    """Places drawn at random, for a survey that estimates; none unless asked for.

    Reaches in metres, spares as a ratio to the places.
    """

    places: int = param(
        0,
        "places",
        "fewer than 25 sites in a study list species and estimate nothing: Kays et al. 2020, doi "
        "10.1111/2041-210X.13370",
        "Places to draw on each parcel; `--random N` sets it.",
        ge=0,
        le=1000,
    )
    spares_share: float = param(
        1.0, "spares to a place", OWN, "Spares drawn beside them, taken in order.", ge=0.0, le=10.0
    )
    seed: int = param(
        1,
        "whole number",
        OWN,
        "Start of the random numbers; the same gives the same places.",
        ge=0,
        le=2**31 - 1,
    )
    reach_woods_m: float = param(
        10.0, "m", OWN, "In woods: the nearest workable tree within this of the point.",
        ge=1.0, le=200.0,
    )  # fmt: skip
    reach_open_m: float = param(
        25.0, "m", OWN, "Elsewhere: the nearest one within this; a post beyond.", ge=1.0, le=200.0
    )


class SharingRules(Section):
    """Files that are passed on (--public)."""

    # At most three: finer places of sensitive species must not leave the survey with --public.
    decimals: int = param(
        2,
        "decimals of a degree",
        "Chapman 2020, doi 10.15468/doc-5jp4-5g10 (0.01 degree for sensitive places; from memory)",
        "Digits kept of longitude and latitude: 2 is about 1.1 km.",
        ge=0,
        le=3,
    )
