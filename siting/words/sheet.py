"""What the field sheet says to every volunteer: what to bring, how to set up, what to record."""

from __future__ import annotations

from collections.abc import Sequence

from siting.lengths import length, listed
from siting.settings.protocol import CameraRules
from siting.settings.protocol_field import VisitRules
from siting.spot_parts import RandomPlace
from siting.types import Spot
from siting.words.office.service_interval import VisitPlan
from siting.words.spot.heading import lens_height
from siting.words.spot.reasons import TREE, what_holds

# Common practice, no source. It stands before the pages of the spots: it is read at home, where a
# thing can still be packed.
_BRING = (
    "This sheet, a pen, and the phone with map.html and spots.gpx on it, charged",
    "Camera, strap, lock if you use one; fresh batteries and a spare set",
    "Empty memory card and a spare; the camera's own short guide",
    "Compass; keep it 1 m (3 ft) from the camera and well away from a car or fence",
    "Hand pruners, work gloves",
    "Tape measure, or a stick marked at 0.5 m (1.6 ft); a card with the spot's number on it",
    "Water, first-aid kit, clothes for the weather, bright orange in hunting season",
    "The owner's phone number and your check-in person's",
)


def places_for_posts(spots: Sequence[Spot], drawn: Sequence[RandomPlace] = ()) -> str:
    """The places where a post may have to stand in for a tree, "" for none.

    Examples
    --------
    >>> bare = RandomPlace(0.0, 0.0, "open ground", 2, False, 0.5, 20.0, 10.0, None)
    >>> places_for_posts([], [bare, bare])
    'O2 and O2'
    """
    here = [s for s in spots if what_holds(s.measures, s.search_radius_m) != TREE]
    named = [place.sign for place in drawn if place.tree_m is None]
    if here:
        what = f"{'area' if here[0].plain else 'spot'}{'' if len(here) == 1 else 's'}"
        named = [f"{what} {listed([str(spot.rank) for spot in here])}", *named]
    return listed(named) if named else ""


def bring(posts: str) -> tuple[str, ...]:
    """What to bring; `posts` names the places where a post may be needed.

    Examples
    --------
    >>> bring("spots 2 and 4")[5]
    'A post and what it takes to set it up, for spots 2 and 4: no tree is mapped close by'
    """
    if not posts:
        return _BRING
    post = f"A post and what it takes to set it up, for {posts}: no tree is mapped close by"
    return (*_BRING[:_POST_AT], post, *_BRING[_POST_AT:])


# Behind the gloves that it is handled with.
_POST_AT = 5


def bring_on_check(*, frost: bool = True) -> str:
    """What a check visit needs, as a clause (common practice, no source).

    `frost` is whether there may be snow (`siting.words.season`).
    """
    shovel = ", a small shovel if there is snow" if frost else ""
    return (
        "an empty card, fresh batteries, the key to the lock, the guide; pruners in the growing "
        f"season{shovel}"
    )


# What the table of deployments asks for and only the day can say (FIELD_DAY there).
RECORD = (
    "Date and time set up",
    "Set up by",
    "Camera no.",
    "Card no.",
    "Position (degrees)",
    "GPS error, m",
    "Lens height, m",
    "Heading: true / compass",
    "What animals follow here (trail, bank ...)",
    "Distance to it, m",
    "What was cleared",
    "Picture count when you leave",
)

MAP_KEY = {
    "parcel": "parcel",
    "no-go": "no camera here",
    "walk": "walk",
    "stream": "water, stream",
    "valley": "valley line, may be dry",
    "trail": "trail",
    "road": "road, track",
    "building": "building",
    "crossing": "known crossing",
    "contour": "contour line",
    "search": "look within this line",
    "view": "view and direction",
}
"""The key of the printed maps: words by class of the sample."""


def what_to_clear(camera: CameraRules) -> str:
    """What to clear in front of the lens, and with what."""
    return f"{_trim(camera)} Use hand pruners only, with the owner's consent."


def _trim(camera: CameraRules) -> str:
    near, far = length(camera.view_near_m), length(camera.view_far_m)
    return (
        f"trim anything that moves in the wind (grass, twigs, ferns) across the whole picture, out "
        f"to {near}, or better {far}."
    )


