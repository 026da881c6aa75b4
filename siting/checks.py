"""One check per concept; each raises with the value, the rule and the cure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from siting.errors import SitingError
from siting.grid import FloatArray
from siting.types import BoolArray, CoverRole, Note

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
# Values that programs write for "no data"; each is far from any elevation on Earth or a limit of
# its number type.
_SENTINELS = (-9999.0, -99999.0, -999999.0, -32768.0, -32767.0, 32767.0, 65535.0, 9999.0, 99999.0)
_LOWEST_M, _HIGHEST_M = -500.0, 9000.0
_BEYOND_DOUBT_M = 1e6
_LEAST_GAP_M = 30.0
# Shares of a parcel beyond which a class is doubted.
_DOUBTED = {CoverRole.BUILT: 0.3, CoverRole.SNOW: 0.3, CoverRole.WATER: 0.5}
_LEAST_ZERO_BORDER = 0.2


def unit_factor(text: str, *, what: str) -> float:
    """Metres per unit of a unit's name; E-UNIT-01 when the name is not known."""
    factor = _UNITS.get(text.strip().lower())
    if factor is None:
        raise SitingError(
            "E-UNIT-01",
            f"{what} is in {text!r}.",
            rule="Elevations must be in a known unit: metres, feet, US survey feet, centimetres, "
            "decimetres, millimetres or fathoms.",
            cure='State the unit with dem.z_unit = "m", "ft" or "us-ft", or convert the file.',
        )
    return factor


def elevation_factor(
    *, band_unit: str, crs: str, asserted: str, file: str
) -> tuple[float, tuple[Note, ...]]:
    """Metres per unit of the elevations, from the vertical system, the band and the settings.

    Parameters
    ----------
    band_unit : str
        Unit text of the band, "" when it has none.
    crs : str
        Coordinate system of the raster; its vertical axis counts when it has one.
    asserted : str
        dem.z_unit of the inputs, "" when not given.

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
        said.append(("its band", unit_factor(band_unit, what=f"The band of {file}")))
    if asserted:
        said.append(("dem.z_unit", unit_factor(asserted, what="dem.z_unit")))
    if said and any(abs(f / said[0][1] - 1.0) > 1e-4 for _, f in said):
        told = ", ".join(f"{who} {_unit_name(f)}" for who, f in said)
        raise SitingError(
            "E-UNIT-02",
            f"{file} has elevations in two units: {told}.",
            rule="All that is said of a unit must agree; feet read as metres make a 5 degree "
            "slope one of 16.",
            cure="Find out which is right; mend the file or remove dem.z_unit.",
        )
    if said:
        return said[-1][1], ()
    horizontal = CRS(crs).sub_crs_list[0] if CRS(crs).is_compound else CRS(crs)
    across = horizontal.axis_info[0].unit_conversion_factor if horizontal.is_projected else 1.0
    if abs(across - 1.0) > 1e-6:
        raise SitingError(
            "E-UNIT-01",
            f"{file} lies on a map in feet and does not say the unit of its elevations.",
            rule="Elevations on such a map may be in feet or metres, and none is guessed.",
            cure='State it with dem.z_unit = "m", "ft" or "us-ft".',
        )
    text = f"{file} does not say the unit of its elevations: metres taken."
    return 1.0, (Note("A-UNIT-01", "assumption", text),)


def _vertical_unit(crs: str) -> float | None:
    parsed = CRS(crs)
    for part in parsed.sub_crs_list:
        if part.is_vertical:
            return float(part.axis_info[0].unit_conversion_factor)
    if parsed.is_geographic and len(parsed.axis_info) == 3:
        return float(parsed.axis_info[2].unit_conversion_factor)
    return None


def _unit_name(factor: float) -> str:
    return next((name for name, f in _UNITS.items() if abs(f / factor - 1.0) < 1e-9), "?")


def check_sentinels(raw: FloatArray, metres: FloatArray, *, file: str, key: str) -> None:
    """E-NODATA-01 when a value that programs write for "no data" is there but not declared.

    Parameters
    ----------
    raw, metres : arrays of one shape, the numbers of the window as they are in the file and as
        metres; NaN where the file says no data
    """
    known = raw[np.isfinite(raw)]
    low, high = float(known.min()), float(known.max())
    lowest, highest = float(np.nanmin(metres)), float(np.nanmax(metres))
    suspects = [
        value
        for value, height in ((low, lowest), (high, highest))
        if value in _SENTINELS or abs(height) > _BEYOND_DOUBT_M
    ]
    if not suspects and _zero_border(raw):
        suspects = [0.0]
    if not suspects:
        suspects = _stands_alone(raw, metres)
    if suspects:
        value = suspects[0]
        raise SitingError(
            "E-NODATA-01",
            f"{file} holds {int((known == value).sum()):,} cells of {value:g} and does not "
            "declare it as the value for no data.",
            rule="Such a value usually means 'no data' and would become a cliff.",
            cure=f'State {key} = {value:g} if it means no data, or {key} = "none" if it is real.',
        )


def _stands_alone(raw: FloatArray, metres: FloatArray) -> list[float]:
    """The lowest or highest number when nothing lies near it: a fill value, whatever it is.

    Ground has heights in between. So a number is doubted that several cells share and that lies
    farther from the rest (over 30 m) than the rest is wide.
    """
    known = np.isfinite(metres)
    heights, numbers = metres[known], raw[known]
    out: list[float] = []
    for sign in (1.0, -1.0):
        signed = sign * heights
        end = float(signed.min())
        rest = signed[signed > end]
        if rest.size == 0 or rest.size > signed.size - 4:
            continue
        nearest, farthest = float(rest.min()), float(rest.max())
        if nearest - end > max(_LEAST_GAP_M, farthest - nearest):
            out.append(float(numbers[int(signed.argmin())]))
    return out


def _zero_border(values: FloatArray) -> bool:
    """Zeros along a fifth of the window's border, next to ground that is clearly not at 0."""
    border = np.concatenate([values[0], values[-1], values[:, 0], values[:, -1]])
    border = border[np.isfinite(border)]
    rest = values[np.isfinite(values) & (values != 0)]
    if border.size == 0 or rest.size == 0:
        return False
    share = float((border == 0).mean())
    return share > _LEAST_ZERO_BORDER and float(np.median(np.abs(rest))) > 30.0


