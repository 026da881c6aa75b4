"""Parcels: read, repaired where that changes nothing of substance, and checked."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.errors import SitingError
from siting.grid import crs_text
from siting.read import checks
from siting.read.crs.datum import conversion_note
from siting.read.crs.projection import (
    WGS84,
    check_place,
    inverse_bounds,
    local_crs,
    middle_lonlat,
    project,
)
from siting.read.vector.columns import column_text, hidden_signs
from siting.read.vector.effort import check_effort
from siting.read.vector.files import check_numbers, column_names, read_frame
from siting.read.vector.vectors import WITHIN_M, simpler
from siting.settings.inputs import ParcelInput
from siting.types import Note, Parcel

_MOST_AREA_CHANGE = 0.01


def point_parcel(lon: float, lat: float, radius_m: float) -> Parcel:
    """A round parcel about a point; the circle is drawn in metres, not in degrees.

    Raises
    ------
    SitingError
        E-BOX-02 for numbers that are no place, E-GEOM-06 for a radius out of range.
    """
    if not (-180.0 <= lon <= 180.0 and -90.0 <= lat <= 90.0):
        raise SitingError(
            "E-BOX-02",
            f"The point {lon:g},{lat:g} is not a place.",
            rule="Longitude comes first (-180 to 180), then latitude (-90 to 90), in degrees.",
            cure="Swap the two numbers, or check them on a map.",
        )
    if not 10.0 <= radius_m <= 40_000.0:
        raise SitingError(
            "E-GEOM-06",
            f"radius_m = {radius_m:g}.",
            rule="A radius lies between 10 m and 40,000 m.",
            cure="Give the radius in metres.",
        )
    crs = local_crs(lon, lat)
    centre = project(shapely.Point(lon, lat), WGS84, crs, file="point")
    note = Note("A-PARCEL-01", "assumption", f"The parcel is a circle of {radius_m:g} m.")
    return Parcel("parcel", "", centre.buffer(radius_m, quad_segs=32), crs, notes=(note,))


def read_parcels(path: str, spec: ParcelInput, *, layer: str) -> list[Parcel]:
    """All parcels of a file, in its order; each keeps its parts and holes.

    Raises
    ------
    SitingError
        E-GEOM-01 when the layer has no areas, E-FIELD-01 when a named column is missing,
        E-GEOM-07 when two parcels have the same identifier.
    """
    frame = read_frame(path, spec, layer=layer, key="parcel")
    file = Path(path).name
    if len(frame) == 0:
        raise _no_outline(file, "it is empty")
    for column in (spec.id_column, spec.label_column, spec.cell_column, spec.priority_column):
        if column and column not in frame.columns:
            raise SitingError(
                "E-FIELD-01",
                f"{file} has no column {column!r}.",
                rule="The columns named for parcels must be in the layer.",
                cure=f"It has {', '.join(str(c) for c in frame.columns if c != 'geometry')}.",
            )
    ids = _identifiers(frame, spec.id_column, file)
    twice = next((i for i, times in Counter(ids).items() if times > 1), None)
    if twice is not None:
        raise SitingError(
            "E-GEOM-07",
            f"{file}: identifier {twice!r} appears more than once.",
            rule="Every parcel needs a unique identifier.",
            cure="Correct the column, or name another with id_column.",
        )
    crs = crs_text(frame.crs)
    return [_parcel(frame, row, ids[row], crs, spec) for row in range(len(frame))]


def columns_for_names(path: str, spec: ParcelInput, *, layer: str) -> tuple[str, ...]:
    """Columns that could name the parcels of a file whose parcels are only counted; else empty."""
    columns = column_names(path, spec, layer=layer, key="parcel")
    return () if spec.id_column or "id" in columns else columns


def _identifiers(frame: gpd.GeoDataFrame, column: str, file: str) -> list[str]:
    name = column or ("id" if "id" in frame.columns else "")
    if not name:
        # A file of one outline needs no identifier; several without one are counted.
        every = [str(number) for number in range(1, len(frame) + 1)]
        return ["parcel"] if len(frame) == 1 else every
    ids = [text.strip() for text in column_text(frame, name)]
    raw = [str(value) for value in frame[name]]
    hidden = next(((i, sign) for i, text in enumerate(raw) for sign in hidden_signs(text)), None)
    if hidden is not None:
        row, sign = hidden
        shown = raw[row].encode("ascii", "backslashreplace").decode()
        raise SitingError(
            "E-FIELD-01",
            f"{file}: identifier {shown} (row {row + 1}) contains the invisible character "
            f"U+{ord(sign):04X}.",
            rule="Identifiers that look the same must be the same, so invisible "
            "characters and characters that reverse the text are refused.",
            cure="Retype the identifier without it.",
        )
    if "" in ids and not (len(frame) == 1 and not column):
        raise SitingError(
            "E-FIELD-01",
            f"{file}: column {name} is empty in row {ids.index('') + 1}.",
            rule="Each parcel needs an identifier.",
            cure="Fill the column, or name another with id_column.",
        )
    return [i or "parcel" for i in ids]


def _parcel(
    frame: gpd.GeoDataFrame, row: int, identifier: str, crs: str, spec: ParcelInput
) -> Parcel:
    one = frame.iloc[[row]]

    def text(column: str) -> str:
        return column_text(one, column)[0] if column else ""

    notes: tuple[Note, ...] = ()
    priority = text(spec.priority_column)
    value = _number(priority)
    if priority and not math.isfinite(value):
        said = f"Parcel {identifier}: priority {priority!r} is not a number and was ignored."
        notes = (Note("W-PRIORITY-01", "warning", said),)
        value = math.nan
    label = text(spec.label_column or "label")
    shape = frame.geometry.iloc[row]
    return Parcel(identifier, label, shape, crs, text(spec.cell_column), value, notes)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def checked_parcel(parcel: Parcel, *, file: str) -> Parcel:
    """The parcel with a valid outline of areas; repairs are noted.

    Raises
    ------
    SitingError
        E-GEOM-01 no area, E-GEOM-02 repair changes the area by more than 1 %, E-GEOM-03 area out
        of range, E-CRS-06 or E-CRS-07 when its coordinates do not fit, E-DATUM-01 when they
        cannot be converted well enough.
    """
    shape = parcel.geometry
    if shape is None or shapely.is_empty(shape):
        raise _no_outline(file, f"{_parcel_words(parcel)} has no shape")
    what = f"{file}: {_parcel_words(parcel)}"
    check_numbers(shape.bounds, parcel.crs, what=what)
    check_effort([shape], what=what)
    lon, lat = middle_lonlat(shape, parcel.crs, file=file)
    placed = check_place(lon, lat, parcel.crs, what=what)
    local = local_crs(lon, lat)
    flat = project(shape, parcel.crs, local, file=file)
    sound, mended = _sound_areas(flat, parcel, file)
    checks.check_area(float(sound.area), what=f"{file}: {_parcel_words(parcel)}")
    thin = simpler(sound)
    if thin is not sound:
        text = (
            f"The outline of {_parcel_words(parcel)} has {shapely.get_num_coordinates(sound):,} "
            f"corners; it was simplified within {WITHIN_M} m."
        )
        mended, sound = (*mended, Note("A-SIMPLIFY-01", "assumption", text)), thin
    notes = (*parcel.notes, *placed, *mended)
    if sound is flat:
        return replace(parcel, notes=notes)
    bounds = inverse_bounds(sound.bounds, local)
    conversion = conversion_note(parcel.crs, local, bounds_lonlat=bounds, cell_m=0.0)
    more = (conversion,) if conversion else ()
    return replace(parcel, geometry=sound, crs=local, notes=(*notes, *more))


def _parcel_words(parcel: Parcel) -> str:
    return "the parcel" if parcel.id == "parcel" else f"parcel {parcel.id}"


def _sound_areas(flat: Geometry, parcel: Parcel, file: str) -> tuple[Geometry, tuple[Note, ...]]:
    """Valid areas of a shape in metres, and a note when it had to be repaired."""
    if shapely.is_valid(flat) and flat.geom_type in ("Polygon", "MultiPolygon"):
        return flat, ()
    mended = shapely.make_valid(flat, method="structure", keep_collapsed=False)
    areas = [part for part in _flatten(mended) if part.geom_type == "Polygon"]
    sound = shapely.union_all(areas)
    # By the rings as drawn, crossing or not: that is what the owner meant by so many acres.
    before, after = _ring_area(flat), float(sound.area)
    if after == 0.0 and before == 0.0:
        raise _no_outline(file, f"{_parcel_words(parcel)} is a {flat.geom_type} without area")
    if abs(after - before) > _MOST_AREA_CHANGE * before:
        raise SitingError(
            "E-GEOM-02",
            f"{file}: the outline of {_parcel_words(parcel)} crosses or overlaps itself; "
            f"repairing it would change its area from {before:,.0f} to {after:,.0f} m2.",
            rule="A repair may change the area by at most 1 %.",
            cure="Redraw the outline without crossing lines.",
        )
    text = (
        f"The outline of {_parcel_words(parcel)} was repaired ({before:,.0f} to {after:,.0f} m2)."
    )
    return sound, (Note("A-REPAIR-01", "assumption", text),)


def _ring_area(shape: Geometry) -> float:
    """Area of the outer rings as drawn: what the user meant, crossing or not."""
    parts = [p for p in _flatten(shape) if isinstance(p, shapely.Polygon)]
    rings = [abs(shapely.Polygon(p.exterior).area) for p in parts]
    holes = [abs(shapely.Polygon(r).area) for p in parts for r in p.interiors]
    return float(sum(rings) - sum(holes))


def _flatten(shape: Geometry) -> list[Geometry]:
    if not hasattr(shape, "geoms"):
        return [shape]
    return [inner for part in shape.geoms for inner in _flatten(part)]


def _no_outline(file: str, why: str) -> SitingError:
    return SitingError(
        "E-GEOM-01",
        f"{file} gives no parcel: {why}.",
        rule="A parcel is an area with an outline, not a line or a point.",
        cure="Draw the outline of the land, or use --point with --radius.",
    )
