"""Units of heights: what a file and its user say, and whether they agree."""

from __future__ import annotations

from pyproj import CRS

from siting.errors import SitingError
from siting.types import Note

FOOT_M = 0.3048
US_SURVEY_FOOT_M = 1200 / 3937
_UNITS = {
    "m": 1.0,
    "metre": 1.0,
    "metres": 1.0,
    "meter": 1.0,
    "meters": 1.0,
    "ft": FOOT_M,
    "foot": FOOT_M,
    "feet": FOOT_M,
    "international foot": FOOT_M,
    "us-ft": US_SURVEY_FOOT_M,
    "ftus": US_SURVEY_FOOT_M,
    "us survey foot": US_SURVEY_FOOT_M,
    "foot_us": US_SURVEY_FOOT_M,
    "sfoot": US_SURVEY_FOOT_M,
    "cm": 0.01,
    "centimetre": 0.01,
    "centimeter": 0.01,
    "dm": 0.1,
    "mm": 0.001,
    "fathom": 1.8288,
    "fathoms": 1.8288,
}


def unit_factor(text: str, *, what: str, key: str = "dem") -> float:
    """Metres per unit of a unit's name; E-UNIT-01 when the name is not known."""
    factor = _UNITS.get(text.strip().lower())
    if factor is None:
        raise SitingError(
            "E-UNIT-01",
            f"{what} is in {text!r}.",
            rule="Heights must be in a known unit: metres, feet, US survey feet, centimetres, "
            "decimetres, millimetres or fathoms.",
            cure=f"Convert the file to metres, or correct the unit it states ({key}.z_unit cannot "
            "overrule it).",
        )
    return factor


def elevation_factor(
    *, band_unit: str, crs: str, asserted: str, file: str, key: str = "dem"
) -> tuple[float, tuple[Note, ...]]:
    """Metres per unit of the elevations, from the vertical system, the band and the settings.

    Parameters
    ----------
    band_unit : str
        Unit text of the band, "" when it has none.
    crs : str
        Coordinate system of the raster; its vertical axis counts when it has one.
    asserted : str
        z_unit of the inputs, "" when not given.
    key : str
        The table of the inputs that the raster stands in.

    Raises
    ------
    SitingError
        E-UNIT-01 unknown, E-UNIT-02 contradiction.
    """
    said: list[tuple[str, float]] = []
    vertical = _vertical_unit(crs)
    if vertical is not None:
        said.append(("its vertical system", vertical))
    if band_unit.strip():
        said.append(("its band", unit_factor(band_unit, what=f"The band of {file}", key=key)))
    if asserted:
        said.append((f"{key}.z_unit", unit_factor(asserted, what=f"{key}.z_unit")))
    # The two feet differ by 2 in a million: that much is no contradiction.
    if said and any(abs(f / said[0][1] - 1.0) > 1e-4 for _, f in said):
        told = ", ".join(f"{who} {_unit_name(f)}" for who, f in said)
        raise SitingError(
            "E-UNIT-02",
            f"{file} has elevations in two units: {told}.",
            rule="Every statement of the unit must agree: feet read as metres turn a 5 "
            "degree slope into 16.",
            cure=f"Find out which is right; correct the file or remove {key}.z_unit.",
        )
    if said:
        return said[-1][1], ()
    horizontal = CRS(crs).sub_crs_list[0] if CRS(crs).is_compound else CRS(crs)
    # A map in feet is the one hint of elevations in feet; on a map in metres nobody uses them.
    across = horizontal.axis_info[0].unit_conversion_factor if horizontal.is_projected else 1.0
    if abs(across - 1.0) > 1e-6:
        raise SitingError(
            "E-UNIT-01",
            f"{file} is on a map in feet and does not state the unit of its elevations.",
            rule="Elevations on such a map may be in feet or metres, and siting does not guess.",
            cure=f'State it with {key}.z_unit = "m", "ft" or "us-ft".',
        )
    text = f"{file} does not state the unit of its elevations; metres were assumed."
    return 1.0, (Note("A-UNIT-01", "assumption", text),)


def _vertical_unit(crs: str) -> float | None:
    parsed = CRS(crs)
    # A compound system says the unit of its heights itself; nothing else is as sure.
    for part in parsed.sub_crs_list:
        if part.is_vertical:
            return float(part.axis_info[0].unit_conversion_factor)
    if parsed.is_geographic and len(parsed.axis_info) == 3:
        return float(parsed.axis_info[2].unit_conversion_factor)
    return None


def _unit_name(factor: float) -> str:
    return next((name for name, f in _UNITS.items() if abs(f / factor - 1.0) < 1e-9), "?")
