"""What the office's own layers hold around a piece of land, for the map to draw on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import shapely

from siting.desk.storage.office import NO_PLACE
from siting.grid import Grid
from siting.read.crs.projection import WGS84, local_crs, project
from siting.read.input_files import input_path
from siting.read.vector import vectors
from siting.settings.load import load_inputs

_LAYERS = ("water", "roads", "trails", "buildings", "crossings", "feeders", "livestock", "no_go")
_MOST_SHAPES = 2000
_DIGITS = 6


def known_shapes(
    inputs_file: Path, bounds: tuple[float, float, float, float]
) -> list[dict[str, Any]]:
    """Shapes of the region's layers within bounds (west, south, east, north), for the map.

    Each is {"layer", "kind": "area", "line" or "point", "corners": [[lat, lon], ...]}.
    """
    inputs = load_inputs(inputs_file, NO_PLACE)
    west, south, east, north = bounds
    # In metres, so that shapes are simplified alike in both directions.
    crs = local_crs((west + east) / 2, (south + north) / 2)
    box = project(shapely.box(*bounds), WGS84, crs, file="the map")
    span = max(box.bounds[2] - box.bounds[0], box.bounds[3] - box.bounds[1])
    grid = Grid.from_bounds(
        box.bounds, crs=crs, cell_size_m=max(span / 400, 1.0), anchor=(0.0, 0.0)
    )
    rows: list[dict[str, Any]] = []
    for name in _LAYERS:
        for spec in getattr(inputs.layers, name):
            path = input_path(inputs, spec.file)
            frame, _, _ = vectors.read_layer(path, spec, grid, name=name)
            light = shapely.simplify(frame.geometry.to_numpy(), grid.cell_size_m / 2)
            for shape in light:
                rows += _drawn(name, project(shape, grid.crs, WGS84, file=spec.file))
    return rows[:_MOST_SHAPES]


def _drawn(layer: str, shape: Any) -> list[dict[str, Any]]:
    rows = []
    for part in shapely.get_parts(shape):
        kind = {"Point": "point", "LineString": "line", "Polygon": "area"}.get(part.geom_type)
        if kind is None or part.is_empty:
            continue
        xy = shapely.get_coordinates(part.exterior if kind == "area" else part)
        corners = xy[:, ::-1].round(_DIGITS).tolist()
        rows.append({"layer": layer, "kind": kind, "corners": corners})
    return rows
