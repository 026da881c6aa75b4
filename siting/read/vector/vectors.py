"""The door in for vector files: layers, checked and in the grid's coordinate system."""

from __future__ import annotations

import hashlib
import math
import warnings
from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import (
    CRSError,
    DataLayerError,
    DataSourceError,
    FeatureError,
    FieldError,
    GeometryError,
)
from shapely.geometry.base import BaseGeometry as Geometry

from siting.credits import Source
from siting.errors import SitingError, memory_error, out_of_memory
from siting.grid import Grid, transformer
from siting.read import library
from siting.read.crs.datum import conversion_note
from siting.read.crs.projection import (
    WGS84,
    file_crs,
    inverse_bounds,
    metres_per_unit,
    name_of,
    project,
)
from siting.read.input_files import check_vector_file, is_remote
from siting.read.vector import journals, layer_cache, views
from siting.read.vector.columns import layer_columns
from siting.read.vector.effort import check_effort
from siting.read.vector.sketch_file import OUTLINE, is_sketch, read_sketch, sketch_frame
from siting.settings.given.layers import LayerInput
from siting.settings.inputs import ParcelInput
from siting.types import Note

# What is read, by the names of the library's drivers: none of them points to other files.
DRIVERS = ("GPKG", "GeoJSON", "ESRI Shapefile", "LIBKML", "KML", "FlatGeobuf")
_FAILURES = (
    DataSourceError, DataLayerError, FeatureError, FieldError, GeometryError, CRSError,
    shapely.errors.GEOSException, ValueError, OSError, OverflowError,
    UnboundLocalError,  # what pyogrio 0.13 raises for a .prj that is no coordinate system
)  # fmt: skip
MOST_CORNERS, WITHIN_M = 20_000, 0.1
_MOST_FEATURES = 2_000_000
_ADDRESS_SIGNS = set("!#;?")
_MOST_BYTES = 500_000_000
Bounds = tuple[float, float, float, float]


def layer_name(path: str, layer: str, *, key: str) -> str:
    """The layer to read: the one named, or the only one; E-FILE-05 otherwise."""
    if not is_remote(path):
        check_vector_file(path, key=key)
    # This library has a copy of GDAL of its own, with settings of its own.
    library.check_unset()
    library.set_for_vectors(remote=is_remote(path))
    try:
        source = _source_of(path, key)
        if not is_remote(path):
            layer_cache.facts(path, "views", lambda: views.check_views(path, source, key=key))
        names = _layers_of(source, path)
    except _FAILURES as error:
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


def _source_of(path: str, key: str) -> str | bytes:
    """The path, or the bytes of a file whose path the library would take for an address, or that
    it would change by looking."""
    if not is_remote(path) and journals.is_written_ahead(path):
        return journals.settled(path, key=key)
    if is_remote(path) or not _ADDRESS_SIGNS & set(path):
        return path
    if path.lower().endswith(".shp") or Path(path).stat().st_size > _MOST_BYTES:
        raise SitingError(
            "E-FILE-04",
            f"{path} ({key}) has one of the characters {' '.join(sorted(_ADDRESS_SIGNS))} "
            "in its path.",
            rule="The map library reads these characters as part of an address.",
            cure="Rename the file or folder.",
        )
    return Path(path).read_bytes()


def _layers_of(source: str | bytes, path: str) -> list[str]:
    """Names of the layers; a format without names takes that of the file."""
    with warnings.catch_warnings():
        # What the library cannot read is told by our own message, or does not matter here.
        warnings.simplefilter("ignore")
        names = [str(name) for name, _ in pyogrio.list_layers(source)]
    # Bytes are given a file in memory whose name is drawn by lot.
    in_memory = isinstance(source, bytes)
    return [Path(path).stem if in_memory and n.startswith("pyogrio_") else n for n in names]


def _layer_in(source: str | bytes, name: str, path: str) -> str | int:
    """The layer as the library knows it: in bytes by its number."""
    return _layers_of(source, path).index(name) if isinstance(source, bytes) else name


