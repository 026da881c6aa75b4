"""The door in for vector files: parcels and layers, checked and in the grid's coordinate system."""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import CRSError, DataLayerError, DataSourceError, FeatureError, FieldError
from shapely.geometry.base import BaseGeometry as Geometry

from siting import checks
from siting.errors import SitingError
from siting.grid import Grid, transformer
from siting.inputs import LayerInput, ParcelInput
from siting.projection import (
    WGS84,
    conversion_note,
    file_crs,
    inverse_bounds,
    local_crs,
    metres_per_unit,
    middle_lonlat,
    name_of,
    project,
)
from siting.types import Note, Parcel, Source

SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".kml", ".fgb", ".gml")
_OGR_ERRORS = (DataSourceError, DataLayerError, FeatureError, FieldError, CRSError)
_MOST_AREA_CHANGE = 0.01
_MOST_FEATURES = 2_000_000
# Columns with a meaning: the name of the column, what it may hold, and what is taken without it.
CLASSED = {
    "roads": ("class", ("major", "minor", "track"), "minor"),
    "trails": ("use", ("game", "quiet", "busy"), "quiet"),
}


def layer_name(path: str, layer: str, *, key: str) -> str:
    """The layer to read: the one named, or the only one; E-FILE-05 otherwise."""
    if Path(path).suffix.lower() not in SUFFIXES and not path.startswith("/vsi"):
        raise SitingError(
            "E-FILE-04",
            f"{path} ({key}) is not a kind of vector file that is read.",
            rule=f"Vector files end in {', '.join(SUFFIXES)}.",
            cure="Save the layer as a GeoPackage or GeoJSON.",
        )
    try:
        names = [str(name) for name, _ in pyogrio.list_layers(path)]
    except _OGR_ERRORS as error:
        raise unreadable(path, key, error) from error
    if layer in names or (not layer and len(names) == 1):
        return layer or names[0]
    said = f"layer {layer!r} is not in {path}" if layer else f"{path} has {len(names)} layers"
    raise SitingError(
        "E-FILE-05",
        f"{key}: {said}; it holds {', '.join(names[:12]) or 'none'}.",
        rule="One layer must be named when a file has several.",
        cure=f'Write "{Path(path).name}::{names[0] if names else "LAYER"}".',
    )


def unreadable(path: str, key: str, error: Exception) -> SitingError:
    """E-FILE-02 (or E-FILE-03) for a vector file that cannot be read."""
    text = str(error).splitlines()[0][:200] if str(error) else type(error).__name__
    denied = "ermission denied" in text
    return SitingError(
        "E-FILE-03" if denied else "E-FILE-02",
        f"{path} ({key}) cannot be read: {text}.",
        rule="A vector file must be whole and of a known format; a shapefile needs its .shx and "
        ".dbf beside it.",
        cure="Check the file with a viewer and copy or download it again.",
    )


def read_frame(
    path: str,
    spec: LayerInput | ParcelInput,
    *,
    layer: str,
    key: str,
    bounds: tuple[float, float, float, float] | None = None,
) -> gpd.GeoDataFrame:
    """A layer as a frame with its coordinate system; `bounds` in that system limit what is read."""
    name = layer_name(path, layer, key=key)
    try:
        info = pyogrio.read_info(path, layer=name)
        crs = file_crs(info["crs"], file=Path(path).name, asserted=spec.crs, key=f"{key}.crs")
        if info["features"] > _MOST_FEATURES and bounds is None:
            raise SitingError(
                "E-FILE-06",
                f"{path} ({key}) has {info['features']:,} features.",
                rule=f"At most {_MOST_FEATURES:,} are read.",
                cure="Cut the file down to the region.",
            )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = pyogrio.read_dataframe(path, layer=name, bbox=bounds, force_2d=True)
    except _OGR_ERRORS as error:
        raise unreadable(path, key, error) from error
    except (shapely.errors.GEOSException, ValueError, OSError, UnicodeDecodeError) as error:
        raise unreadable(path, key, error) from error
    if "geometry" not in frame:
        raise SitingError(
            "E-FILE-02",
            f"{path} ({key}) layer {name} is a table without shapes.",
            rule="A layer must hold points, lines or areas.",
            cure="Name the layer with the shapes.",
        )
    frame = gpd.GeoDataFrame(frame, geometry="geometry")
    return frame.set_crs(crs, allow_override=True)


def read_layer(
    path: str, spec: LayerInput, grid: Grid, *, name: str
) -> tuple[gpd.GeoDataFrame, Source, tuple[Note, ...]]:
    """The features of a layer near the grid, repaired, in the grid's coordinate system.

    Returns
    -------
    (frame, source, notes) : frame has columns geometry, name, kind (and class or use where the
        layer has a meaning for it); features keep the file's order
    """
    key = f"layers.{name}"
    crs = layer_crs(path, spec, name=name)
    bounds = _bounds_in(grid, crs)
    frame = read_frame(path, spec, layer=spec.layer, key=key, bounds=bounds)
    shapes = np.asarray(frame.geometry.values, dtype=object)
    usable = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    frame, shapes = frame[usable].reset_index(drop=True), shapes[usable]
    shapes = np.array([_linear(shape) for shape in shapes], dtype=object)
    shapes, mended = _mended(shapes)
    moved = np.array(
        [project(s, crs, grid.crs, file=Path(path).name) for s in shapes], dtype=object
    )
    near = shapely.intersects(moved, shapely.box(*grid.bounds))
    columns, notes = _columns(frame[near].reset_index(drop=True), spec, name, Path(path).name)
    out = gpd.GeoDataFrame(columns, geometry=list(moved[near]), crs=grid.crs)
    notes += _layer_notes(name, path, crs, grid, len(out), mended)
    return out, _source(key, path, crs, out), notes


