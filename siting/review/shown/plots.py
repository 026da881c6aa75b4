"""Plots of the review as inline SVG: no script, readable without colour, each with a title.

Coordinates are those of a view box 320 wide, so that text stays readable on a phone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from xml.etree import ElementTree

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from siting.report.paper.svg import Element, sub, text
from siting.review.change import WeightRow
from siting.review.statistics.ranks import ScoreClass

Floats = NDArray[np.float64]
_WIDTH = 320
_LEFT, _RIGHT = 44, 308
_Z90 = 1.645


def _drawing(name: str, height: int, title: str, words: str) -> Element:
    root = ElementTree.Element(
        "svg",
        {
            "viewBox": f"0 0 {_WIDTH} {height}",
            "role": "img",
            "aria-labelledby": f"{name}-title {name}-desc",
        },
    )
    sub(root, "title", at={"id": f"{name}-title"}).text = title
    sub(root, "desc", at={"id": f"{name}-desc"}).text = words
    return root


def _line(root: Element, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
    at = {"x1": f"{x1:.1f}", "y1": f"{y1:.1f}", "x2": f"{x2:.1f}", "y2": f"{y2:.1f}"}
    sub(root, "line", at={**at, "class": kind})


def _word(root: Element, x: float, y: float, words: str, *, anchor: str = "middle") -> None:
    text(root, words, at={"x": f"{x:.1f}", "y": f"{y:.1f}", "text-anchor": anchor})


def _markup(root: Element) -> Markup:
    return Markup(ElementTree.tostring(root, encoding="unicode"))


def _log_scale(values: Sequence[float], low: float, high: float) -> Callable[[float], float]:
    """From a value above 0 to a place between `low` and `high`, by logarithms."""
    bottom, top = math.log(min(values)), math.log(max(values))
    span = max(top - bottom, 1e-9)
    return lambda value: low + (math.log(value) - bottom) / span * (high - low)


def rates_plot(classes: Sequence[ScoreClass], expected: Sequence[float]) -> Markup:
    """Events per 100 camera-days by class of the score, with what the protocol expects.

    A class without any event is an open dot at the foot: a logarithm has no zero.
    """
    height, foot = 220, 176
    known = [v for one in classes for v in (one.rate, one.low, one.high) if v > 0]
    known += [v for v in expected if v > 0]
    root = _drawing(
        "rates", height, "Events by class of the score",
        "Dots: events per 100 camera-days in each class of the score, lowest class on the left, "
        "with their 90 per cent range; dashed: what the protocol expects. The table below says the "
        "same.",
    )  # fmt: skip
    if not known:
        _word(root, _WIDTH / 2, 100, "No events were recorded.")
        return _markup(root)
    # Equal steps of the score promise equal factors of the rate: by logarithms they are a straight
    # line.
    at = _log_scale([min(known) / 1.2, max(known) * 1.2], foot - 8, 16)
    step = (_RIGHT - _LEFT) / len(classes)
    for tick in _ticks(min(known), max(known)):
        _line(root, _LEFT, at(tick), _RIGHT, at(tick), "grid")
        _word(root, _LEFT - 6, at(tick) + 4, f"{tick:g}", anchor="end")
    path = []
    for number, (one, hoped) in enumerate(zip(classes, expected, strict=True)):
        x = _LEFT + (number + 0.5) * step
        if hoped > 0:
            path.append(f"{x:.1f},{at(hoped):.1f}")
        if one.rate > 0:
            _line(root, x, at(max(one.low, min(known))), x, at(one.high), "bar")
            sub(root, "circle", at={"cx": f"{x:.1f}", "cy": f"{at(one.rate):.1f}", "r": 5,
                                    "class": "dot"})  # fmt: skip
        else:
            sub(root, "circle", at={"cx": f"{x:.1f}", "cy": foot - 6, "r": 5, "class": "open"})
        _word(root, x, foot + 14, f"{one.cameras} cam.")
    sub(root, "polyline", at={"points": " ".join(path), "class": "expected"})
    _line(root, _LEFT, foot, _RIGHT, foot, "axis")
    _word(root, _LEFT, foot + 32, "lower scores", anchor="start")
    _word(root, _RIGHT, foot + 32, "higher scores", anchor="end")
    return _markup(root)


def _ticks(low: float, high: float) -> list[float]:
    """Round values of a logarithmic axis: 1, 2, 5, 10 ..."""
    found = [
        m * 10.0**e
        for e in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        for m in (1, 2, 5)
    ]
    inside = [v for v in found if low / 1.2 <= v <= high * 1.2]
    return inside if len(inside) <= 6 else inside[:: math.ceil(len(inside) / 6)]


def weights_plot(rows: Sequence[WeightRow], labels: Sequence[str]) -> Markup:
    """Each criterion's ratio on an axis of a quarter to eight times as many records."""
    height = 34 + 40 * len(rows)
    root = _drawing(
        "weights", height, "Weights before and after the season",
        "One row a criterion: open diamond with a thin line is the protocol, dot with a thick line "
        "is the season taken together with it. The table below says the same.",
    )  # fmt: skip
    left, low, high = 16, 0.25, 8.0
    scale = _log_scale([low, high], left, _RIGHT)

    def at(value: float) -> float:
        return scale(min(max(value, low), high))

    for tick in (0.25, 0.5, 1.0, 2.0, 4.0, 8.0):
        _line(root, at(tick), 6, at(tick), height - 22, "axis" if tick == 1 else "grid")
        _word(root, at(tick), height - 8, f"{tick:g}")
    for number, (row, label) in enumerate(zip(rows, labels, strict=True)):
        y = 32 + 40 * number
        group = sub(root, "g", at={"class": "stays" if row.proposed is None else "changes"})
        _word(group, left, y - 14, label, anchor="start")
        spread = math.exp(_Z90 * row.prior_sd)
        _line(group, at(row.protocol / spread), y - 5, at(row.protocol * spread), y - 5, "thin")
        x = at(row.protocol)
        points = f"{x - 5:.1f},{y - 5} {x:.1f},{y - 10} {x + 5:.1f},{y - 5} {x:.1f},{y}"
        sub(group, "polygon", at={"points": points, "class": "diamond"})
        _line(group, at(row.low), y + 5, at(row.high), y + 5, "bar")
        sub(group, "circle", at={"cx": f"{at(row.shrunken):.1f}", "cy": y + 5, "r": 5,
                                 "class": "dot"})  # fmt: skip
    return _markup(root)


