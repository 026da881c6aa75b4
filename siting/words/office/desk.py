"""The words of the desk that are not on a button: layers, the note to the volunteer, faults."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from siting.words.office.decisions import CHOICES
from siting.words.office.sketch import QUESTIONS


@dataclass(frozen=True)
class Layer:
    """A layer as the desk asks for it; with `answers`, "none" and "not known" can be said."""

    layer: str
    title: str
    one: str
    kinds: tuple[str, ...]
    draw: dict[str, str]
    answers: bool = True
    uses: tuple[tuple[str, str], ...] = ()
    classes: tuple[tuple[str, str], ...] = ()


# The sketch page asks no volunteer for roads; here the coordinator can add one that no map has.
_ROADS = Layer(
    "roads",
    "Roads and drives",
    "Road",
    ("line",),
    {"line": "Draw a road"},
    classes=(
        ("", "Not known"),
        ("major", "Main road"),
        ("minor", "Side road or drive"),
        ("track", "Farm track"),
    ),
)


def layers() -> tuple[Layer, ...]:
    """Every layer that is drawn at the desk, in the order in which the page shows them."""
    asked = tuple(
        Layer(q.layer, q.desk_title or q.title, q.one, q.kinds, q.draw, q.answers, q.uses)
        for q in QUESTIONS
    )
    return (*asked, _ROADS)


def layer_title(layer: str) -> str:
    """What a layer is called at the desk."""
    return next((one.title for one in layers() if one.layer == layer), layer)


# Goes out with the files, which show private land exactly: it says whom they are for.
HAND_OVER = (
    "Open map.html in a web browser; it works without the internet. field_sheet.html is for "
    "printing, spots.gpx for a GPS or a map app.\n\n"
    "These files show private land exactly. Send them only to the volunteer. "
    "Local law, the landowner and what you see on the spot come first."
)

RANDOM = (
    "So that next season's review can see what picking places is worth. The volunteer is asked for "
    "the nearest workable tree, and the files say so."
)
AT_RANDOM = (
    "Your camera goes to a place drawn at random: the map names it first, and the sheet has a page "
    "for it.\n"
)

REFUSED: dict[str, str] = {
    "used": "This address was used already, or is older than ten minutes. Start the desk again for "
    "a new one.",
    # Another name could lead a strange page to this port (DNS rebinding, desk/server/security.py).
    "host": "This desk answers to 127.0.0.1 only.",
    "enter": "Open the desk by the address that the program printed.",
    "file": "There is no such file.",
    "being made": "The files are being made for the place that was chosen. Try again in a moment.",
    "unscored": "Score the land first.",
    "no place": "Give the sign-up a place on the map first.",
    "tile": "There is no such tile.",
    "old tiles": "The elevations were replaced or are not there. Load the page again.",
    "gone": "This sign-up is gone.",
    "changed": "Somebody changed this in the meantime.",
}
"""Why the desk does not do what a request asks."""

NO_CELLS = (
    "No sign-up that was scored names a survey cell. Write the cell under “About this sign-up”, or "
    "paste it with the table."
)
COVER_WORDS = {
    "TREE": "Woods",
    "ORCHARD": "Orchard",
    "SHRUB": "Brush",
    "GRASS": "Grass",
    "PASTURE": "Pasture",
    "CROP": "Fields",
    "PARK": "Park, verge",
    "WETLAND": "Wetland",
    "WATER": "Water",
    "BUILT": "Built",
    "BARE": "Bare ground",
    "SNOW": "Snow, ice",
}
"""What each kind of land cover is called beside the desk's map."""
LETTER_KINDS = {
    "camera": "We would like to put a camera here",
    "reserve": "Next in line",
    "not_this_season": "Not this season",
    "need_an_outline": "We need a new outline",
}
FILL_IN = "[say here what is wrong with it]"
MAIL_SUBJECT = "Your land and our camera: {land}"
PACKAGE = (
    "deployments.csv follows the open Camera Trap Data Package; the archive also holds check "
    "visits and what is due. It shows every place exactly: keep it in the office."
)
# It ended without a word of its own, as where the system stops a program for want of memory.
CRASHED = (
    "E-CRASH-01: The program that scores ended twice on this land. It may need more memory than "
    "there is: larger cells or a smaller outline help."
)
# An address that was used is worth nothing to whoever finds it in the terminal later.
HOW_TO_STOP = "The address works once. To stop: press Ctrl and C here."
CLOSED = "The desk is closed. All that was shown as saved is saved."


def words_data() -> dict[str, Any]:
    """For the page: the layers, and what a downloaded file shows."""
    return {
        "layers": [asdict(layer) for layer in layers()],
        "reasons": list(CHOICES["reason"].items()),
        "package": PACKAGE,
        "writing": "The map page, the sheet and the files are being written …",
        "making": "The files are being made for the place that was chosen …",
        "random": RANDOM,
        "facts": "Plain ground has nothing to follow; “2 times” means about twice as many pictures "
        "as there, give or take a lot. A firm choice would still be among the first five if the "
        "maps were slightly wrong, a toss-up often would not.",
        "off maps": "Your office's maps show nothing here. If the position is wrong, correct it "
        "under “About this sign-up”: is a minus sign missing, or are latitude and longitude "
        "swapped? If it is right, look for elevations and land cover below.",
        "mail": "The mail is saved as a file whose name ends in .eml. Open it: your mail program "
        "shows the letter with the files attached, and you add the address.",
        "no relief": "The relief cannot be drawn: its raster is not there, or was replaced. Your "
        "sign-ups are safe. Load the page again when it is back.",
        "anew": "The desk remembers what an edit does not change. This forgets all of it and works "
        "everything out anew: it takes longer, and the result must be the same.",
        "exact": "This file shows the land exactly. Send it only to the volunteer.",
    }