def set_up(
    camera: CameraRules, visits: VisitRules, *, frost: bool = True, posts: bool = False
) -> tuple[tuple[str, str], ...]:
    """The steps of setting up, by (word, sentence).

    `frost` is whether there may be snow, `posts` whether a spot may have no tree.
    """
    snow = " In snow, measure from the top of the snow." if frost else ""
    holds = "a healthy, living tree or a firm post" if posts else "a healthy, living tree"
    return (
        (
            "Power",
            "fresh batteries, all of the same kind and the right way round; the level shows full.",
        ),
        ("Card", "empty, not write-protected, formatted in this camera."),
        ("Date and time", "correct to the minute, in the right time zone; write them down."),
        ("Burst", _burst(visits)),
        ("Sensitivity", f"{visits.sensitivity}. Hours: {visits.hours}."),
        (
            "Height",
            f"lens {lens_height(camera.lens_height_m)}.{snow}",
        ),
        # A camera close by turns the needle by far more than the magnetic model errs.
        ("Heading", "by compass, 1 m (3 ft) from the camera; keep sun and sky out of the picture."),
        ("Strap", f"tight on {holds}; the camera tilted as the spot's page says under Lens."),
        ("View", _trim(camera)),
        ("Walk test", _walk_test(camera)),
        # Ties the pictures to their place, also where the card's label is lost (common practice, no
        # source).
        ("Number", "hold the spot's number and the date in front of the lens for one picture."),
        ("Armed", "switched on, test light off, cover closed; then leave the way you came."),
    )


def _burst(visits: VisitRules) -> str:
    """ "10 pictures per trigger, 1 s apart; no quiet period after a burst." """
    count = visits.pictures_per_trigger
    pictures = f"{count:g} {'picture' if count == 1 else 'pictures'} per trigger"
    gap = "as fast as the camera can" if not visits.picture_gap_s else "1 s apart"
    if visits.picture_gap_s not in (0.0, 1.0):
        gap = f"{visits.picture_gap_s:g} s apart"
    quiet = f"{visits.quiet_period_s:g} s" if visits.quiet_period_s else "no"
    return f"{pictures}{'' if count == 1 else f', {gap}'}; {quiet} quiet period after a burst."


def check_visit(visits: VisitRules, *, frost: bool = True) -> tuple[tuple[str, str], ...]:
    """What to do at the camera on a check visit, in order, by (word, sentence).

    `frost` is whether there may be snow.
    """
    half = f"{visits.change_below_percent:g} %"
    snow = "fresh snow, " if frost else ""
    regrowth = (
        ("Regrowth and snow", "cut what has grown, or clear the snow, before the lens; wipe it.")
        if frost
        else ("Regrowth", "cut what has grown before the lens; wipe the lens.")
    )
    return (
        ("On the way", f"look for {snow}fallen trees and high water; turn back if in doubt."),
        # Opening the camera may add pictures of the visitor to the count.
        ("Picture count", "write it down before you open anything."),
        ("Batteries", f"change all of them below {half}."),
        ("Card", "swap it for the empty one; write both numbers down."),
        # The difference is what corrects the times of all pictures since the last visit.
        ("Clock", "compare it with your phone; write the difference down before you set it."),
        regrowth,
        ("Aim", "has the camera slipped? Heading and height as written down."),
        ("Walk test", "again, then switch on and close the cover."),
        ("Report", "on the map page: open the spot, choose Check visit, save or share the file."),
    )


def _walk_test(camera: CameraRules) -> str:
    near = length(5.0)
    far = length(camera.view_far_m)
    return f"crouch and walk across at {near} and at {far}; the test light should come on."


def when_to_come_back(visits: VisitPlan, *, frost: bool = True) -> str:
    """The check visit, and how long card and batteries last; `frost` as of `bring_on_check`."""
    full, flat = visits.days_to_full_card, visits.days_to_flat_battery
    return (
        f"Come back after about {visits.check_after_days} days. By the survey's figures the card "
        f"will be full after about {full:.0f} days and the batteries flat after about {flat:.0f}. "
        f"Bring {bring_on_check(frost=frost)}."
    )
