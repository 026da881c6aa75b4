"""A compass card as SVG, and a heading in words."""

from __future__ import annotations

from xml.etree import ElementTree

from markupsafe import Markup

from siting.lengths import compass_word
from siting.report.paper.svg import polar
from siting.report.shared.facts import Facing, whole_degrees
from siting.words.spot.card import reading as as_read


def face(heading_deg: float | None, *, span_deg: float = 0.0) -> str:
    """A heading in degrees and in words, "" where there is none; a wide one in words alone."""
    degrees = whole_degrees(heading_deg)
    if degrees is None:
        return ""
    # No degrees of a wide direction: somebody would set the camera by them.
    return compass_word(degrees) if span_deg else f"{degrees}° {compass_word(degrees)}"


def by_compass(facing: Facing) -> str:
    """What to read off a compass, in degrees and words; true degrees, so named, without one."""
    degrees, compass = whole_degrees(facing.heading_deg), whole_degrees(facing.magnetic_deg)
    if degrees is None:
        return ""
    if facing.span_deg:
        return compass_word(degrees)
    if compass is None:
        # Named: read off a compass it would be wrong by the declination.
        return f"{face(degrees)} (true)"
    return f"{compass}° {compass_word(degrees)}"


def reading(facing: Facing) -> str:
    """The heading as a volunteer reads it: by compass first, true beside it; "" without one."""
    degrees, compass = whole_degrees(facing.heading_deg), whole_degrees(facing.magnetic_deg)
    if degrees is None:
        return ""
    return as_read(degrees, compass, span_deg=facing.span_deg)


def second_reading(facing: Facing) -> str:
    """The second heading, read and labelled as the first; "" without one."""
    degrees, compass = whole_degrees(facing.second_deg), whole_degrees(facing.second_magnetic_deg)
    if degrees is None:
        return ""
    return as_read(degrees, compass, span_deg=facing.span_deg)


def rose(facing: Facing) -> Markup:
    """A compass card with the heading (solid arrow) and the second heading (dashed)."""
    if facing.heading_deg is None:
        return Markup("")
    words = f"Heading {face(facing.heading_deg, span_deg=facing.span_deg)}"
    svg = ElementTree.Element(
        "svg", {"class": "rose", "viewBox": "-17 -17 34 34", "role": "img", "aria-label": words}
    )
    ElementTree.SubElement(svg, "circle", {"class": "card", "r": "12"})
    ticks = "".join(_tick(bearing) for bearing in range(0, 360, 30))
    ElementTree.SubElement(svg, "path", {"class": "tick", "d": ticks})
    for bearing, letter in ((0, "N"), (90, "E"), (180, "S"), (270, "W")):
        x, y = polar(0.0, 0.0, radius=14.6, bearing_deg=bearing)
        at = {"class": "number", "x": f"{x:.2f}", "y": f"{y + 1.1:.2f}"}
        ElementTree.SubElement(svg, "text", at).text = letter
    if facing.second_deg is not None:
        _arrow(svg, facing.second_deg, kind="second")
    # After the second: where the two are close, the one to use lies on top.
    _arrow(svg, facing.heading_deg, kind="first")
    return Markup(ElementTree.tostring(svg, encoding="unicode"))


def _tick(bearing_deg: float) -> str:
    (x0, y0), (x1, y1) = (
        polar(0.0, 0.0, radius=12.0, bearing_deg=bearing_deg),
        polar(0.0, 0.0, radius=10.6, bearing_deg=bearing_deg),
    )
    return f"M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}"


def _arrow(svg: ElementTree.Element, bearing_deg: float, *, kind: str) -> None:
    x, y = polar(0.0, 0.0, radius=10.2, bearing_deg=bearing_deg)
    turn = f"rotate({bearing_deg:.1f})"
    ElementTree.SubElement(svg, "path", {"class": kind, "d": f"M0 0L{x:.2f} {y:.2f}"})
    head = {"class": f"{kind} head", "d": "M0 -10.6l1.6 3.4h-3.2Z", "transform": turn}
    ElementTree.SubElement(svg, "path", head)
