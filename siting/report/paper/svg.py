"""The few pieces of SVG that the drawings are made of."""

from __future__ import annotations

import math
from collections.abc import Mapping
from xml.etree import ElementTree

Element = ElementTree.Element


def text(parent: Element, words: str, *, at: Mapping[str, object]) -> None:
    """Words inside `parent`."""
    sub(parent, "text", at=at).text = words


def sub(parent: Element, tag: str, *, at: Mapping[str, object]) -> Element:
    """A new element inside `parent`."""
    return ElementTree.SubElement(parent, tag, {key: str(v) for key, v in at.items()})


def polar(x: float, y: float, *, radius: float, bearing_deg: float) -> tuple[float, float]:
    """The point at a bearing (degrees clockwise from up) and `radius` px off; y runs down."""
    bearing = math.radians(bearing_deg)
    return x + radius * math.sin(bearing), y - radius * math.cos(bearing)
