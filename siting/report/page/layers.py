"""What is known of the land, as the page draws it: outline, lines, areas, points, contours."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import shapely
from shapely import Point
from shapely.geometry.base import BaseGeometry as Geometry

from siting.grid import FloatArray, Grid
from siting.report.shared import drawing, overlays
from siting.report.shared.text import clean
from siting.types import Result

# Key of the layer, words in the key of the map. Drawn in this order, the last on top.
LABELS = {
    "livestock": "Livestock field",
    "no_go": "Left alone by wish of the owner",
    "water": "Water and streams",
    "valleys": "Valley line worked out from the elevations: may be dry",
    "roads": "Road",
    "trails": "Trail",
    "buildings": "Building",
    "feeders": "Feeder or salt lick",
    "features": "Feature found by the program (saddle, corner, fork): shown when you zoom in",
    "crossings": "Crossing (log, ford)",
    "way_in": "Way in",
    "random": "Place drawn at random (dashed: spare); the sheet has a page for them",
}
# What "Ask" calls a thing, where the key says more than its name.
_SHORT = {
    "features": "Feature",
    "valleys": "Valley line, may be dry",
    "crossings": "Crossing",
    "random": "Place drawn at random",
}
_TEXT_COLUMNS = ("name", "label", "reason", "kind", "class", "use")
_SIMPLIFY_M = 0.4
_COARSEST_M = 20.0
# Keeps the page below 3 MB together with the cells (docs/outputs.md).
_MOST_POINTS = 20_000
# Every how many contour lines one is drawn stronger and carries its height.
# So that those fall on round heights: every 2, 5, 10, 25, 50, 100, 500 or 1000 m.
_INDEX_EVERY = {0.5: 4, 1.0: 5, 2.0: 5, 5.0: 5, 10.0: 5, 20.0: 5, 50.0: 2, 100.0: 5, 200.0: 5}


def drawn_all(geometry: Geometry, grid: Grid) -> Iterator[drawing.Drawn]:
    """All parts of a geometry as the page draws them, with fewer points."""
    light = shapely.simplify(geometry, _SIMPLIFY_M, preserve_topology=True)
    yield from drawing.drawn(light, grid)


def outline(parcel: Geometry, *, grid: Grid) -> list[drawing.Drawn]:
    """The parcel's outline with its holes and parts."""
    return list(drawn_all(parcel, grid))


def layers_data(result: Result, *, grid: Grid) -> list[dict[str, Any]]:
    """Every layer that has something on the shown ground, in the order of drawing."""
    rows = []
    for key, label in LABELS.items():
        features = _drawn_features(list(_known(result, key)), grid)
        if features:
            short = _SHORT.get(key, label)
            rows.append({"key": key, "label": label, "short": short, "features": features})
    return rows


def _known(result: Result, key: str) -> Iterator[tuple[Geometry, str, str]]:
    """Shape, words and kind of everything in a layer."""
    if key == "valleys":
        yield from ((line, "", "") for line in result.valley_lines)
    elif key == "random":
        for place in result.random_places:
            kind = "spare" if place.spare else "place"
            yield Point(place.easting, place.northing), f"{place.sign}, {place.label}", kind
    elif key == "features":
        # What the user drew is a layer of its own; what lies over the fence serves no spot.
        for found in result.features:
            point = Point(found.easting, found.northing)
            if found.kind != "known crossing" and result.land.parcel_shape.covers(point):
                yield point, clean(found.words), ""
    elif key in result.land.vectors:
        for _, row in result.land.vectors[key].iterrows():
            if row.geometry is not None and not row.geometry.is_empty:
                yield row.geometry, _text(row), _kind(row)


def _drawn_features(known: list[tuple[Geometry, str, str]], grid: Grid) -> list[dict[str, Any]]:
    """What lies on the shown ground; layers with very many points are drawn more coarsely."""
    tolerance_m = min(_SIMPLIFY_M, 0.2 * grid.cell_size_m)
    while True:
        light = [
            drawing.shortened(shape, grid=grid, tolerance_m=tolerance_m) for shape, *_ in known
        ]
        if sum(map(shapely.get_num_coordinates, light)) <= _MOST_POINTS:
            break
        if tolerance_m > _COARSEST_M:
            break
        tolerance_m *= 2.0
    features = []
    for shape, (_, text, kind) in zip(light, known, strict=True):
        shapes = list(drawing.drawn(shape, grid))
        if shapes:
            features.append({"shapes": shapes, "text": text, "kind": kind})
    return features


def _text(row: Any) -> str:
    """Name and kind of a feature, as the user wrote them."""
    words = [row[column] for column in _TEXT_COLUMNS if column in row.index]
    kept = [clean(word) for word in words if isinstance(word, str) and word.strip()]
    return ", ".join(dict.fromkeys(kept))


def _kind(row: Any) -> str:
    """The class of a road or the use of a trail, where it is one that the page knows."""
    for column in ("class", "use", "kind"):
        value = row[column] if column in row.index else None
        # Only words that the page has a style for; the user's own stand in the text.
        if isinstance(value, str) and value in ("major", "minor", "track", "game", "quiet", "busy"):
            return value
    return ""


def contours_data(dem: FloatArray, *, grid: Grid) -> dict[str, Any]:
    """Contour lines with their heights; every few is an index line that carries a label.

    Parameters
    ----------
    dem : (rows, cols) float, metres, NaN = not known
    """
    interval_m = overlays.contour_interval_m(dem)
    every = _INDEX_EVERY[interval_m]
    lines = []
    for height, traces in overlays.contours(dem, grid=grid, interval_m=interval_m):
        index = round(height / interval_m) % every == 0
        for line in traces:
            xy = shapely.get_coordinates(line)
            lines.append({"z": height, "index": index, "xy": drawing.flat(xy, grid)})
    return {"interval_m": interval_m, "lines": lines}
