"""What the field sheet tells every volunteer: what to bring, how to set up, what to write down."""

from __future__ import annotations

from siting.lengths import length
from siting.settings.protocol import CameraRules
from siting.settings.protocol_field import VisitRules
from siting.words.heading import lens_height
from siting.words.service_interval import VisitPlan

BRING = (
    "This sheet, a pen, and the phone with map.html and spots.gpx on it, charged",
    "Camera, strap, lock if you use one; fresh batteries and a spare set",
    "Empty memory card and a spare; the camera's own short guide",
    "Compass (keep it a step away from the camera, car and iron)",
    "Hand pruners, work gloves; a post and something to fix it with, where no tree is named",
    "Tape, or a stick marked at 0.5 m (1.6 ft); a card with the spot's number to photograph",
    "Water, first-aid kit, clothes for the weather, bright orange in hunting season",
    "The owner's phone number and your check-in person's",
)

RECORD = (
    "Date, time put up",
    "Set up by",
    "Camera no.",
    "Card no.",
    "Position (degrees)",
    "GPS error, m",
    "Lens height, m",
    "Heading: true / compass",
    "What animals pass (trail, bank ...)",
    "Distance to it, m",
    "What was cleared",
    "Pictures at leaving",
)


def what_to_clear(camera: CameraRules) -> str:
    """What to clear in front of the lens."""
    near, far = length(camera.view_near_m), length(camera.view_far_m)
    return (
        f"what moves in the wind (grass, twigs, ferns) for {near} in front of the lens, better "
        f"{far}, as wide as the picture. Hand pruners only, with the owner's consent."
    )


def set_up(camera: CameraRules, visits: VisitRules) -> tuple[tuple[str, str], ...]:
    """The steps of setting up, by (word, sentence)."""
    burst = f"{visits.pictures_per_trigger:g}"
    return (
        ("Power", "fresh batteries of one kind, all the right way round; the level shows full."),
        ("Card", "empty, not write-locked, formatted in this camera."),
        ("Date and time", "right to the minute, with the right time zone; write it down."),
        (
            "Burst",
            f"{burst} pictures a trigger, shortest pause, if your survey asks no other.",
        ),
        ("Sensitivity", "high, if your survey asks no other."),
        ("Height", f"lens {lens_height(camera.lens_height_m)}. Where snow lies, above the snow."),
        ("Heading", "by compass, a step away from the camera; sun and sky out of the picture."),
        ("Strap", "tight on a sound, living tree; camera level, a touch down, never up."),
        ("View", f"clear {what_to_clear(camera)}"),
        ("Walk test", _walk_test(camera)),
        ("Number", "hold the spot's number and the date in front of the lens for one picture."),
        ("Armed", "switched on, lamp off, cover closed; then leave by the way you came."),
    )


def _walk_test(camera: CameraRules) -> str:
    near = length(5.0)
    far = length(camera.view_far_m)
    return f"cross the view bent low at {near} and at {far}: the test lamp must answer."


def when_to_come_back(visits: VisitPlan) -> str:
    """The check visit, and how long card and batteries last."""
    full, flat = visits.days_to_full_card, visits.days_to_flat_battery
    return (
        f"Come back after about {visits.check_after_days} days. By the survey's numbers the card "
        f"is full after about {full:.0f} days and the batteries are flat after about {flat:.0f}."
    )
