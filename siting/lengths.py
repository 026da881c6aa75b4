"""Numbers as a reader meets them: lengths with feet, directions, shares, points."""

from __future__ import annotations

import math
from collections.abc import Sequence

FEET_PER_M = 1 / 0.3048


def listed(words: Sequence[str]) -> str:
    """Words in a row, the last behind "and".

    Examples
    --------
    >>> listed(["2", "3", "5"]), listed(["2"])
    ('2, 3 and 5', '2')
    """
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


_MILE_M = 1609.344
NO_BREAK = "\u00a0"
COMPASS = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)


def length(metres: float) -> str:
    """Metres with feet beside them, as exact as a person can use them.

    The metres are rounded first and the feet follow from them, so that the same metres never
    stand beside other feet.

    Examples
    --------
    >>> length(6.3), length(128.0), length(1500.0)
    ('6 m (20 ft)', '130 m (430 ft)', '1.5 km (0.9 mi)')
    """
    if metres >= 1000:
        kilometres = _whole(metres / 100) / 10
        return f"{kilometres:.1f} km ({kilometres * 1000 / _MILE_M:.1f} mi)"
    if metres >= 50:
        tens = 10 * _whole(metres / 10)
        return f"{tens} m ({10 * _whole(tens * FEET_PER_M / 10)} ft)"
    # Below 50 m to the metre: there one paces it out.
    shown = _whole(metres)
    return f"{shown} m ({_whole(shown * FEET_PER_M)} ft)"


def area(square_m: float) -> str:
    """Hectares with acres beside them; a tenth of an acre counts only where there are few.

    Examples
    --------
    >>> area(4_000.0), area(27_000.0), area(430.0), area(160_000.0)
    ('0.4 ha (1 acre)', '2.7 ha (7 acres)', '400 m² (4300 sq ft)', '16 ha (40 acres)')
    """
    if square_m < _LEAST_HA * _M2_PER_HA:
        metres2 = max(round(square_m, -2), 100.0)
        return f"{metres2:.0f} m² ({round(metres2 * FEET_PER_M**2, -2):.0f} sq ft)"
    # Rounded first, so that the same hectares never stand beside other acres.
    hectares = round(square_m / _M2_PER_HA, 1)
    acres = hectares * _ACRES_PER_HA
    shown = f"{acres:.1f}" if acres < 0.95 else f"{acres:,.0f}"
    whole = f"{hectares:,.1f}".removesuffix(".0")
    return f"{whole} ha ({shown} acre{'' if shown == '1' else 's'})"


# Below half of the last digit shown an area would be none.
_M2_PER_HA, _ACRES_PER_HA, _LEAST_HA = 10_000.0, 2.4710538, 0.05


def to_the_metre(metres: float) -> str:
    """A length that is known to the metre however long it is, as the width of a map's cells is.

    Examples
    --------
    >>> to_the_metre(82.3)
    '82 m (269 ft)'
    """
    shown = _whole(metres)
    return f"{shown} m ({_whole(shown * FEET_PER_M)} ft)"


def height(metres: float, *, exact: bool) -> str:
    """A height above the sea with feet beside it, in tens where the elevations are not `exact`.

    Examples
    --------
    >>> height(291.3, exact=True), height(1847.0, exact=False)
    ('291 m (955 ft)', 'about 1850 m (6070 ft)')
    """
    if exact:
        return to_the_metre(metres)
    tens = 10 * _whole(metres / 10)
    return f"about {tens} m ({10 * _whole(tens * FEET_PER_M / 10)} ft)"


def about(metres: float, radius_m: float) -> str:
    """A distance no finer than the place it is measured from: rounded to the radius's first digit.

    Within the radius nothing can be told apart; ask `is_close` first.

    Parameters
    ----------
    metres : float
    radius_m : float
        How far off the point may be, metres.

    Examples
    --------
    >>> about(43.0, 15.0), about(43.0, 5.0), about(243.0, 130.0)
    ('about 40 m (130 ft)', 'about 43 m (141 ft)', 'about 200 m (660 ft)')
    """
    step = 10.0 ** math.floor(math.log10(max(radius_m, 1.0)))
    shown = max(step * _whole(metres / step), step)
    # Finer than ten metres the feet follow from the metres as anywhere else.
    if step < 10 or shown >= 1000:
        return f"about {length(shown)}"
    # Feet in tens: 131 ft beside 40 m would claim more than the metres do.
    return f"about {_whole(shown)} m ({10 * _whole(shown * FEET_PER_M / 10)} ft)"


def is_close(metres: float, radius_m: float) -> bool:
    """Whether a thing is nearer than the maps and a phone can tell: "close by", no more.

    Both in metres; `radius_m` is how far off the point may be.

    Examples
    --------
    >>> is_close(12.0, 15.0), is_close(21.0, 15.0)
    (True, False)
    """
    return metres <= radius_m


def percent(share: float) -> str:
    """A share of 0..1 in whole per cent; the sign never stands alone on a line.

    Examples
    --------
    >>> percent(0.748) == "75\\u00a0%"
    True
    """
    # A share of 0.5 % is told as 0 %: no reader takes decimals of such a share seriously.
    return f"{100 * share:.0f}{NO_BREAK}%"


def points(score: float) -> int:
    """A score of 0..1 in points of 100, halves to even as on the map page.

    Examples
    --------
    >>> points(0.943), points(0.125)
    (94, 12)
    """
    return round(100 * score)


def tenths(index: float) -> int:
    """An index (without a unit) in whole tenths, halves to even as on the map page.

    Examples
    --------
    >>> tenths(1.84), tenths(0.25)
    (18, 2)
    """
    return round(10 * index)


def index_text(index: float) -> str:
    """An index (without a unit) to one decimal, from 10 on whole: known to two figures at the most.

    Examples
    --------
    >>> index_text(1.84), index_text(0.968), index_text(12.6)
    ('1.8', '1.0', '13')
    """
    shown = tenths(index)
    return f"{shown / 10:.1f}" if shown < 100 else str((shown + 5) // 10)


def compass_word(bearing_deg: float) -> str:
    """The nearest of the eight compass directions, in words; degrees clockwise from north.

    Examples
    --------
    >>> compass_word(350.0), compass_word(93.0)
    ('north', 'east')
    """
    return COMPASS[round(bearing_deg / 45.0) % 8]


def whole_minutes(minutes: float) -> int:
    """Whole minutes of a walk, rounded up: a promise of time errs on the long side.

    Examples
    --------
    >>> whole_minutes(5.1), whole_minutes(0.2)
    (6, 1)
    """
    return max(math.ceil(minutes), 1)


def _whole(value: float) -> int:
    # Halves up, as people round; Python's own `round` takes 2.5 to 2.
    return math.floor(value + 0.5)