def check_elevations(dem_m: FloatArray, *, file: str) -> None:
    """E-VALUE-02 when elevations in metres are outside what exists on land."""
    known = dem_m[np.isfinite(dem_m)]
    if known.size == 0:
        return
    low, high = float(known.min()), float(known.max())
    if low < _LOWEST_M or high > _HIGHEST_M:
        raise SitingError(
            "E-VALUE-02",
            f"{file} has elevations from {low:,.0f} to {high:,.0f} m over this parcel.",
            rule=f"Land lies between {_LOWEST_M:g} and {_HIGHEST_M:g} m.",
            cure="Declare the value for no data with dem.nodata, or the unit with dem.z_unit.",
        )


def check_relief(dem_m: FloatArray, *, cell_size_m: float, file: str) -> tuple[Note, ...]:
    """A warning when the ground is so steep everywhere that its unit must be doubted."""
    north, east = np.gradient(np.asarray(dem_m, dtype=np.float64), cell_size_m)
    rise = np.hypot(east, north)
    rise = rise[np.isfinite(rise)]
    if rise.size == 0 or float(np.median(rise)) <= 1.0:
        return ()
    slope = float(np.degrees(np.arctan(np.median(rise))))
    text = (
        f"By {file} half of this land is steeper than {slope:.0f} degrees: check the unit of its "
        "elevations (feet taken for metres make a 10 degree slope one of 30)."
    )
    return (Note("W-STEEP-01", "warning", text),)


def check_class_scale(scale: float, offset: float, *, file: str) -> None:
    """E-CODES-02 when a raster says that its numbers must be scaled: class codes never are."""
    if scale != 1.0 or offset != 0.0:
        raise SitingError(
            "E-CODES-02",
            f"{file} has a scale of {scale:g} and an offset of {offset:g}.",
            rule="Class codes are names written as numbers; they are not scaled.",
            cure="Check that this is the land-cover raster.",
        )