def unreadable(path: str, key: str, error: Exception) -> SitingError:
    """E-FILE-02 (E-FILE-03, E-MEM-01 where the text says so) for a file that cannot be read."""
    if out_of_memory(error):
        return memory_error(f"{path} ({key}) cannot be read: the machine has no more memory.")
    text = str(error).splitlines()[0][:200] if str(error) else type(error).__name__
    text = text.removeprefix("IllegalArgumentException: ").rstrip(".")
    denied = "ermission denied" in text
    return SitingError(
        "E-FILE-03" if denied else "E-FILE-02",
        f"{path} ({key}) cannot be read: {text}.",
        rule="A vector file must be complete and in a known format; a shapefile needs its "
        ".shx and .dbf beside it.",
        cure="Check the file with a viewer and copy or download it again.",
    )


def layer_facts(
    path: str, spec: LayerInput | ParcelInput, *, layer: str, key: str
) -> tuple[str, str, int]:
    """(layer, coordinate system, number of features) of a vector file, its shapes not read.

    Raises
    ------
    SitingError
        Also E-CRS-07 when the numbers cannot be of the declared system.
    """
    return layer_cache.facts(
        path, (layer, key, spec.crs), lambda: _layer_facts(path, spec, layer=layer, key=key)
    )


def _layer_facts(
    path: str, spec: LayerInput | ParcelInput, *, layer: str, key: str
) -> tuple[str, str, int]:
    if is_sketch(path):
        return _sketch_facts(path, layer)
    name = layer_name(path, layer, key=key)
    try:
        source = _source_of(path, key)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            info = pyogrio.read_info(source, layer=_layer_in(source, name, path))
    except _FAILURES as error:
        raise unreadable(path, key, error) from error
    if info["driver"] not in DRIVERS:
        raise SitingError(
            "E-FILE-04",
            f"{path} ({key}) holds {info['driver']}.",
            rule=f"Vector files are {', '.join(DRIVERS)}.",
            cure="Save the layer as a GeoPackage or GeoJSON.",
        )
    if info["geometry_type"] is None:
        raise SitingError(
            "E-FILE-02",
            f"{path} ({key}) layer {name} is a table without shapes.",
            rule="A layer must hold points, lines or areas.",
            cure="Name the layer with the shapes.",
        )
    crs = file_crs(info["crs"], file=Path(path).name, asserted=spec.crs, key=f"{key}.crs")
    bounds = info.get("total_bounds")
    if bounds is not None and info["features"]:
        check_numbers(tuple(bounds), crs, what=f"{Path(path).name} ({key})")
    return name, crs, int(info["features"])


def _sketch_facts(path: str, layer: str) -> tuple[str, str, int]:
    sketch = read_sketch(path)
    if layer not in sketch.layers():
        raise SitingError(
            "E-FILE-05",
            f"layer {layer!r} is not in the sketch {path}; it holds {', '.join(sketch.layers())}.",
            rule="One layer must be named when a file has several.",
            cure=f'Write "{Path(path).name}::{OUTLINE}", or give the file with --sketch.',
        )
    return layer, WGS84, len(sketch_frame(sketch, layer, file=Path(path).name))


def check_numbers(bounds: tuple[float, ...], crs: str, *, what: str) -> None:
    """E-CRS-07 when coordinates cannot be of a system: metres called degrees or the reverse.

    Parameters
    ----------
    bounds : (left, bottom, right, top) in the unit of `crs`; infinite or NaN says nothing
    """
    left, bottom, right, top = bounds
    geographic = metres_per_unit(crs) is None
    far = max(abs(left), abs(right), abs(bottom), abs(top))
    if not math.isfinite(far):
        return
    tiny = max(right - left, top - bottom) < 1.0 and far <= 360
    wrong = (geographic and (far > 720 or max(abs(top), abs(bottom)) > 90.000001)) or (
        not geographic and tiny
    )
    if wrong:
        raise SitingError(
            "E-CRS-07",
            f"{what} has coordinates about {left:.6g}, {bottom:.6g} in {name_of(crs)}.",
            rule="Coordinates must fit the declared system"
            + (" (longitude -180..180, latitude -90..90)." if geographic else ", in its unit."),
            cure="Declare the right coordinate system; longitude comes before latitude.",
        )


