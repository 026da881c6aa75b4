"""The sketch page: one offline file on which a volunteer draws the land and what is known of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.credits import Credit
from siting.disk.files import canonical_json, safe_name, text_hash
from siting.grid import FloatArray, Grid
from siting.report.shared import assets, overlays
from siting.report.shared.credits import full_lines
from siting.report.shared.frame import PageProjection, page_frame
from siting.report.shared.text import clean
from siting.words.office.sketch import BEFORE, WITHOUT_SCRIPTS, questions_data

# A tenth of a metre: finer than anybody draws with a finger.
_DIGITS = 6
_INDEX_EVERY = 5
# Side of the squares, metres: the first that gives at most twelve across.
_SQUARES_M = (100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10_000.0)
_MOST_SQUARES = 12
Ground = tuple[FloatArray | None, Grid]
"""Elevations of the shown ground, (rows, cols) metres, NaN = no data, or None; and their grid."""


def sketch_page(
    ground: Ground,
    known: Mapping[str, Iterable[Geometry]],
    *,
    made_for: str,
    view: tuple[float, float, float],
    sources: Sequence[Credit] = (),
) -> str:
    """The whole page as HTML text; the same for the same ground.

    Parameters
    ----------
    ground : (dem or None, grid)
        Elevations (rows, cols) in any unit, NaN = no data.
    known : mapping from layer to shapes
        In the grid's coordinate system.
    made_for : str
        The sign-up that the page is for; it comes back in the file.
    view : (easting, northing, radius), metres
        What the map shows first.
    sources : publishers whose lines must stand on the page
    """
    dem, grid = ground
    frame = page_frame(grid)
    data: dict[str, Any] = {
        "steps": questions_data(),
        "before": BEFORE,
        "made_for": clean(made_for),
        "file_name": safe_name(made_for or "land"),
        "corners": None,
        "contours": [] if dem is None else _contours(dem, grid, frame),
        "known": [row for name, shapes in known.items() for row in _known(name, shapes, frame)],
        "grid": _squares(grid, frame),
        "bounds": _bounds(view, frame),
    }
    picture = None if dem is None else overlays.ground_picture(dem, grid=grid, frame=frame)
    if picture is not None:
        data["corners"] = [[round(float(v), 7) for v in corner] for corner in picture.plane.corners]
    # A sketch that is half done is kept in the browser under this name (web/sketch/start.js).
    data["page"] = text_hash(canonical_json(data))
    return _html(data, "" if picture is None else picture.url, full_lines(sources))


def _html(data: dict[str, Any], picture: str, lines: Sequence[str]) -> str:
    return assets.page_of_scripts(
        "sketch/sketch.html",
        entry="sketch/start.js",
        styles=("shared/base.css", "sketch/sketch.css"),
        data=data,
        picture=picture,
        made_for=data["made_for"],
        without_scripts=WITHOUT_SCRIPTS,
        credits=lines,
    )


def _latlon(xy: FloatArray, frame: PageProjection) -> list[list[float]]:
    lon, lat = frame.lonlat(xy[:, 0], xy[:, 1])
    rows: list[list[float]] = np.column_stack([lat, lon]).round(_DIGITS).tolist()
    return rows


def _contours(dem: FloatArray, grid: Grid, frame: PageProjection) -> list[dict[str, Any]]:
    interval_m = overlays.contour_interval_m(dem)
    return [
        {
            "index": round(height / interval_m) % _INDEX_EVERY == 0,
            "line": _latlon(shapely.get_coordinates(line), frame),
        }
        for height, lines in overlays.contours(dem, grid=grid, interval_m=interval_m)
        for line in lines
    ]


def _known(
    layer: str, shapes: Iterable[Geometry], frame: PageProjection
) -> Iterator[dict[str, Any]]:
    shown = shapely.box(*frame.grid.bounds)
    tolerance_m = frame.grid.cell_size_m / 2
    for shape in shapes:
        cut = shapely.intersection(shapely.simplify(shape, tolerance_m), shown)
        for part in shapely.get_parts(cut):
            kind = {"Point": "point", "LineString": "line", "Polygon": "area"}.get(part.geom_type)
            if kind is not None and not part.is_empty:
                ring = part.exterior if kind == "area" else part
                corners = _latlon(shapely.get_coordinates(ring), frame)
                yield {"layer": layer, "kind": kind, "corners": corners}


def _squares(grid: Grid, frame: PageProjection) -> list[list[list[float]]]:
    """Lines of a grid of squares in whole metres of the working coordinate system."""
    left, bottom, right, top = grid.bounds
    wide = max(right - left, top - bottom)
    side = next((s for s in _SQUARES_M if wide / s <= _MOST_SQUARES), _SQUARES_M[-1])
    east = np.arange(np.ceil(left / side), np.floor(right / side) + 1) * side
    north = np.arange(np.ceil(bottom / side), np.floor(top / side) + 1) * side
    # Five points to a line: what is straight on the grid is bent a little on the page's map.
    lines = [[(x, y) for y in np.linspace(bottom, top, 5)] for x in east]
    lines += [[(x, y) for x in np.linspace(left, right, 5)] for y in north]
    return [_latlon(np.array(line, dtype=float), frame) for line in lines]


def _bounds(view: tuple[float, float, float], frame: PageProjection) -> list[list[float]]:
    easting, northing, radius_m = view
    corners = np.array(
        [[easting - radius_m, northing - radius_m], [easting + radius_m, northing + radius_m]]
    )
    return _latlon(corners, frame)
