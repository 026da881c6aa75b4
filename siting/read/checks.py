"""One check per concept; each raises with the value, the rule and the cure."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.errors import SitingError
from siting.grid import FloatArray
from siting.kernels.remembered import remembered
from siting.lengths import percent
from siting.types import BoolArray, CoverRole, Note

# Values that programs write for "no data"; each is far from any elevation on Earth or a limit of
# its number type.
_SENTINELS = (-9999.0, -99999.0, -999999.0, -32768.0, -32767.0, 32767.0, 65535.0, 9999.0, 99999.0)
_LOWEST_M, _HIGHEST_M = -500.0, 9000.0
_BEYOND_DOUBT_M = 1e6
_HIGHEST_TREE_M = 130.0
_LEAST_GAP_M = 30.0
_MOST_AWAY_H = 3.6
# What a reader may miss where a raster ends close to the parcel.
_MISSED = {"DEM": "valleys, slopes and the skyline", "land cover": "woods, edges and water"}
# Shares of a parcel beyond which a class is doubted.
_DOUBTED = {CoverRole.BUILT: 0.3, CoverRole.SNOW: 0.3, CoverRole.WATER: 0.5}
_LEAST_ZERO_BORDER = 0.2


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
        # In the file's own numbers first: -9999 in feet would pass for -3048 m.
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
            f"{file} holds {int((known == value).sum()):,} cells of {_exact(value)} but "
            "does not declare it as its no-data value.",
            rule="Such a value usually means 'no data'; read as an elevation it would "
            "become a cliff.",
            cure=f'State {key} = {_exact(value)} if it means no data, or {key} = "none" if it is '
            "real.",
        )


def _exact(value: float) -> str:
    """A number as it must be typed to be the same number again."""
    return f"{value:g}" if float(f"{value:g}") == value else repr(value)


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
        # One or two such cells may be a pit or a mast; a fill value comes in numbers.
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
    # Land that lies at 0 itself may have zeros along its border.
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
            cure="Declare the no-data value with dem.nodata, or the unit with dem.z_unit.",
        )


def check_canopy(canopy_m: FloatArray, *, file: str) -> None:
    """E-VALUE-02 when vegetation is higher than any tree: it is then no height above the ground.

    `canopy_m` is (rows, cols) float, metres above the ground, NaN = not known.
    """
    highest = float(np.nanmax(canopy_m, initial=0.0))
    if highest > _HIGHEST_TREE_M:
        raise SitingError(
            "E-VALUE-02",
            f"{file} has vegetation up to {highest:,.0f} m high.",
            rule=f"Trees grow to less than {_HIGHEST_TREE_M:g} m; a canopy raster holds heights "
            "above the ground, not above the sea.",
            cure="Subtract the ground elevations from the surface model, or correct canopy.z_unit.",
        )


def check_percent(values: FloatArray, *, file: str) -> None:
    """E-VALUE-02 when percent of tree cover are not within 0 to 100."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if low < 0.0 or high > 100.0:
        raise SitingError(
            "E-VALUE-02",
            f"{file} holds {low:g} to {high:g} percent of tree cover.",
            rule="Tree cover lies between 0 and 100 percent.",
            cure="Declare the value for no data with canopy.nodata, or the unit of heights with "
            "canopy.z_unit.",
        )


@remembered()
def check_relief(dem_m: FloatArray, *, cell_size_m: float, file: str) -> tuple[Note, ...]:
    """A warning when the ground is so steep everywhere that its unit must be doubted.

    Parameters
    ----------
    dem_m : (rows, cols) float, metres, NaN = no data
    cell_size_m : float, edge of a cell, metres
    file : name to show

    Returns
    -------
    W-STEEP-01 where half of the ground is steeper than 45 degrees, else nothing
    """
    north, east = np.gradient(np.asarray(dem_m, dtype=np.float64), cell_size_m)
    rise = np.hypot(east, north)
    rise = rise[np.isfinite(rise)]
    if rise.size == 0 or float(np.median(rise)) <= 1.0:
        return ()
    slope = float(np.degrees(np.arctan(np.median(rise))))
    text = (
        f"By {file} half of this land is steeper than {slope:.0f} degrees: check the unit of its "
        "elevations (feet read as metres turn a 10 degree slope into 30)."
    )
    return (Note("W-STEEP-01", "warning", text),)


