"""What the desk says of files that come back."""

from __future__ import annotations

import datetime as dt
from typing import Any

from siting.decisions.model import Record
from siting.lengths import length
from siting.words.office.decisions import CHOICES, STATES

HOW = {
    "name": "Found by the name in the file.",
    "place": "Found by where it is.",
    "chosen": "Chosen by you.",
    "several": "Several sign-ups are near. Which one is it?",
    "none": "No sign-up fits. Which one is it?",
}
"""How it is known which sign-up a file is about, or what is asked."""
FAR = "The file names this sign-up but speaks of places {km} km away from it."
OLDER = "A newer file of the same phone was taken in before; this one adds nothing."
NOTHING_NEW = "All of it is known already."
EARLY = (
    "It went up on {since}, and the season begins on {first}. Ask the volunteer if the date is "
    "wrong; pictures from before the season may not count."
)
AGAIN = {
    "waiting": "This file is in the list already.",
    "accepted": "This file was taken in before, on {day}.",
}
_OFFICE = "The survey asks for a camera here"
_NOW = {
    "": "nothing reported yet",
    "proposed": "a place is proposed",
    "visited": "somebody was there",
    "chosen": "a place is chosen",
    "ruled out": "a place is ruled out",
    "camera up": "camera up",
    "checked": "camera up",
    "moved": "camera up",
    "taken down": "camera down",
}


def state_words(state: str, day: str) -> str:
    """What was last reported of a parcel, with the day where there is one."""
    return f"{_NOW[state]} ({day})" if day and state else _NOW[state]


def record_words(record: Record, apart_m: str) -> dict[str, Any]:
    """A record as the desk shows it: {"title", "facts"}; `apart_m` is how far a camera stands from
    the place that was asked for, metres as text, or "".
    """
    where = f"place {record.location}" if record.location else "a place that is on no list"
    if record.spot:
        where = f"spot {record.spot}" + (f" ({record.location})" if record.location else "")
    return {
        "title": f"{_when(record.at)}: {STATES.get(record.state, _OFFICE)}, {where}",
        "facts": [*_place_facts(record, apart_m), *_camera_facts(record), *_words(record)],
    }


def _when(at: dt.date) -> str:
    if isinstance(at, dt.datetime):
        return at.strftime("%Y-%m-%d %H:%M")
    return at.isoformat()


def _place_facts(record: Record, apart_m: str) -> list[str]:
    facts = []
    if apart_m:
        facts.append(f"It stands {length(float(apart_m))} from the place that was planned.")
    if record.accuracy_m is not None:
        facts.append(f"Position by phone, to about {length(record.accuracy_m)}.")
    if record.reason:
        facts.append(f"{CHOICES['reason'][record.reason]}.")
    if record.area is not None:
        facts.append("The owner drew an area to leave alone.")
    return facts


def _camera_facts(record: Record) -> list[str]:
    pairs = (
        ("Camera", record.camera),
        ("Card in", record.card),
        ("Card out", record.card_out),
        ("Lens above the ground", None if record.height_m is None else f"{record.height_m:g} m"),
        ("Heading by compass", _degrees(record.heading_magnetic_deg)),
        ("Heading from true north", _degrees(record.heading_true_deg)),
        ("Battery", None if record.battery_percent is None else f"{record.battery_percent} %"),
        ("Pictures", None if record.pictures is None else f"{record.pictures:,}"),
        (
            "Clock fast by",
            None if record.clock_off_min is None else f"{record.clock_off_min:g} min",
        ),
    )
    return [f"{name}: {value}" for name, value in pairs if value]


def _degrees(value: float | None) -> str | None:
    return None if value is None else f"{value:.0f}°"


def _words(record: Record) -> list[str]:
    """What was cleared and done, and the note in the volunteer's own words."""
    done = [CHOICES["done"][key] for key in record.done]
    cleared = [CHOICES["cleared"][key].lower() for key in record.cleared]
    said = [", ".join(done)] if done else []
    said += [f"Cleared: {', '.join(cleared)}"] if cleared else []
    return [*said, *([f"“{record.note}”"] if record.note else [])]


NO_CAMERA = "No camera was put up yet: take in the files that volunteers send back first."
