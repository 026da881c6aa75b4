"""Vector files: the layer that is meant, what a file says of itself, its features as they are."""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import (
    CRSError,
    DataLayerError,
    DataSourceError,
    FeatureError,
    FieldError,
    GeometryError,
)

from siting.errors import SitingError, memory_error, out_of_memory
from siting.read import library
from siting.read.crs.projection import (
    WGS84,
    file_crs,
    metres_per_unit,
    name_of,
)
from siting.read.file_kinds import check_vector_file, is_remote
from siting.read.vector import journals, layer_cache, views
from siting.read.vector.sketch_file import OUTLINE, is_sketch, read_sketch, sketch_frame
from siting.settings.given.layers import LayerInput
from siting.settings.inputs import ParcelInput

# What is read, by the names of the library's drivers: none of them points to other files.
DRIVERS = ("GPKG", "GeoJSON", "ESRI Shapefile", "LIBKML", "KML", "FlatGeobuf")
_FAILURES = (
    DataSourceError, DataLayerError, FeatureError, FieldError, GeometryError, CRSError,
    shapely.errors.GEOSException, ValueError, OSError, OverflowError,
    UnboundLocalError,  # what pyogrio 0.13 raises for a .prj that is no coordinate system
)  # fmt: skip
_MOST_FEATURES = 2_000_000
_ADDRESS_SIGNS = set("!#;?")
_MOST_BYTES = 500_000_000
Bounds = tuple[float, float, float, float]


def layer_name(path: str, layer: str, *, key: str) -> str:
    """The layer to read: the one named, or the only one; E-FILE-05 otherwise."""
    if not is_remote(path):
        check_vector_file(path, key=key)
    # This library has a copy of GDAL of its own, with settings of its own.
    library.check_unset(pyogrio.get_gdal_config_option)
    library.set_for_vectors(remote=is_remote(path))
    try:
        source = _source_of(path, key)
        if not is_remote(path):
            layer_cache.facts(path, "views", lambda: views.check_views(path, source, key=key))
        # One file most often holds all layers: each of them would ask for the names anew.
        read = partial(_layers_of, source, path)
        names = read() if is_remote(path) else layer_cache.facts(path, "names", read)
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


def column_names(path: str, spec: ParcelInput, *, layer: str, key: str) -> tuple[str, ...]:
    """The columns of a layer, none of its features read."""
    name, _, _ = layer_facts(path, spec, layer=layer, key=key)
    if is_sketch(path):
        frame = sketch_frame(read_sketch(path), name, file=Path(path).name)
        return tuple(str(column) for column in frame.columns if column != frame.geometry.name)
    source = _source_of(path, key)
    info = pyogrio.read_info(source, layer=_layer_in(source, name, path))
    return tuple(str(field) for field in info["fields"])


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
    # Looked at once more: what opened the file is not always what its ending promised.
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
    # A layer less than a metre wide and near 0 is in degrees, whatever it says.
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
    # In boxes only a part is read, however many the file has.
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
