"""What the visit form calls its states, reasons and fields."""

from __future__ import annotations

# The keys stand in files that come back from browsers (docs/decisions.md): only the words beside
# them may change.
STATES = {
    "visited": "I was there",
    "chosen": "The camera will go here",
    "ruled out": "Ruled out: no camera here",
    "camera up": "The camera is up",
    "checked": "Check visit",
    "moved": "The camera was moved",
    "taken down": "The camera was taken down",
}
"""What a volunteer can report, in the order of the form; `proposed` is the survey's own word."""

CHOICES = {
    "reason": {
        "people": "People use it",
        "no tree": "No sound tree and no place for a post",
        "view blocked": "The view is blocked",
        "wet": "Too wet",
        "unsafe": "Not safe to reach",
        "owner": "The owner says no",
        "other": "Another reason (say it in the note)",
    },
    "cleared": {"grass": "Grass and ferns", "branches": "Branches", "other": "Something else"},
    "done": {
        "batteries changed": "Batteries changed",
        "card changed": "Card changed",
        "clock set": "Clock set",
        "regrowth cut": "Regrowth cut",
        "snow cleared": "Snow cleared",
        "lens wiped": "Lens wiped",
        "camera turned": "Camera turned",
        "walk test": "Walk test done",
    },
}


def choices(*, frost: bool = True) -> dict[str, dict[str, str]]:
    """What the form offers to choose from; without `frost` nobody has snow to clear."""
    if frost:
        return CHOICES
    return CHOICES | {"done": {k: v for k, v in CHOICES["done"].items() if k != "snow cleared"}}


FIELDS = {
    "at": "Date and time",
    "reason": "Why",
    "height_m": "Lens above the ground, m",
    "heading_magnetic_deg": "Heading by compass, degrees",
    "camera": "Camera number",
    # Two cards change hands on a check visit: each label says which of them it asks for.
    "card": "Number of the card in it now",
    "card_out": "Number of the card taken out",
    "cleared": "What was cleared",
    "battery_percent": "Battery on arrival, %",
    "pictures": "Pictures on the card",
    # Without "0 is right" a clock that was right and one that nobody looked at are both blank.
    "clock_off_min": "Camera's clock fast by, minutes (0 is right)",
    "done": "What was done",
    "note": "Note",
}

ASKED = {
    "visited": ("at", "note"),
    "chosen": ("at", "note"),
    "ruled out": ("at", "reason", "note"),
    "camera up": (
        "at", "position", "height_m", "heading_magnetic_deg", "camera", "card", "cleared", "note",
    ),
    "checked": (
        "at", "battery_percent", "pictures", "clock_off_min", "card_out", "card", "done", "note",
    ),
    "moved": ("at", "position", "height_m", "heading_magnetic_deg", "cleared", "note"),
    "taken down": ("at", "battery_percent", "pictures", "card_out", "note"),
}  # fmt: skip
"""What the form asks for each state; `position` stands for latitude, longitude and their source."""
