"""Names short enough for the screen of a small receiver."""

from __future__ import annotations

import re

_LONGEST = 30
# What the program calls a place by, as shortly as it can be said; tried in this order.
_SHORT = (
    (r"corner of the field, woods on two sides", "field corner"),
    (r"narrow woods between open ground", "narrow woods"),
    (r"point of woods reaching into open ground", "woods point"),
    (r"saddle between .+", "saddle"),
    (r"gap between the water and .+", "gap by the water"),
    (r"narrow way along the water", "way by the water"),
    (r"way squeezed by (?:a |the )?([\w-]+).*", r"way by \1"),
    (r"level way through steep ground", "level way"),
    (r"narrow easy way across the land", "narrow easy way"),
    (r"where (.+) (?:meets|crosses) (.+)", r"\1 x \2"),
    (r"where (.+) \w+ the woods", r"\1 at woods"),
)
_ASIDE = re.compile(r", \d[\d.]* k?m \([^()]*\) to the [a-z-]+$")
_SIDE = re.compile(r", in the ([a-z-]+) of the land$")
_MIDDLE = re.compile(r", near the middle of the land$")


def short_name(label: str, title: str) -> str:
    """At most 30 characters: the rank and what the place is, shortened by meaning before it is cut.

    Examples
    --------
    >>> short_name("04", "Corner of the field, woods on two sides, in the south-east of the land")
    '04 Field corner SE'
    >>> short_name("02", "Log over the brook, 11 m (36 ft) to the east")
    '02 Log over the brook'
    """
    title = " ".join(title.split())
    for words in (title, _ASIDE.sub("", title)):
        if len(whole := f"{label} {words}".strip()) <= _LONGEST:
            return whole
    head, side = _parted(_ASIDE.sub("", title))
    for pattern, short in _SHORT:
        if re.fullmatch(pattern, head, re.IGNORECASE):
            head = re.sub(pattern, short, head, flags=re.IGNORECASE)
            head = head[:1].upper() + head[1:]
            break
    else:
        head = head.partition(",")[0]
    room = _LONGEST - len(side)
    return f"{_cut(f'{label} {head}', room, least=len(label))}{side}"


def _parted(title: str) -> tuple[str, str]:
    """A title without the side of the land, and the side as letters: " SE"."""
    found = _SIDE.search(title)
    if found:
        letters = "".join(part[0].upper() for part in found[1].split("-"))
        return title[: found.start()], f" {letters}"
    found = _MIDDLE.search(title)
    return (title[: found.start()], " mid") if found else (title, "")


def _cut(words: str, room: int, *, least: int) -> str:
    if len(words) <= room:
        return words
    cut = words[: room + 1].rpartition(" ")[0]
    return cut if len(cut) > least else words[:room].rstrip()
