"""The cover of the field sheet: a map of the parcel, and the key to it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import shapely
from markupsafe import Markup
from shapely import Geometry

from siting.report.paper.ground_window import window_around
from siting.report.paper.plan import plan
from siting.report.shared.facts import SpotFacts
from siting.report.shared.text import land_name
from siting.types import Result
from siting.words.sheet import MAP_KEY

_COVER_WIDTH_MM = 186.0
# At 10 points: the height of a line, and how many letters of a name, and of a warning, it takes.
_LINE_MM, _TITLE_LETTERS, _LINE_LETTERS = 4.41, 20, 105


def cover_map(
    result: Result, facts: Sequence[SpotFacts], *, shut: Sequence[Geometry], warnings: Sequence[str]
) -> Markup:
    """The map of the whole parcel with its spots and walks.

    Parameters
    ----------
    shut : areas where no camera may stand, see `shut_areas`
    warnings : those that stand below the map and take room from it
    """
    shapes = [result.land.parcel_shape, *(f.walk.line for f in facts if f.walk is not None)]
    bounds = shapely.buffer(shapely.box(*shapely.total_bounds(shapes)), 25.0).bounds
    # The map gets what the table and warnings leave, so that the cover stays one page.
    asked = 2 if result.proposal else 0
    height = _cover_height_mm([fact.title for fact in facts], warnings, more_lines=asked)
    window = window_around(bounds, width_mm=_COVER_WIDTH_MM, height_mm=height, key="cover")
    label = land_name(result.land.parcel)
    title = f"Map of {label} with the spots"
    return Markup(plan(result, window, facts=facts, shut=shut, title=title))


def _cover_height_mm(
    titles: Sequence[str], warnings: Sequence[str], *, more_lines: int = 0
) -> float:
    """Height left for the map on a Letter page at 10 points, below and above its text."""
    rows = [math.ceil(max(len(title), 1) / _TITLE_LETTERS) for title in titles]
    said = [math.ceil(len(line) / _LINE_LETTERS) for line in warnings]
    text = sum(rows) + sum(said) + more_lines
    # Beside the lines: the rules of the table, and the head of the warnings.
    taken = _LINE_MM * text + 1.3 * len(rows) + (6.0 if said else 0.0)
    return min(max(187.0 - taken, 58.0), 150.0)


def marks(result: Result, facts: Sequence[SpotFacts]) -> list[tuple[str, str]]:
    """The key of the maps: only what is there, by (class of the sample, words)."""
    vectors = result.land.vectors
    # The key names nothing that the maps cannot show: a reader would look for it.
    there = {
        "parcel": True,
        "no-go": True,
        "walk": any(fact.walk for fact in facts),
        "stream": "water" in vectors,
        "valley": bool(result.valley_lines),
        "trail": "trails" in vectors,
        "road": "roads" in vectors,
        "building": "buildings" in vectors,
        "crossing": "crossings" in vectors,
        "contour": True,
        "search": True,
        "view": any(fact.facing.heading_deg is not None for fact in facts),
    }
    return [(name, words) for name, words in MAP_KEY.items() if there[name]]
