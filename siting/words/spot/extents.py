"""Where to look, in words, when the maps cannot single out a point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from siting.lengths import about, area
from siting.spot_parts import Extent
from siting.types import Spot


def extent_words(extent: Extent, *, radius_m: float) -> str:
    """Where to look, as a sentence.

    Examples
    --------
    >>> from shapely import LineString
    >>> brook = Extent("stretch", LineString(), 123.0, 0.0, "the brook", LineString())
    >>> extent_words(brook, radius_m=30.0)
    'Look along about 120 m (390 ft) of the brook: these maps cannot tell one point from another.'
    """
    if extent.kind == "stretch":
        where = f"along {about(extent.length_m, radius_m)} of {extent.along}"
    else:
        where = f"anywhere in the marked area of about {area(extent.area_m2)}"
    return f"Look {where}: these maps cannot tell one point from another."


def with_extents(spots: Sequence[Spot], extents: Sequence[Extent | None]) -> tuple[Spot, ...]:
    """The spots with their extents, named first among what to check on site."""
    return tuple(
        spot
        if extent is None
        else replace(
            spot,
            extent=extent,
            # In place of the first line, which speaks of a circle around one point.
            check=(extent_words(extent, radius_m=spot.search_radius_m), *spot.check[1:]),
        )
        for spot, extent in zip(spots, extents, strict=True)
    )