def read_frame(
    path: str,
    spec: LayerInput | ParcelInput,
    *,
    layer: str,
    key: str,
    boxes: Sequence[Bounds] = (),
) -> gpd.GeoDataFrame:
    """A layer as a frame with its coordinate system.

    Parameters
    ----------
    boxes : (left, bottom, right, top) in the layer's system; only features in them are read, all
        features when there is none
    """
    name, crs, count = layer_facts(path, spec, layer=layer, key=key)
    if is_sketch(path):
        return sketch_frame(read_sketch(path), name, file=Path(path).name)
    if count > _MOST_FEATURES and not boxes:
        raise SitingError(
            "E-FILE-06",
            f"{path} ({key}) has {count:,} features.",
            rule=f"At most {_MOST_FEATURES:,} can be read.",
            cure="Clip the file to the region.",
        )
    source = _source_of(path, key)
    try:
        with warnings.catch_warnings():
            # Faulty rings are repaired and told by the caller.
            warnings.simplefilter("ignore")
            asked = _layer_in(source, name, path)
            frames = [
                pyogrio.read_dataframe(source, layer=asked, bbox=box, force_2d=True)
                for box in (boxes or (None,))
            ]
    except _FAILURES as error:
        raise unreadable(path, key, error) from error
    frame = frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
    frame = gpd.GeoDataFrame(frame, geometry="geometry")
    return frame.set_crs(crs, allow_override=True)


def read_layer(
    path: str, spec: LayerInput, grid: Grid, *, name: str
) -> tuple[gpd.GeoDataFrame, Source, tuple[Note, ...]]:
    """The features of a layer near the grid, repaired, in the grid's coordinate system.

    Returns
    -------
    (frame, source, notes) : frame has columns geometry, name, kind, error_m (and class or use
        where the layer has a meaning for it); features keep the file's order
    """
    key = f"layers.{name}"
    file = Path(path).name
    frame, crs, mended = near_features(path, spec, grid, key=key)
    columns, kept, notes = layer_columns(frame, spec, name, file)
    shapes = np.asarray(frame.geometry.values, dtype=object)
    thin = np.array([simpler(shape) for shape in shapes], dtype=object)
    whole = gpd.GeoDataFrame(columns, geometry=thin, crs=grid.crs)
    out = whole[kept].reset_index(drop=True)
    notes += _layer_notes(name, path, crs, grid, len(out), mended)
    if any(one is not other for one, other in zip(thin, shapes, strict=True)):
        text = f"{file} ({name}): shapes of very many corners were simplified within {WITHIN_M} m."
        notes += (Note("A-SIMPLIFY-01", "assumption", text),)
    return out, source_of(key, path, crs, out, spec.attribution), notes


def near_features(
    path: str, spec: LayerInput, grid: Grid, *, key: str
) -> tuple[gpd.GeoDataFrame, str, int]:
    """The features of a layer that touch the grid, repaired, with all their columns.

    Returns
    -------
    (frame, crs, mended) : frame in the grid's coordinate system, in the file's order; the file's
        own coordinate system; how many shapes were repaired
    """
    file = Path(path).name
    _, crs, count = layer_facts(path, spec, layer=spec.layer, key=key)
    boxes = _boxes_in(grid, crs)
    whole = _whole_layer(path, spec, count, key=key, boxes=boxes)
    rows = whole.rows_in(boxes)
    moved = whole.moved(rows, grid.crs, lambda s: project(s, crs, grid.crs, file=file))
    near = shapely.intersects(moved, shapely.box(*grid.bounds))
    frame = whole.frame.iloc[rows][near].reset_index(drop=True)
    frame = gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=moved[near], crs=grid.crs)
    return frame, crs, whole.mended(rows)


