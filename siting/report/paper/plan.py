"""Small maps for paper, drawn from the data as SVG in black and grey: no tiles, no script.

Coordinates of a drawing are millimetres on paper, from its upper left corner. What a mark means
never hangs on a colour: areas have patterns, lines have dashes, spots have numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from xml.etree import ElementTree

import numpy as np
import shapely
from shapely import Geometry, LineString

from siting.grid import Grid
from siting.report.paper.ground_window import Window
from siting.report.paper.svg import Element, polar, sub, text
from siting.report.shared import drawing, overlays
from siting.report.shared.facts import SpotFacts
from siting.spot_parts import RandomPlace
from siting.types import NoGo, Result

_MOST_CONTOUR_LABELS = 14
_LABEL_INSET_MM = 9.0
_GREY, _PALE = "#555", "#999"


def plan(
    result: Result,
    window: Window,
    *,
    facts: Sequence[SpotFacts],
    shut: Sequence[Geometry],
    title: str,
    close: bool = False,
    field_of_view_deg: float = 0.0,
    view_m: float = 0.0,
    drawn: Sequence[RandomPlace] = (),
) -> str:
    """A map of the window as SVG text.

    Parameters
    ----------
    result : Result
    window : Window
    facts : the spots to mark
    shut : areas where no camera may stand, see `shut_areas`
    title : str
        What the picture shows, for those who cannot see it.
    close : bool
        True draws the search circle and the view of each spot, in scale.
    field_of_view_deg, view_m : float
        The drawn view: its angle in degrees and its length in metres.
    drawn : places drawn at random to mark, the spares with a thin line
    """
    svg = _svg(window, title)
    fill = {"class": "no-go", "fill": f"url(#{window.key}-hatch)"}
    _areas(svg, shut, window=window, style=fill)
    named = _contours(svg, result, window=window)
    _layers(svg, result, window=window)
    _lines(svg, [result.land.parcel_shape], window=window, style={"class": "parcel"})
    walks = [drawing.along_tracks(f.walk.line, result) for f in facts if f.walk is not None]
    _lines(svg, walks, window=window, style={"class": "walk"})
    for line, words in named:
        _label(svg, line, window=window, words=words)
    # Up on paper is grid north and headings count from true north: they may be degrees apart.
    turn_deg = -result.land.grid.convergence_deg
    for fact in facts:
        # The words speak of the areas marked: they are, on every map.
        if close or fact.spot.plain:
            _search(svg, fact, window=window)
        if close:
            _view(
                svg, fact, window=window, angle=field_of_view_deg, reach=view_m, turn_deg=turn_deg
            )
    # The best spot is drawn last and stays readable where numbers overlap.
    for fact in reversed(list(facts)):
        _spot(svg, fact, window=window)
    # They come with the spares last: so the first is on top.
    for place in reversed(drawn):
        _drawn(svg, place, window=window)
    _starts(svg, walks, window=window)
    _scale_bar(svg, window)
    _north(svg, window, turn_deg=turn_deg)
    # Over everything: shapes are cut a little beyond the window, and this line hides their ends.
    sub(svg, "rect", at={"class": "edge", "width": window.width_mm, "height": window.height_mm})
    return ElementTree.tostring(svg, encoding="unicode")


def _svg(window: Window, title: str) -> Element:
    size = f"0 0 {window.width_mm:g} {window.height_mm:g}"
    svg = ElementTree.Element(
        "svg", {"class": "plan", "viewBox": size, "role": "img", "aria-label": title}
    )
    defs = sub(svg, "defs", at={})
    hatch = sub(
        defs,
        "pattern",
        at={
            # Names count for the whole page: without the key every map would get the first one's
            # pattern.
            "id": f"{window.key}-hatch",
            "width": 2.2,
            "height": 2.2,
            "patternUnits": "userSpaceOnUse",
            "patternTransform": "rotate(45)",
        },
    )
    sub(hatch, "line", at={"y2": 2.2, "stroke": _PALE, "stroke-width": 0.5})
    ripple = sub(
        defs,
        "pattern",
        at={
            "id": f"{window.key}-water",
            "width": 3,
            "height": 1.6,
            "patternUnits": "userSpaceOnUse",
        },
    )
    wave = "M0 .8 Q.75 .2 1.5 .8 T3 .8"
    sub(ripple, "path", at={"d": wave, "fill": "none", "stroke": _GREY, "stroke-width": 0.25})
    return svg


def shut_areas(result: Result) -> list[Geometry]:
    """All ground of the parcel where no camera may stand, along the edges of its cells."""
    grid, rows, cols = drawing.parcel_window(result.no_go, result.land.grid)
    bits = result.no_go[rows, cols]
    shut = (bits != 0) & ((bits & NoGo.OUTSIDE.value) == 0)
    return [*drawing.lighter(drawing.cell_areas(shut, grid=grid), cell_size_m=grid.cell_size_m)]


def _contours(svg: Element, result: Result, *, window: Window) -> list[tuple[LineString, str]]:
    """Draw the height lines; the ones to be labelled and their labels."""
    part, dem = _part(result, window)
    interval = overlays.contour_interval_m(dem)
    named = []
    for height, lines in overlays.contours(dem, grid=part, interval_m=interval):
        index = round(height / interval) % 5 == 0
        _lines(svg, lines, window=window, style={"class": "contour index" if index else "contour"})
        if index or interval >= 20.0:
            named += [(line, f"{height:g} m") for line in lines]
    named.sort(key=lambda one: -one[0].length)
    return named[:_MOST_CONTOUR_LABELS]


def _part(result: Result, window: Window) -> tuple[Grid, np.ndarray]:
    """The cells of the window with some around, and their elevations."""
    # Contours are smoothed and bend at the edge of the known: that edge is kept off the paper.
    grid, around = result.land.grid, 20
    left, bottom, right, top = window.bounds
    row, col = (int(v) - around for v in grid.rowcol(left, top))
    n_rows = math.ceil((top - bottom) / grid.cell_size_m) + 2 * around
    n_cols = math.ceil((right - left) / grid.cell_size_m) + 2 * around
    row0, col0 = max(row, 0), max(col, 0)
    part = grid.window(row0, col0, n_rows + min(row, 0), n_cols + min(col, 0))
    return part, result.land.dem[row0 : row0 + part.n_rows, col0 : col0 + part.n_cols]


def _label(svg: Element, line: LineString, *, window: Window, words: str) -> None:
    """Write a height on its line, well inside the window, where there is room."""
    left, bottom, right, top = window.bounds
    edge = _LABEL_INSET_MM / window.mm_per_m
    inner = shapely.clip_by_rect(line, left + edge, bottom + edge, right - edge, top - edge)
    parts = [part for part in shapely.get_parts(inner) if part.length * window.mm_per_m > 25.0]
    if not parts:
        return
    longest = max(parts, key=lambda part: part.length)
    ends = shapely.line_interpolate_point(longest, [0.48, 0.52], normalized=True)
    (x0, y0), (x1, y1) = (window.at(point.x, point.y) for point in ends)
    angle = math.degrees(math.atan2(y1 - y0, x1 - x0))
    angle -= 180.0 if angle > 90.0 else -180.0 if angle < -90.0 else 0.0
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    turn = f"translate({x:.2f} {y:.2f}) rotate({angle:.1f})"
    text(svg, words, at={"class": "height", "transform": turn, "dy": 0.8})


def _layers(svg: Element, result: Result, *, window: Window) -> None:
    water = _shapes(result, "water")
    _areas(svg, water, window=window, style={"class": "pond", "fill": f"url(#{window.key}-water)"})
    _lines(svg, water, window=window, style={"class": "stream"})
    _lines(svg, result.valley_lines, window=window, style={"class": "valley"})
    # All casings before all cores, so that roads run into each other where they meet.
    roads = _shapes(result, "roads")
    _lines(svg, roads, window=window, style={"class": "road-casing"})
    _lines(svg, roads, window=window, style={"class": "road-core"})
    _lines(svg, _shapes(result, "trails"), window=window, style={"class": "trail"})
    _areas(svg, _shapes(result, "buildings"), window=window, style={"class": "building"})
    if "crossings" in result.land.vectors:
        for easting, northing in shapely.get_coordinates(_shapes(result, "crossings")):
            x, y = window.at(float(easting), float(northing))
            cross = f"M{x - 1.2:.2f} {y - 1.2:.2f}l2.4 2.4m0 -2.4l-2.4 2.4"
            sub(svg, "path", at={"class": "crossing", "d": cross})


def _shapes(result: Result, layer: str) -> list[Geometry]:
    return list(shapely.get_parts(np.asarray(result.land.shapes(layer), dtype=object)))


def _areas(
    svg: Element, areas: Iterable[Geometry], *, window: Window, style: dict[str, str]
) -> None:
    clipped = _clipped([a for a in areas if shapely.get_dimensions(a) == 2], window)
    rings = shapely.get_rings(shapely.get_parts(clipped))
    d = "".join(_path(ring, window) + "Z" for ring in rings)
    if d:
        sub(svg, "path", at={**style, "d": d, "fill-rule": "evenodd"})


def _lines(
    svg: Element, lines: Iterable[Geometry], *, window: Window, style: dict[str, str]
) -> None:
    edges = [shapely.boundary(g) if shapely.get_dimensions(g) == 2 else g for g in lines]
    clipped = shapely.get_parts(_clipped(edges, window))
    d = "".join(_path(part, window) for part in clipped if shapely.get_dimensions(part) == 1)
    if d:
        sub(svg, "path", at={**style, "d": d})


def _clipped(things: Sequence[Geometry], window: Window) -> np.ndarray:
    """What of the geometries lies in the window and a little beyond, so that no edge shows."""
    left, bottom, right, top = window.bounds
    more = 3.0 / window.mm_per_m
    kept = np.array([g for g in things if g is not None], dtype=object)
    cut = shapely.clip_by_rect(kept, left - more, bottom - more, right + more, top + more)
    return shapely.get_parts(cut)


def _path(line: Geometry, window: Window) -> str:
    light = shapely.simplify(line, 0.08 / window.mm_per_m)
    points = [window.at(x, y) for x, y in shapely.get_coordinates(light)]
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points)


def _search(svg: Element, fact: SpotFacts, *, window: Window) -> None:
    extent = fact.spot.extent
    if extent is not None:
        _lines(svg, [extent.ground], window=window, style={"class": "search"})
        return
    x, y = window.at(fact.spot.easting, fact.spot.northing)
    radius = fact.search_radius_m * window.mm_per_m
    sub(
        svg,
        "circle",
        at={"class": "search", "cx": f"{x:.2f}", "cy": f"{y:.2f}", "r": f"{radius:.2f}"},
    )


def _view(
    svg: Element, fact: SpotFacts, *, window: Window, angle: float, reach: float, turn_deg: float
) -> None:
    """The wedge of ground that the camera sees, with an arrow along its middle."""
    if fact.facing.heading_deg is None:
        return
    x, y = window.at(fact.spot.easting, fact.spot.northing)
    middle = fact.facing.heading_deg + turn_deg
    radius = reach * window.mm_per_m
    corners = [
        polar(x, y, radius=radius, bearing_deg=middle + side * angle / 2) for side in (-1.0, 1.0)
    ]
    (x0, y0), (x1, y1) = corners
    arc = f"M{x:.2f} {y:.2f}L{x0:.2f} {y0:.2f}A{radius:.2f} {radius:.2f} 0 0 1 {x1:.2f} {y1:.2f}Z"
    sub(svg, "path", at={"class": "view", "d": arc})
    tip_x, tip_y = polar(x, y, radius=radius + 4.0, bearing_deg=middle)
    wings = [
        polar(tip_x, tip_y, radius=2.4, bearing_deg=middle + 180.0 + side * 25.0)
        for side in (-1.0, 1.0)
    ]
    head = "L".join(f"{px:.2f} {py:.2f}" for px, py in (wings[0], (tip_x, tip_y), wings[1]))
    sub(svg, "path", at={"class": "arrow", "d": f"M{x:.2f} {y:.2f}L{tip_x:.2f} {tip_y:.2f}M{head}"})


def _spot(svg: Element, fact: SpotFacts, *, window: Window) -> None:
    x, y = window.at(fact.spot.easting, fact.spot.northing)
    sub(svg, "circle", at={"class": "spot", "cx": f"{x:.2f}", "cy": f"{y:.2f}", "r": 2.6})
    at = {"class": "number", "x": f"{x:.2f}", "y": f"{y + 1.15:.2f}"}
    text(svg, str(fact.spot.rank), at=at)


def _drawn(svg: Element, place: RandomPlace, *, window: Window) -> None:
    """A square with the sign of a place drawn at random."""
    x, y = window.at(place.easting, place.northing)
    wide, high = 2.6 + 2.0 * len(place.sign), 5.0
    style = "drawn spare" if place.spare else "drawn"
    box = {"x": f"{x - wide / 2:.2f}", "y": f"{y - high / 2:.2f}", "width": wide, "height": high}
    sub(svg, "rect", at={"class": style, **box})
    text(svg, place.sign, at={"class": "number", "x": f"{x:.2f}", "y": f"{y + 1.25:.2f}"})


def _starts(svg: Element, walks: Sequence[Geometry], *, window: Window) -> None:
    """A triangle where the walks begin, named once."""
    begins = dict.fromkeys(tuple(shapely.get_coordinates(line)[0].tolist()) for line in walks)
    for easting, northing in begins:
        x, y = window.at(easting, northing)
        if not (0 <= x <= window.width_mm and 0 <= y <= window.height_mm):
            continue
        d = f"M{x:.2f} {y - 2.6:.2f}l2.4 4.2h-4.8Z"
        sub(svg, "path", at={"class": "start", "d": d})
        text(svg, "way in", at={"class": "word", "x": f"{x + 3.2:.2f}", "y": f"{y + 1.2:.2f}"})


def _scale_bar(svg: Element, window: Window) -> None:
    """A bar of a round number of metres, with the feet."""
    room_m = 0.34 * window.width_mm / window.mm_per_m
    metres = max(step for step in _ROUND if step <= max(room_m, _ROUND[0]))
    long_mm = metres * window.mm_per_m
    x, y = 4.0, window.height_mm - 4.0
    bar = f"M{x} {y - 1.2:.2f}v1.2h{long_mm:.2f}v-1.2m{-long_mm / 2:.2f} .4v.8"
    for line in ("bar-halo", "bar"):
        sub(svg, "path", at={"class": line, "d": bar})
    words = f"{metres:g} m ({metres / 0.3048:.0f} ft)"
    text(svg, words, at={"class": "word", "x": x, "y": f"{y - 2.4:.2f}"})


_ROUND = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 1e4)


def _north(svg: Element, window: Window, *, turn_deg: float) -> None:
    x, y = window.width_mm - 6.0, 8.0
    sub(svg, "circle", at={"class": "plate", "cx": x, "cy": y, "r": 5.2})
    group = sub(svg, "g", at={"transform": f"translate({x:.2f} {y:.2f}) rotate({turn_deg:.2f})"})
    sub(group, "path", at={"class": "needle", "d": "M0 -4.4L1.5 .6L0 -.4L-1.5 .6Z"})
    text(group, "N", at={"class": "number", "y": 4.2})
