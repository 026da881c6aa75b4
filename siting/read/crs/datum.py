"""How exact the conversion between two coordinate systems is on this machine."""

from __future__ import annotations

import os
import warnings
from functools import lru_cache
from typing import Any

import rasterio
from pyproj.aoi import AreaOfInterest
from pyproj.transformer import TransformerGroup
from rasterio.errors import CRSError

from siting.errors import SitingError
from siting.grid import names_datum
from siting.read.crs.projection import horizontal, name_of
from siting.types import Note

GPS_M = 5.0
"""A phone's position is no better: what is off by less cannot be seen on the ground."""

_EARTH_RADIUS_M = 6378137.0


def check_environment() -> None:
    """E-ENV-01 when the tables of coordinate systems belong to another program.

    A database program or a desktop map set up on the same machine may leave PROJ_LIB or PROJ_DATA
    pointing to tables of another version; systems are then unknown, or read wrongly.
    """
    try:
        with rasterio.Env():
            rasterio.crs.CRS.from_epsg(32617)
    except CRSError as error:
        said = [f"{n} = {os.environ[n]}" for n in ("PROJ_DATA", "PROJ_LIB") if os.environ.get(n)]
        raise SitingError(
            "E-ENV-01",
            f"The tables of coordinate systems cannot be used ({', '.join(said) or 'PROJ'}): "
            f"{str(error).splitlines()[0]}.",
            rule="They must belong to the version of PROJ that comes with this program.",
            cure=f"Unset {' and '.join(s.partition(' ')[0] for s in said)} and run again."
            if said
            else "Install the program again in an environment of its own.",
        ) from error


def conversion_note(
    source: str, target: str, *, bounds_lonlat: tuple[float, float, float, float], cell_m: float
) -> Note | None:
    """How exact the conversion between two systems is at a place; None when they share a datum.

    Parameters
    ----------
    source, target : str
        Coordinate systems.
    bounds_lonlat : (west, south, east, north)
        The place, degrees.
    cell_m : float
        Width of the coarser cells that must fit on one another, metres.

    Raises
    ------
    SitingError
        E-DATUM-01 when what is installed is off by more than half a cell and more than a phone's
        position (5 m), or when nothing is known of the datum and its ellipsoid is no modern one.
    """
    operation = _best_operation(source, target, bounds_lonlat)
    text, accuracy_m, best_available, missing = operation
    # Half a cell, or what a phone cannot tell anyway: a smaller shift shows nowhere.
    limit_m = max(cell_m / 2.0, GPS_M)
    if accuracy_m < 0:
        return _unknown_datum(source, target, limit_m)
    if not best_available and accuracy_m > limit_m:
        raise SitingError(
            "E-DATUM-01",
            f"From {name_of(source)} to {name_of(target)} only a rough conversion is "
            f"installed, with an error of {accuracy_m:g} m; the exact one needs "
            f"{missing}.",
            rule=f"Layers must line up within {limit_m:g} m: half a cell, or a phone's position.",
            cure="Install the grid with 'projsync', allow PROJ's network access with "
            "PROJ_NETWORK=ON, or convert the file beforehand.",
        )
    if accuracy_m == 0:
        return None
    level = "warning" if accuracy_m > limit_m else "assumption"
    code = "W-DATUM-01" if level == "warning" else "A-DATUM-01"
    told = f"{name_of(source)} to {name_of(target)}: {text} (within {accuracy_m:g} m)."
    return Note(code, level, told)


def _unknown_datum(source: str, target: str, limit_m: float) -> Note:
    """A warning where an unnamed datum must be close to WGS 84; else E-DATUM-01."""
    unnamed = []
    for text in (source, target):
        ellipsoid = horizontal(text).ellipsoid
        if ellipsoid is None or abs(ellipsoid.semi_major_metre - _EARTH_RADIUS_M) > 1.0:
            raise SitingError(
                "E-DATUM-01",
                f"{name_of(text)} does not name its datum"
                + (f" (ellipsoid {ellipsoid.name})." if ellipsoid else "."),
                rule=f"Layers must line up within {limit_m:g} m; an old survey without its "
                "datum may "
                "be off by hundreds.",
                cure="Find the datum in the data's description and save the file with the "
                "complete system, for instance an EPSG code.",
            )
        if not names_datum(horizontal(text)):
            unnamed.append(name_of(text))
    if unnamed:
        said = f"{' and '.join(unnamed)} does not name its datum; it is taken for WGS 84"
    else:
        said = f"How far {name_of(source)} and {name_of(target)} lie apart is not known here"
    return Note("W-DATUM-01", "warning", f"{said}, and places may be off by some metres.")


@lru_cache(maxsize=256)
def _best_operation(
    source: str, target: str, bounds: tuple[float, float, float, float]
) -> tuple[str, float, bool, str]:
    """(description, accuracy in metres or -1 when not known, is it the best, what is missing)."""
    if _same_datum(source, target):
        return ("same datum", 0.0, True, "")
    first_crs, second_crs = horizontal(source), horizontal(target)
    west, south, east, north = bounds
    # Across the antimeridian the library knows no area: then all operations are looked at.
    area: Any = AreaOfInterest(west, south, east, north) if west <= east else None
    with warnings.catch_warnings():
        # PROJ warns of missing grids; they are told in the message.
        warnings.simplefilter("ignore", UserWarning)
        group = TransformerGroup(first_crs, second_crs, always_xy=True, area_of_interest=area)
    missing = ", ".join(
        dict.fromkeys(
            grid.short_name
            for operation in group.unavailable_operations
            for grid in operation.grids
            if not grid.available
        )
    )
    if not group.transformers:
        return ("none", -1.0, False, missing or "a grid file")
    first = group.transformers[0]
    accuracy = float(first.accuracy) if first.accuracy is not None else -1.0
    return (first.description, accuracy, bool(group.best_available), missing or "a grid file")


@lru_cache(maxsize=256)
def _same_datum(source: str, target: str) -> bool:
    first, second = horizontal(source), horizontal(target)
    one, other = first.geodetic_crs, second.geodetic_crs
    if first.is_bound or second.is_bound or one is None or other is None:
        return False
    return bool(one.datum == other.datum and one.prime_meridian == other.prime_meridian)