def check_class_scale(scale: float, offset: float, *, file: str) -> None:
    """E-CODES-02 when a raster says that its numbers must be scaled: class codes never are.

    `scale` (1) and `offset` (0) are those of the band, without a unit.
    """
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
        # The first of them is named: it can be looked for in the file.
        example = float(known[known != np.round(known)][0])
        raise SitingError(
            "E-CODES-02",
            f"{file} holds {example:g}, which is not a class code.",
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
                f"By legend {legend} {percent(share)} of the parcel is {kind.name.lower()} "
                f"({file}): check that this is the right legend for this raster."
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
            f"{file} covers {percent(share)} of the parcel.",
            rule=f"The {what} must cover at least 60 % of the parcel; unknown ground "
            "cannot be ranked.",
            cure=f"Use a {what} raster that covers the whole parcel.",
        )
    notes: list[Note] = []
    if share < 0.95:
        text = f"{file} covers {percent(share)} of the parcel; the rest was not scored."
        notes.append(Note("W-COVER-01", "warning", text))
    # Around it, too: a stream just over the boundary still draws animals.
    around = float(known[~inside].mean()) if not inside.all() else 1.0
    if around < 0.95:
        text = (
            f"{file} covers {percent(around)} of the ground around the parcel: "
            f"{_MISSED.get(what, 'what lies')} just over the boundary may be missed, and places "
            "near it may be better or worse than the list says."
        )
        notes.append(Note("W-COVER-02", "warning", text))
    return share, tuple(notes)


def check_zone(time_zone: str, lon: float) -> tuple[Note, ...]:
    """A warning when a time zone is far from the sun's time at a longitude.

    Zones stray up to three and a half hours from the sun (western China, Spain in summer).
    """
    if not time_zone:
        return ()
    # In summer, when the clock may be an hour further from the sun.
    midsummer = dt.datetime(2027, 7, 1, 12, tzinfo=ZoneInfo(time_zone))
    offset = midsummer.utcoffset() or dt.timedelta()
    away_h = (offset.total_seconds() / 3600.0 - lon / 15.0 + 12.0) % 24.0 - 12.0
    if abs(away_h) <= _MOST_AWAY_H:
        return ()
    text = (
        f"Time zone {time_zone} is {abs(away_h):.0f} hours off the sun at longitude {lon:.2f}: "
        "times of low sun use that clock. Is it the right zone for this land?"
    )
    return (Note("W-TIME-01", "warning", text),)


def check_area(area_m2: float, *, what: str) -> None:
    """E-GEOM-03 when a parcel's area is outside 100 m2 to 5,000 km2."""
    if not 100.0 <= area_m2 <= 5e9:
        shown = f"{area_m2:,.2f} m2" if area_m2 < 1e4 else f"{area_m2 / 1e6:,.0f} km2"
        raise SitingError(
            "E-GEOM-03",
            f"{what} has an area of {shown}.",
            rule="A parcel must be between 100 m2 and 5,000 km2.",
            cure="Check its coordinate system and units; split very large land into parcels.",
        )


def check_cells(inside: BoolArray, shape: Geometry, *, cell_size_m: float, what: str) -> None:
    """E-GEOM-04 when fewer than nine cells lie inside a parcel.

    Parameters
    ----------
    inside : (rows, cols) bool, cells of the parcel
    shape : the parcel in metres
    """
    count = int(inside.sum())
    if count >= 9:
        return
    # As for a strip: twice the area over the outline is its width.
    width = 2.0 * shape.area / max(shape.length, 1e-9)
    needed = max(min((shape.area / 9.0) ** 0.5, width), 0.1)
    raise SitingError(
        "E-GEOM-04",
        f"{what} ({shape.area:,.0f} m2, about {width:.1f} m wide) holds {count} cells of "
        f"{cell_size_m:g} m.",
        rule="A parcel must contain at least nine cells.",
        cure=f"Use a DEM with cells of about {needed:.1f} m or less, or set grid.cell_size_m.",
    )
