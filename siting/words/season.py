"""Whether snow and ice are spoken of: where, how high and when a camera stands."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np

from siting.settings.protocol_field import CautionRules
from siting.types import Land

# The three warmest months, which lag the sun by some weeks on land.
_WARM_MONTHS = {"north": (6, 7, 8), "south": (12, 1, 2)}


def frost_on(
    land: Land, days: Sequence[dt.date | None] = (None, None), *, rules: CautionRules
) -> bool:
    """Whether snow or ice may lie on a piece of land while a camera stands there.

    `days` are the first and the last of the deployment; without them it may be any season.
    """
    # Heights that nobody knows leave it open: what cannot be ruled out is said.
    known = np.isfinite(land.dem)
    height_m = float(land.dem[known].max()) if known.any() else np.inf
    first, last = days
    return frost_at(land.grid.latitude_deg, height_m, first, last, rules=rules)


def frost_at(
    lat_deg: float,
    height_m: float,
    first_day: dt.date | None,
    last_day: dt.date | None,
    *,
    rules: CautionRules,
) -> bool:
    """Whether snow or ice may lie at a latitude (degrees, north positive) and a height (metres).

    Examples
    --------
    >>> rules = CautionRules()
    >>> frost_at(52.0, 30.0, None, None, rules=rules)
    True
    >>> frost_at(11.0, 1900.0, None, None, rules=rules)
    False
    >>> frost_at(11.0, 3500.0, None, None, rules=rules)
    True
    >>> frost_at(52.0, 30.0, dt.date(2027, 6, 1), dt.date(2027, 8, 20), rules=rules)
    False
    >>> frost_at(-34.0, 30.0, dt.date(2027, 6, 1), dt.date(2027, 8, 20), rules=rules)
    True
    """
    side = "north" if lat_deg >= 0.0 else "south"
    warm = _only_in(_WARM_MONTHS[side], first_day, last_day)
    from_deg = rules.frost_warm_deg if warm else rules.frost_deg
    return height_m >= rules.frost_equator_m * max(1.0 - abs(lat_deg) / from_deg, 0.0)


def _only_in(months: Sequence[int], first: dt.date | None, last: dt.date | None) -> bool:
    """Whether all days of a deployment lie in these months."""
    if first is None or last is None:
        return False
    # Beyond a hundred days another season is reached, and no calendar has to be walked through.
    days = (last - first).days
    return days <= 100 and all(
        (first + dt.timedelta(days=n)).month in months for n in range(days + 1)
    )