def _whole_layer(
    path: str, spec: LayerInput, count: int, *, key: str, boxes: Sequence[Bounds]
) -> layer_cache.WholeLayer:
    """The layer: a small one whole and kept for the next parcel, of a large one what is near."""

    def read(within: Sequence[Bounds]) -> layer_cache.WholeLayer:
        frame = read_frame(path, spec, layer=spec.layer, key=key, boxes=within)
        shapes = np.asarray(frame.geometry.values, dtype=object)
        check_effort(shapes, what=f"{Path(path).name} ({key})")
        return layer_cache.WholeLayer(frame, _mended)

    if layer_cache.is_small(path, count):
        try:
            return layer_cache.layer(path, (key, spec.layer, spec.crs), lambda: read(()))
        except SitingError:
            # What is faulty far away does not concern this parcel.
            return read(boxes)
    return read(boxes)


def simpler(shape: Geometry) -> Geometry:
    """A shape in metres with at most some thousand corners, true within 0.1 m.

    Shapes traced from pictures have a corner per picture cell; every step would take minutes.
    """
    if shapely.get_num_coordinates(shape) <= MOST_CORNERS:
        return shape
    thin = shapely.simplify(shape, WITHIN_M, preserve_topology=False)
    if not shapely.is_valid(thin):
        thin = shapely.make_valid(thin, method="structure", keep_collapsed=False)
    return thin


def together(parts: Sequence[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    """The features of several files of one layer as one frame, in the order of the files."""
    if len(parts) == 1:
        return parts[0]
    return gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=parts[0].crs)


def layer_crs(path: str, spec: LayerInput, *, name: str) -> str:
    """The coordinate system of a layer, without reading its features."""
    return layer_facts(path, spec, layer=spec.layer, key=f"layers.{name}")[1]


def _boxes_in(grid: Grid, crs: str) -> list[Bounds]:
    """Bounds of the grid in another system: one box, or two where it lies across 180 degrees."""
    east, north = grid.boundary_points()
    x, y = (np.asarray(v) for v in transformer(grid.crs, crs).transform(east, north))
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        return []
    halves = [np.ones(x.shape, dtype=bool)]
    if metres_per_unit(crs) is None and x.max() - x.min() > 180:
        halves = [x < 0, x >= 0]
    bottom, top = float(y.min()), float(y.max())
    pad_y = 0.02 * (top - bottom)
    out: list[Bounds] = []
    for half in halves:
        left, right = float(x[half].min()), float(x[half].max())
        if len(halves) == 2:
            left, right = (-180.0, right) if right < 0 else (left, 180.0)
        pad_x = 0.02 * (right - left)
        out.append((left - pad_x, bottom - pad_y, right + pad_x, top + pad_y))
    return out


def _mended(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    bad = ~shapely.is_valid(shapes)
    if bad.any():
        shapes = shapes.copy()
        shapes[bad] = shapely.make_valid(shapes[bad], method="structure", keep_collapsed=False)
    return shapes


def _layer_notes(
    name: str, path: str, crs: str, grid: Grid, count: int, mended: int
) -> tuple[Note, ...]:
    notes: list[Note] = []
    file = Path(path).name
    if count == 0 and is_sketch(path):
        text = f"The sketch {file} says that there is nothing of this kind: {name}."
        notes.append(Note("A-SKETCH-01", "assumption", text))
    elif count == 0:
        text = f"{file} ({name}) has nothing on or around this land."
        notes.append(Note("W-LAYER-01", "warning", text, {"file": file, "layer": name}))
    if mended:
        text = f"{file} ({name}): {mended} invalid shapes were repaired."
        notes.append(Note("A-REPAIR-01", "assumption", text))
    bounds = inverse_bounds(grid.bounds, grid.crs)
    conversion = conversion_note(crs, grid.crs, bounds_lonlat=bounds, cell_m=0.0)
    return (*notes, conversion) if conversion else tuple(notes)


def source_of(key: str, path: str, crs: str, frame: gpd.GeoDataFrame, attribution: str) -> Source:
    """Where a layer came from, with a fingerprint of its features."""
    digest = hashlib.sha256()
    for shape in shapely.to_wkb(np.asarray(frame.geometry.values, dtype=object)):
        digest.update(shape)
    digest.update(repr(frame.drop(columns="geometry").to_dict("list")).encode())
    facts = {"crs": name_of(crs), "features_near": len(frame)}
    return Source(key, Path(path).name, digest.hexdigest(), facts, attribution)