def check_class_codes(values: NDArray[np.generic], *, file: str) -> NDArray[np.int32]:
    """Class codes as int32; E-CODES-02 when there are fractions or numbers out of range.

    Parameters
    ----------
    values : array of known numbers, NaN = no data
    """
    known = values[np.isfinite(values)]
    if known.size and not np.array_equal(known, np.round(known)):
        example = float(known[known != np.round(known)][0])
        raise SitingError(
            "E-CODES-02",
            f"{file} holds {example:g}, which is no class code.",
            rule="Land cover is a raster of whole-number class codes; an average of codes "
            "means nothing.",
            cure="Use the original raster, not one resampled by averaging.",
        )
    if known.size and (known.max() > 2**31 - 1 or known.min() < 0):
        raise SitingError(
            "E-CODES-02",
            f"{file} holds numbers from {known.min():g} to {known.max():g}.",
            rule="Class codes are whole numbers from 0 up.",
            cure="Check that this is the land-cover raster; declare the number that means no data "
            "with land_cover.nodata.",
        )
    out = np.full(values.shape, -1, dtype=np.int32)
    out[np.isfinite(values)] = known
    return out


def check_roles(role: NDArray[np.int8], *, legend: str, file: str) -> tuple[Note, ...]:
    """A warning when much of a parcel is built-up, water or snow: is the legend the right one?

    Parameters
    ----------
    role : (n,) int8, `CoverRole` of the parcel's cells
    """
    for kind, most in _DOUBTED.items():
        share = float((role == kind).mean()) if role.size else 0.0
        if share > most:
            text = (
                f"By legend {legend} {share:.0%} of the parcel is {kind.name.lower()} ({file}): "
                "check that this legend belongs to this raster."
            )
            return (Note("W-LEGEND-01", "warning", text),)
    return ()


def check_coverage(
    known: BoolArray, inside: BoolArray, *, file: str, what: str
) -> tuple[float, tuple[Note, ...]]:
    """Share of the parcel's cells that a raster covers.

    Parameters
    ----------
    known : (rows, cols) bool, True where the raster has a value
    inside : (rows, cols) bool, True inside the parcel

    Returns
    -------
    (share, notes) : share in 0..1; warnings when it is below 0.95, and when less than 0.95 of
        the ground around the parcel is covered

    Raises
    ------
    SitingError
        E-COVER-02 below 0.60.
    """
    share = float(known[inside].mean()) if inside.any() else 0.0
    if share < 0.60:
        raise SitingError(
            "E-COVER-02",
            f"{file} covers {share:.0%} of the parcel.",
            rule=f"The {what} must cover at least 60 % of the parcel; unknown ground is never "
            "ranked.",
            cure=f"Use a {what} raster that reaches over the whole parcel.",
        )
    notes: list[Note] = []
    if share < 0.95:
        text = f"{file} covers {share:.0%} of the parcel; the rest is left out."
        notes.append(Note("W-COVER-01", "warning", text))
    around = float(known[~inside].mean()) if not inside.all() else 1.0
    if around < 0.95:
        text = (
            f"{file} covers {around:.0%} of the ground around the parcel: streams, edges and "
            "slopes just over the boundary may be missed."
        )
        notes.append(Note("W-COVER-02", "warning", text))
    return share, tuple(notes)


def check_area(area_m2: float, *, what: str) -> None:
    """E-GEOM-03 when a parcel's area is outside 100 m2 to 5,000 km2."""
    if not 100.0 <= area_m2 <= 5e9:
        shown = f"{area_m2:,.2f} m2" if area_m2 < 1e4 else f"{area_m2 / 1e6:,.0f} km2"
        raise SitingError(
            "E-GEOM-03",
            f"{what} has an area of {shown}.",
            rule="A parcel has between 100 m2 and 5,000 km2.",
            cure="Check its coordinate system and units; split very large land into parcels.",
        )


def check_cells(count: int, *, cell_size_m: float, area_m2: float, what: str) -> None:
    """E-GEOM-04 when fewer than nine cells lie inside a parcel."""
    if count < 9:
        needed = max((area_m2 / 9.0) ** 0.5, 0.1)
        raise SitingError(
            "E-GEOM-04",
            f"{what} holds {count} cells of {cell_size_m:g} m.",
            rule="At least nine cells must lie inside a parcel.",
            cure=f"Use a DEM with cells of about {needed:.1f} m or less, or set grid.cell_size_m.",
        )
