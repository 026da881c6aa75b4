"""Every question of the sketch page, in the order in which it asks them."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Question:
    """One screen of the sketch page: a layer, what it asks and the words of its buttons.

    `kinds` are the kinds of shape that the layer takes ("area", "line", "point"), `draw` the words
    of the button that begins each; `answers` says whether "none" and "I do not know" are answers;
    `desk_title` is the heading for the coordinator where it is another.
    """

    layer: str
    title: str
    ask: str
    one: str
    kinds: tuple[str, ...]
    draw: dict[str, str]
    none: str = "None here"
    answers: bool = True
    caution: str = ""
    uses: tuple[tuple[str, str], ...] = ()
    desk_title: str = ""


# "I do not know" stands first, where a list begins: no use is assumed of a trail by an oversight.
_USES = (
    ("", "I do not know"),
    ("game", "Animals only"),
    ("quiet", "People now and then"),
    ("busy", "People often, or vehicles"),
)

QUESTIONS = (
    Question(
        "parcel",
        "Your land",
        "Draw the outline of the land that you have permission to use.",
        "Land",
        ("area",),
        {"area": "Draw the outline"},
        # "None" is no answer here: without an outline there is nothing to score.
        answers=False,
        desk_title="Outline of the land",
        caution="Stay off other people's land while you walk the boundary. The outline need not be "
        "exact: no camera will be placed close to it.",
    ),
    Question(
        "feeders",
        "Feeding places",
        "Mark bird feeders, salt licks, compost and other places where animals are fed.",
        "Feeding place",
        ("point",),
        {"point": "Mark one"},
    ),
    Question(
        "livestock",
        "Livestock",
        "Draw where cows, horses, sheep or other livestock may be during the season.",
        "Pasture",
        ("area",),
        {"area": "Draw a pasture"},
        # The page must send nobody where the sheet warns of going.
        caution="Do not enter a field with livestock to draw it. From the fence is good enough.",
    ),
    Question(
        "trails",
        "Trails and old tracks",
        "Draw paths, game trails and old cart tracks, and say who uses them.",
        "Trail",
        ("line",),
        {"line": "Draw a trail"},
        uses=_USES,
    ),
    Question(
        "crossings",
        "Crossings",
        "Mark logs over a stream, fords, stepping stones and gaps in a wall or fence.",
        "Crossing",
        ("point",),
        {"point": "Mark one"},
        caution="Do not step onto a log or into water to look.",
    ),
    Question(
        "water",
        "Streams and ponds",
        "Draw streams, ponds and wet hollows that the map does not show.",
        "Water",
        ("line", "area"),
        {"line": "Draw a stream", "area": "Draw a pond"},
        # The survey's own map may show some: "none here" would then be untrue.
        none="Nothing to add",
    ),
    Question(
        "buildings",
        "Houses and barns",
        "Mark houses, barns and sheds that the map does not show, your neighbours' too.",
        "Building",
        ("point",),
        {"point": "Mark one"},
        none="Nothing to add",
    ),
    Question(
        "way_in",
        "Where you start",
        "Mark where you leave the car or step onto the land.",
        "Start",
        ("point",),
        {"point": "Mark the place"},
        answers=False,
        desk_title="Where the volunteer starts",
    ),
    Question(
        "no_go",
        "Places to leave alone",
        "Draw places where the owner wants no camera, or where a camera would show people: yards, "
        "play areas, a hunting stand, a neighbour's windows.",
        "Place",
        ("area",),
        {"area": "Draw a place"},
    ),
)

BEFORE = (
    "Draw only land that you have permission to use. You can do all of this at a table; if you go "
    "out, tell somebody where you are, watch out for the hunting season and ticks, and stay out of "
    "water and off ice and steep ground."
)
# As in the preview of a mail or file app on some phones (docs/outputs.md).
WITHOUT_SCRIPTS = (
    "This viewer runs no scripts, so nothing can be drawn here. Save the file and open it in a web "
    "browser. Or write down the corners of your land as latitude and longitude, read from the map "
    "of a phone, and send them to the survey."
)


def questions_data() -> list[dict[str, Any]]:
    """The questions as plain values for the page."""
    return [asdict(question) for question in QUESTIONS]
