"""Where to look, in words, when the maps cannot single out a point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from siting.lengths import FEET_PER_M, about
from siting.spot_parts import Extent
from siting.types import Spot

_M2_PER_HA, _ACRES_PER_HA = 10_000.0, 2.471
# Below half of the last digit shown an area would be none.
_LEAST_HA = 0.05


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
        where = f"anywhere in the marked area of about {_area(extent.area_m2)}"
    return f"Look {where}: these maps cannot tell one point from another."


def _area(area_m2: float) -> str:
    """Hectares with acres beside them; a tenth of an acre counts only where there are few.

    Examples
    --------
    >>> _area(4_000.0), _area(27_000.0), _area(430.0)
    ('0.4 ha (1 acre)', '2.7 ha (7 acres)', '400 m² (4300 sq ft)')
    """
    if area_m2 < _LEAST_HA * _M2_PER_HA:
        metres2 = max(round(area_m2, -2), 100.0)
        return f"{metres2:.0f} m² ({round(metres2 * FEET_PER_M**2, -2):.0f} sq ft)"
    # Rounded first, so that the same hectares never stand beside other acres.
    hectares = round(area_m2 / _M2_PER_HA, 1)
    acres = hectares * _ACRES_PER_HA
    shown = f"{acres:.1f}" if acres < 0.95 else f"{acres:.0f}"
    return f"{hectares:.1f} ha ({shown} acre{'' if shown == '1' else 's'})"


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
