"""The door in for vector files: layers, checked and in the grid's coordinate system."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from geopandas.array import from_shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry as Geometry

from siting.credits import Source
from siting.disk.paths import file_and_layer
from siting.disk.states import state_at_path
from siting.errors import SitingError
from siting.grid import Grid, transformer
from siting.ground.distance import cells_covered
from siting.ground.known import LEAST_CELLS
from siting.kernels.remembered import remembered
from siting.lengths import percent
from siting.read.crs.datum import conversion_note
from siting.read.crs.projection import (
    inverse_bounds,
    metres_per_unit,
    name_of,
    project,
)
from siting.read.vector import layer_cache
from siting.read.vector.columns import layer_columns
from siting.read.vector.effort import check_effort
from siting.read.vector.files import Bounds, layer_facts, read_frame
from siting.read.vector.sketch_file import is_sketch, read_sketch
from siting.settings.given.layers import LayerInput
from siting.types import CoverRole, Note, RoleArray

MOST_CORNERS, WITHIN_M = 20_000, 0.1


# Less dry ground than this may be a pond that the land cover misses, m2. Our choice.
_DRY_M2, _DRY_SHARE = 10_000.0, 0.5
_WET = (CoverRole.WATER, CoverRole.WETLAND, CoverRole.SNOW)
# A gap wider than a farm gate (common practice, no source) is an opening.
_GATE_M = 6.0
# So much of a shape must lie in a field to mean it.
_IN_FIELD_SHARE = 0.2


def _state(given: Mapping[str, Any]) -> Any:
    """What counts of the file of a layer: of a sketch, which is saved whole, only that layer."""
    path, layer = given["path"], given["spec"].layer
    if not is_sketch(path):
        return state_at_path(given)
    sketch = layer_cache.facts(path, "sketch", lambda: read_sketch(path))
    rows = [f.model_dump_json() for f in sketch.features if f.properties.layer == layer]
    return (layer in sketch.layers(), sketch.made_for, rows)


@remembered(state=_state)
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
    near = near_features(path, spec, grid, key=key)
    found, kept, notes = layer_columns(near.columns, spec, name, file)
    thin = np.empty(len(near.shapes), dtype=object)
    thin[:] = [simpler(shape) for shape in near.shapes]
    columns, shapes = pd.DataFrame(found)[kept].reset_index(drop=True), thin[kept]
    notes += _layer_notes(name, path, near.crs, grid, len(shapes), near.mended)
    # `simpler` gives the same object back where it changed nothing.
    if any(one is not other for one, other in zip(thin, near.shapes, strict=True)):
        text = f"{file} ({name}): shapes of very many corners were simplified within {WITHIN_M} m."
        notes += (Note("A-SIMPLIFY-01", "assumption", text),)
    # As a column from the start: to set it afterwards costs eight times as much.
    table = columns.assign(geometry=from_shapely(shapes, crs=grid.crs))
    source = source_of(key, path, near._replace(columns=columns, shapes=shapes), spec.attribution)
    return gpd.GeoDataFrame(table, geometry="geometry"), source, notes


def known_area(path: str, spec: LayerInput, grid: Grid, *, name: str) -> list[Geometry]:
    """Where a file of a layer was mapped, in the grid's system; [] where nobody said.

    `path` is the file of the polygons that `known_within` names, "" for a box in degrees. A place
    of the area far from the grid is left out.
    """
    if not spec.known_within:
        return []
    if not isinstance(spec.known_within, str):
        near = shapely.buffer(shapely.box(*inverse_bounds(grid.bounds, grid.crs)), 0.01)
        box = shapely.intersection(shapely.box(*spec.known_within), near)
        return [project(shapely.segmentize(box, 0.005), "EPSG:4326", grid.crs, file="known_within")]
    _, layer = file_and_layer(spec.known_within)
    outline = LayerInput(file=path, layer=layer, crs=spec.crs)
    shapes = near_features(path, outline, grid, key=f"layers.{name}.known_within").shapes
    if any(shapely.get_dimensions(shape) < 2 for shape in shapes):
        raise SitingError(
            "E-EXTENT-01",
            f"{Path(path).name} (layers.{name}.known_within) holds points or lines.",
            rule="Where a layer was mapped is an area.",
            cure="Name a file of polygons, or a box [west, south, east, north] in degrees.",
        )
    return [shapely.union_all(shapes)]


def partly_known(name: str, share: float, *, none: bool) -> Note:
    """The warning of a layer that was not mapped on all of the parcel; `share` of it, 0..1, was."""
    what = name.replace("_", " ")
    if none:
        text = f"The map of {what} ends before this parcel: nothing is known of {what} on it."
    else:
        text = (
            f"The map of {what} reaches over {percent(share)} of this parcel only: on the rest "
            f"there may be {what} that no map shows."
        )
    return Note("W-EXTENT-01", "warning", text, {"layer": name, "share": round(share, 3)})


class Near(NamedTuple):
    """The features of a layer on and around a piece of land, in the file's order.

    `columns` are all but the shapes, which are (n,) in the grid's coordinate system; `crs` is the
    file's own; `mended` says how many shapes were repaired. A table of shapes would cost more than
    all that is done with it.
    """

    columns: pd.DataFrame
    shapes: NDArray[np.object_]
    crs: str
    mended: int


def near_features(path: str, spec: LayerInput, grid: Grid, *, key: str) -> Near:
    """The features of a layer that touch the grid, repaired, with all their columns."""
    file = Path(path).name
    _, crs, count = layer_facts(path, spec, layer=spec.layer, key=key)
    boxes = _boxes_in(grid, crs)
    whole = _whole_layer(path, spec, count, key=key, boxes=boxes)
    rows = whole.rows_in(boxes)
    moved = whole.moved(rows, grid.crs, lambda s: project(s, crs, grid.crs, file=file))
    near = shapely.intersects(moved, shapely.box(*grid.bounds))
    columns = whole.columns.iloc[rows[near]].reset_index(drop=True)
    return Near(columns, moved[near], crs, whole.mended(rows))


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
    # Quick first, without regard to crossings; only the few shapes that break are mended.
    thin = shapely.simplify(shape, WITHIN_M, preserve_topology=False)
    if not shapely.is_valid(thin):
        thin = shapely.make_valid(thin, method="structure", keep_collapsed=False)
    return thin


def dry_water(
    layers: Mapping[str, gpd.GeoDataFrame], role: RoleArray, cover_cell_m: float, grid: Grid
) -> tuple[Note, ...]:
    """A question where the areas given as water are mostly other ground by the land cover.

    `role` is (rows, cols) int8, `CoverRole` of each cell; `cover_cell_m` in metres.
    """
    areas = [s for s in layers["water"].geometry if s.area > 0] if "water" in layers else []
    told = cells_covered(areas, grid=grid) & (role != CoverRole.UNKNOWN)
    dry = told & ~np.isin(role, _WET)
    share = float(dry.sum()) / max(int(told.sum()), 1)
    least_m2 = max(_DRY_M2, LEAST_CELLS * cover_cell_m**2)
    if share < _DRY_SHARE or dry.sum() * grid.cell_size_m**2 < least_m2:
        return ()
    text = (
        f"By the land cover {percent(share)} of what the water layer shows as open water on and "
        "around this land is other ground. Are these flood zones or swamps? Only open water "
        "belongs in layers.water: leave them out, or name a column and its values. As it is no "
        "camera is placed on them, and places beside them are named for water."
    )
    return (Note("W-WATER-01", "warning", text),)


@remembered()
def together(parts: Sequence[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    """The features of several files of one layer as one frame, in the order of the files."""
    if len(parts) == 1:
        return parts[0]
    return gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=parts[0].crs)


def livestock_to_fences(
    livestock: gpd.GeoDataFrame, fences: Sequence[Geometry]
) -> tuple[gpd.GeoDataFrame, tuple[Note, ...]]:
    """Livestock in all of the field whose fences close it in, wherever it was drawn.

    Both in metres. A fence with a gap wider than a gate closes nothing, and neither does the edge
    of what was read.
    """
    fields = _fenced_fields(fences)
    shapes = [_all_of_field(shape, fields) for shape in livestock.geometry]
    grown = sum(new is not old for new, old in zip(shapes, livestock.geometry, strict=True))
    if not grown:
        return livestock, ()
    text = (
        f"{grown} {'shape' if grown == 1 else 'shapes'} of livestock lie in fenced fields: animals "
        "may stand anywhere inside the fence, so all of the field counts."
    )
    return livestock.set_geometry(shapes), (Note("A-FENCE-01", "assumption", text),)


def _fenced_fields(fences: Sequence[Geometry]) -> list[Geometry]:
    if not fences:
        return []
    # Widened by half a gate, so that gates close; what is left as holes is fenced in.
    half_m = _GATE_M / 2.0
    walls = shapely.get_parts(shapely.union_all(shapely.buffer(list(fences), half_m)))
    rings = [shapely.Polygon(ring) for wall in walls for ring in wall.interiors]
    return [shapely.buffer(ring, half_m, join_style="mitre") for ring in rings]


def _all_of_field(shape: Geometry, fields: Sequence[Geometry]) -> Geometry:
    """The shape with every field that it lies in; a hand that slips over a fence means nothing."""

    def lies_in(field: Geometry) -> bool:
        if shape.area == 0:
            return bool(shape.intersects(field))
        return shapely.intersection(shape, field).area >= _IN_FIELD_SHARE * shape.area

    inside = [field for field in fields if lies_in(field) and not shape.covers(field)]
    return shapely.union_all([shape, *inside]) if inside else shape


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
    # A straight side of the grid may bend outwards between its points on another map.
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


def source_of(key: str, path: str, near: Near, attribution: str) -> Source:
    """Where a layer came from, with a fingerprint of its features."""
    digest = hashlib.sha256()
    for shape in shapely.to_wkb(near.shapes):
        digest.update(shape)
    digest.update(repr(near.columns.to_dict("list")).encode())
    facts = {"crs": name_of(near.crs), "features_near": len(near.shapes)}
    return Source(key, Path(path).name, digest.hexdigest(), facts, attribution)
