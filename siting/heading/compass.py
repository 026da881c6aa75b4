"""From true north to the needle of a compass, by the World Magnetic Model."""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass

MODEL = "WMM2025"
FIRST_YEAR, LAST_YEAR = 2025, 2029


@dataclass(frozen=True)
class Declination:
    """How far the needle points east of true north, or why that is not said.

    Parameters
    ----------
    east_deg : float or None
        Degrees, east positive; None where the model does not hold.
    uncertainty_deg : float or None
        One standard deviation by the model's own error formula; iron close by is not in it.
    model : str
    day : date the value is for
    trouble : "", "years" (out of the model's years), "pole" (too near for a compass), "near pole"
    """

    east_deg: float | None
    uncertainty_deg: float | None
    model: str
    day: dt.date
    trouble: str = ""

    def magnetic(self, true_deg: float) -> float | None:
        """A true bearing as the compass shows it, [0, 360), or None.

        Examples
        --------
        >>> Declination(10.0, 0.4, MODEL, dt.date(2026, 1, 1)).magnetic(5.0)
        355.0
        """
        if self.east_deg is None:
            return None
        bearing = round((true_deg - self.east_deg) % 360.0, 1)
        # Rounding may bring 359.96 to 360.0, which no compass shows.
        return bearing if bearing < 360.0 else 0.0


def declination(
    latitude_deg: float, longitude_deg: float, *, day: dt.date, altitude_m: float = 0.0
) -> Declination:
    """Magnetic declination at a place on a day.

    Refused (with a note, not an error) out of the model's years and where the field is so
    nearly upright near the magnetic poles that a compass is no use (under 2000 nT level).

    Parameters
    ----------
    latitude_deg, longitude_deg : float, degrees, north and east positive
    day : date
    altitude_m : float, metres above the ellipsoid or the sea; it hardly matters

    References
    ----------
    NOAA NCEI and British Geological Survey (2024) The World Magnetic Model 2025, coefficients
    and software; doi 10.25921/aqfd-sd83 (from memory).
    """
    return field(
        latitude_deg, longitude_deg, decimal_year=decimal_year(day), altitude_m=altitude_m, day=day
    )


def field(
    latitude_deg: float,
    longitude_deg: float,
    *,
    decimal_year: float,
    altitude_m: float,
    day: dt.date,
) -> Declination:
    """`declination` for a date given as a decimal year."""
    if not FIRST_YEAR <= decimal_year < LAST_YEAR + 1:
        return Declination(None, None, MODEL, day, "years")
    # Loaded here: a run without headings need not read the model's coefficients.
    from pygeomag import GeoMag
    from pygeomag.wmm.wmm_2025 import WMM_2025

    found = GeoMag(coefficients_data=WMM_2025).calculate(
        glat=latitude_deg, glon=longitude_deg, alt=altitude_m / 1000.0, time=decimal_year
    )
    if found.in_blackout_zone:
        return Declination(None, None, MODEL, day, "pole")
    # Still given there, with a warning: the level part of the field is weak and the needle
    # sluggish.
    near = "near pole" if found.in_caution_zone else ""
    spread = float(found.calculate_uncertainty().d)
    return Declination(float(found.d), spread, MODEL, day, near)


def decimal_year(day: dt.date) -> float:
    """The year with the part of it that has gone by.

    Examples
    --------
    >>> decimal_year(dt.date(2025, 7, 2))
    2025.4986301369863
    """
    length = 366 if calendar.isleap(day.year) else 365
    return day.year + (day.timetuple().tm_yday - 1) / length