def residuals_plot(easting_m: Floats, northing_m: Floats, ratio: Floats) -> Markup:
    """Where more (up) and fewer (down) events were recorded than the score expects; north is up.

    Parameters
    ----------
    easting_m, northing_m : (n,) metres from the middle of the cameras
    ratio : (n,) events over those expected
    """
    height = 300
    root = _drawing(
        "residuals", height, "More or fewer events than expected, on the ground",
        "Triangles upward: more events than the score expects there; downward: fewer. Three sizes: "
        "under 1.5, under 2.5 and over 2.5 times.",
    )  # fmt: skip
    width_m = max(float(np.ptp(easting_m)), float(np.ptp(northing_m)), 100.0)
    scale = 250 / width_m
    x = 160 + (easting_m - (easting_m.min() + easting_m.max()) / 2) * scale
    y = 135 - (northing_m - (northing_m.min() + northing_m.max()) / 2) * scale
    for px, py, times in zip(x, y, ratio, strict=True):
        strength = max(times, 1 / max(times, 1e-6))
        r = 4 if strength < 1.5 else 7 if strength < 2.5 else 10
        way = -1 if times >= 1 else 1
        points = f"{px - r:.1f},{py - way * r:.1f} {px + r:.1f},{py - way * r:.1f} "
        points += f"{px:.1f},{py + way * r:.1f}"
        sub(root, "polygon", at={"points": points, "class": "more" if way < 0 else "fewer"})
    bar_m = 10 ** math.floor(math.log10(width_m / 2))
    _line(root, 20, 288, 20 + bar_m * scale, 288, "axis")
    _word(root, 20, 282, f"{bar_m:g} m" if bar_m < 1000 else f"{bar_m / 1000:g} km", anchor="start")
    sub(root, "polygon", at={"points": "300,262 306,288 300,282 294,288", "class": "dot"})
    _word(root, 300, 258, "N")
    return _markup(root)


def spread_plot(cameras: Floats, land: Floats) -> Markup:
    """How choosy the placement was: ln scores (n,) at cameras above those of all open ground."""
    height = 150
    root = _drawing(
        "spread", height, "Scores at the cameras and on all open ground",
        "Bars: share of open ground by score; ticks above them: the cameras.",
    )  # fmt: skip
    low, high = (float(f(np.concatenate([cameras, land]))) for f in (np.min, np.max))
    edges = np.linspace(low, max(high, low + 1e-6), 21)
    share = np.histogram(land, edges)[0] / max(len(land), 1)
    width = (_RIGHT - 12) / 20
    for number, part in enumerate(share):
        tall = 80 * part / max(share.max(), 1e-9)
        sub(root, "rect", at={"x": f"{12 + number * width:.1f}", "y": f"{120 - tall:.1f}",
                              "width": f"{width - 1:.1f}", "height": f"{tall:.1f}",
                              "class": "land"})  # fmt: skip
    for score in cameras:
        x = 12 + (score - low) / max(high - low, 1e-6) * (_RIGHT - 12)
        _line(root, x, 14, x, 30, "bar")
    _line(root, 12, 120, _RIGHT, 120, "axis")
    _word(root, 12, 138, "lower scores", anchor="start")
    _word(root, _RIGHT, 138, "higher scores", anchor="end")
    return _markup(root)


def blanks_plot(rates: Sequence[Sequence[float | None]], directions: Sequence[str]) -> Markup:
    """Blanks per 100 camera-days by heading and month, as squares; crossed where no camera looked.

    Parameters
    ----------
    rates : eight rows of twelve, north and January first; None where no camera looked
    directions : eight names
    """
    height = 30 + 24 * len(directions) + 6
    root = _drawing(
        "blanks", height, "Blank pictures by heading and month",
        "One row a direction, one column a month from January on. The area of a square is the "
        "number of blanks per 100 camera-days; a cross where no camera looked. The table below "
        "says the same.",
    )  # fmt: skip
    most = max((rate for row in rates for rate in row if rate), default=1.0)
    left, step = 76, (_RIGHT - 76) / 12
    for month, letter in enumerate("JFMAMJJASOND"):
        _word(root, left + (month + 0.5) * step, 16, letter)
    for number, (row, name) in enumerate(zip(rates, directions, strict=True)):
        y = 34 + 24 * number
        _word(root, left - 6, y + 4, name, anchor="end")
        for month, rate in enumerate(row):
            x = left + (month + 0.5) * step
            if rate is None:
                _line(root, x - 3, y - 3, x + 3, y + 3, "thin")
                _line(root, x - 3, y + 3, x + 3, y - 3, "thin")
                continue
            # The area and not the side, or twice the blanks would look like four times.
            side = 18 * math.sqrt(rate / most)
            at = {"x": f"{x - side / 2:.1f}", "y": f"{y - side / 2:.1f}", "width": f"{side:.1f}",
                  "height": f"{side:.1f}", "class": "dot"}  # fmt: skip
            sub(root, "rect", at=at)
    return _markup(root)
