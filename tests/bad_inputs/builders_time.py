"""Faults of days, clocks and the sun's place."""

from __future__ import annotations

from tests.bad_inputs.land import Land, builder, clean
from tests.bad_inputs.runner import toml_of

# Maps of lands whose sun behaves in its own way: system, left, top.
PLACES = {
    "here": ("EPSG:32617", 540000.0, 4765300.0),
    "north": ("EPSG:32633", 500000.0, 8700300.0),
    "south": ("EPSG:32734", 300000.0, 6230300.0),
    "line": ("EPSG:32617", 540000.0, 150.0),
    "date line": ("EPSG:32660", 820000.0, 600300.0),
}


@builder
def time_told(land: Land, text: str) -> Land:
    """Zone and days as TOML text: "PLACE | time_zone = ..., first_day = ..., last_day = ..."."""
    place, _, survey = text.partition(" | ")
    crs, left, top = PLACES[place]
    land = clean(land.folder, crs=crs, left=left, top=top)
    land.text = toml_of(land.inputs) + "[survey]\n" + survey.replace(", ", "\n") + "\n"
    return land