def layer_crs(path: str, spec: LayerInput, *, name: str) -> str:
    """The coordinate system of a layer, without reading its features."""
    key = f"layers.{name}"
    layer = layer_name(path, spec.layer, key=key)
    try:
        info = pyogrio.read_info(path, layer=layer)
    except _OGR_ERRORS as error:
        raise unreadable(path, key, error) from error
    return file_crs(info["crs"], file=Path(path).name, asserted=spec.crs, key=f"{key}.crs")


def _bounds_in(grid: Grid, crs: str) -> tuple[float, float, float, float] | None:
    """Bounds of the grid in another system; None where it wraps around the globe."""
    east, north = grid.boundary_points()
    x, y = transformer(grid.crs, crs).transform(east, north)
    x, y = np.asarray(x), np.asarray(y)
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        return None
    if metres_per_unit(crs) is None and x.max() - x.min() > 180:
        return None
    pad_x, pad_y = 0.02 * (x.max() - x.min()), 0.02 * (y.max() - y.min())
    return (x.min() - pad_x, y.min() - pad_y, x.max() + pad_x, y.max() + pad_y)


def _linear(shape: Geometry) -> Geometry:
    return shapely.force_2d(shape)


def _mended(shapes: NDArray[np.object_]) -> tuple[NDArray[np.object_], int]:
    bad = ~shapely.is_valid(shapes)
    if bad.any():
        shapes = shapes.copy()
        shapes[bad] = shapely.make_valid(shapes[bad], method="structure", keep_collapsed=False)
    return shapes, int(bad.sum())


def _columns(
    frame: gpd.GeoDataFrame, spec: LayerInput, name: str, file: str
) -> tuple[dict[str, Any], tuple[Note, ...]]:
    out: dict[str, Any] = {"name": _text(frame, "name")}
    out["kind"] = _text(frame, "kind") if name != "no_go" else _text(frame, "reason")
    if name not in CLASSED:
        return out, ()
    standard, known, fallback = CLASSED[name]
    column = spec.column or standard
    if column not in frame.columns:
        if spec.column:
            raise SitingError(
                "E-FIELD-01",
                f"{file} has no column {spec.column!r}.",
                rule=f"layers.{name}.column must be a column of the layer.",
                cure=f"It has {', '.join(map(str, frame.columns))}.",
            )
        out[standard] = [fallback] * len(frame)
        text = f"{file} has no column {standard}: every one of the {name} counts as {fallback}."
        return out, (Note("A-CLASS-01", "assumption", text),) if len(frame) else ()
    values = [spec.values.get(v, v) for v in _text(frame, column)]
    checks.check_column(values, known=known, column=column, file=file)
    out[standard] = values
    return out, ()


def _text(frame: gpd.GeoDataFrame, column: str) -> list[str]:
    if column not in frame.columns:
        return [""] * len(frame)
    return ["" if value is None or value != value else str(value) for value in frame[column]]


def _layer_notes(
    name: str, path: str, crs: str, grid: Grid, count: int, mended: int
) -> tuple[Note, ...]:
    notes: list[Note] = []
    file = Path(path).name
    if count == 0:
        text = f"{file} ({name}) has nothing on this land or around it."
        notes.append(Note("W-LAYER-01", "warning", text))
    if mended:
        text = f"{file} ({name}): {mended} faulty shapes were repaired."
        notes.append(Note("A-REPAIR-01", "assumption", text))
    bounds = inverse_bounds(grid.bounds, grid.crs)
    conversion = conversion_note(crs, grid.crs, bounds_lonlat=bounds, limit_m=5.0)
    return (*notes, conversion) if conversion else tuple(notes)


def _source(key: str, path: str, crs: str, frame: gpd.GeoDataFrame) -> Source:
    digest = hashlib.sha256()
    for shape in shapely.to_wkb(np.asarray(frame.geometry.values, dtype=object)):
        digest.update(shape)
    digest.update(repr(frame.drop(columns="geometry").to_dict("list")).encode())
    facts = {"crs": name_of(crs), "features_near": len(frame)}
    return Source(key, Path(path).name, digest.hexdigest(), facts)


def point_parcel(lon: float, lat: float, radius_m: float) -> Parcel:
    """A round parcel about a point; the circle is drawn in metres, not in degrees."""
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
    ids = _identifiers(frame, spec.id_column)
    twice = sorted({i for i in ids if ids.count(i) > 1}) if len(ids) < 50_000 else []
    if twice:
        raise SitingError(
            "E-GEOM-07",
            f"{file}: identifier {twice[0]!r} stands more than once.",
            rule="Each parcel needs an identifier of its own.",
            cure="Mend the column, or name another with id_column.",
        )
    crs = (frame.crs.to_authority() and ":".join(frame.crs.to_authority())) or frame.crs.to_wkt()
    return [_parcel(frame, row, ids[row], crs, spec) for row in range(len(frame))]


def _identifiers(frame: gpd.GeoDataFrame, column: str) -> list[str]:
    name = column or ("id" if "id" in frame.columns else "")
    if name:
        return [str(value) for value in frame[name]]
    return ["parcel"] if len(frame) == 1 else [str(number) for number in range(1, len(frame) + 1)]


def _parcel(
    frame: gpd.GeoDataFrame, row: int, identifier: str, crs: str, spec: ParcelInput
) -> Parcel:
    def text(column: str) -> str:
        return _text(frame.iloc[[row]], column)[0] if column else ""

    priority = text(spec.priority_column)
    label = text(spec.label_column or "label")
    shape = frame.geometry.iloc[row]
    try:
        value = float(priority) if priority else float("nan")
    except ValueError:
        value = float("nan")
    return Parcel(identifier, label, shape, crs, text(spec.cell_column), value)


def checked_parcel(parcel: Parcel, *, file: str) -> Parcel:
    """The parcel with a valid outline of areas; repairs are noted.

    Raises
    ------
    SitingError
        E-GEOM-01 no area, E-GEOM-02 repair changes the area by more than 1 %, E-GEOM-03 area out
        of range, E-CRS-06 or E-CRS-07 when its coordinates do not fit.
    """
    shape = parcel.geometry
    if shape is None or shapely.is_empty(shape):
        raise _no_outline(file, f"parcel {parcel.id} has no shape")
    _check_numbers(shape, parcel, file)
    lon, lat = middle_lonlat(shape, parcel.crs, file=file)
    local = local_crs(lon, lat)
    flat = project(shape, parcel.crs, local, file=file)
    sound, notes = _sound_areas(flat, parcel, file)
    checks.check_area(float(sound.area), what=f"Parcel {parcel.id}")
    if sound is flat:
        return parcel
    return Parcel(
        parcel.id, parcel.label, sound, local, parcel.cell, parcel.priority, notes, parcel.sources
    )


def _check_numbers(shape: Geometry, parcel: Parcel, file: str) -> None:
    left, bottom, right, top = shapely.bounds(shape)
    geographic = metres_per_unit(parcel.crs) is None
    far = max(abs(left), abs(right), abs(bottom), abs(top))
    tiny = max(right - left, top - bottom) < 1.0 and far <= 360
    wrong = (geographic and (far > 720 or max(abs(top), abs(bottom)) > 90)) or (
        not geographic and tiny
    )
    if wrong:
        raise SitingError(
            "E-CRS-07",
            f"{file}: parcel {parcel.id} has coordinates about {left:.6g}, {bottom:.6g} in "
            f"{name_of(parcel.crs)}.",
            rule="Coordinates must fit the declared system"
            + (" (longitude -180..180, latitude -90..90)." if geographic else ", in its unit."),
            cure="Declare the right coordinate system; longitude comes before latitude.",
        )


def _sound_areas(flat: Geometry, parcel: Parcel, file: str) -> tuple[Geometry, tuple[Note, ...]]:
    if shapely.is_valid(flat) and flat.geom_type in ("Polygon", "MultiPolygon"):
        return flat, parcel.notes
    mended = shapely.make_valid(flat, method="structure", keep_collapsed=False)
    areas = [part for part in shapely.get_parts(mended) if part.geom_type == "Polygon"]
    areas += [
        inner
        for part in shapely.get_parts(mended)
        if part.geom_type in ("MultiPolygon", "GeometryCollection")
        for inner in shapely.get_parts(part)
        if inner.geom_type == "Polygon"
    ]
    if not areas:
        raise _no_outline(file, f"parcel {parcel.id} is a {flat.geom_type} without area")
    sound = areas[0] if len(areas) == 1 else shapely.MultiPolygon(areas)
    before, after = _ring_area(flat), float(sound.area)
    if before > 0 and abs(after - before) > _MOST_AREA_CHANGE * before:
        raise SitingError(
            "E-GEOM-02",
            f"{file}: the outline of parcel {parcel.id} crosses or overlaps itself; its area "
            f"would go from {before:,.0f} to {after:,.0f} m2 by repair.",
            rule="A repair may change the area by 1 % at most.",
            cure="Draw the outline again without crossing lines.",
        )
    text = f"The outline of parcel {parcel.id} was repaired ({before:,.0f} to {after:,.0f} m2)."
    return sound, (*parcel.notes, Note("A-REPAIR-01", "assumption", text))


def _ring_area(shape: Geometry) -> float:
    """Area of the outer rings as drawn: what the user meant, crossing or not."""
    parts: Sequence[Geometry] = [p for p in _flatten(shape) if p.geom_type == "Polygon"]
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
